"""How numbers are written: points, percentages, ratios, counts. A hidden number is written as an asterisk."""

from __future__ import annotations

from models.results import Effect

MINUS = "\u2212"
HIDDEN = "*"
ABSENT = "\u2013"


def count(n: int | None) -> str:
    """A count with thousands separated; an asterisk when hidden."""
    return HIDDEN if n is None else f"{n:,}"


def percent(share: float | None) -> str:
    """A share (0-1) as a whole percentage; never 0% or 100% unless it is."""
    if share is None:
        return HIDDEN
    if 0 < share < 0.01:
        return "under 1%"
    if 0.99 < share < 1:
        return "over 99%"
    return f"{share * 100:.0f}%"


def share_of(part: int | None, whole: int | None) -> str:
    """A part of a whole as a whole percentage; an asterisk when either is hidden, a dash for a whole of none."""
    if part is None or whole is None:
        return HIDDEN
    return percent(part / whole) if whole else ABSENT


def points(difference: float | None, *, signed: bool = True) -> str:
    """A difference of shares in percentage points to one decimal; more where rounding would lose the sign."""
    if difference is None:
        return ABSENT
    value = abs(difference) * 100
    text = f"{value:.1f}"
    if float(text) == 0 and value > 0:
        text = f"{value:.2f}" if value >= 0.005 else "under 0.01"
    if not signed:
        return text
    sign = "" if value == 0 else MINUS if difference < 0 else "+"
    return sign + text


def points_interval(effect: Effect) -> str:
    """The interval of a risk difference, in points: "+0.2 to +9.4"."""
    if effect.lower is None or effect.upper is None:
        return ABSENT
    return f"{points(effect.lower)} to {points(effect.upper)}"


def points_with_interval(effect: Effect) -> str:
    """A risk difference with its interval, for a table."""
    return ABSENT if effect.estimate is None else f"{points(effect.estimate)} ({unbroken(points_interval(effect))})"


def ratio_with_interval(effect: Effect) -> str:
    """A ratio with its interval, for a table."""
    if effect.estimate is None or effect.lower is None or effect.upper is None:
        return ABSENT
    return f"{ratio(effect.estimate)} ({unbroken(f'{ratio(effect.lower)} to {ratio(effect.upper)}')})"


def ratio(value: float) -> str:
    """Two decimals below ten, one below a hundred, none above; never a 1.00 that is not one, nor a 0.00."""
    if value >= 99.95:
        return f"{value:,.0f}"
    if value >= 9.995:
        return f"{value:.1f}"
    text = f"{value:.2f}"
    return f"{value:.3f}" if text in ("0.00", "1.00") and value not in (0.0, 1.0) else text


def level_text(level: float) -> str:
    """The confidence level as printed: "95%"."""
    return f"{level * 100:g}%"


def quantity(value: float | None, unit: str) -> str:
    """A lesion trait as printed: a share as a percentage, another with its unit."""
    if value is None:
        return HIDDEN
    if unit == "share":
        return percent(value)
    number = f"{value:,.0f}" if abs(value) >= 20 else f"{value:,.1f}"
    return number if unit == "count" else f"{number} {unit}"


def price_text(value: float | None, largest: float) -> str:
    """A price to the precision that suits the largest number beside it: whole from 20 on, one decimal below."""
    if value is None:
        return HIDDEN
    return f"{value:,.0f}" if largest >= 20 else f"{value:,.1f}"


def capital(label: str) -> str:
    """A label at the start of a row or a heading."""
    return label[:1].upper() + label[1:]


def unbroken(text: str) -> str:
    """The text kept on one line in a table cell."""
    return text.replace(" ", "\u00a0")


def joined(parts: list[str], *, last: str = "and") -> str:
    """A list in words: "a, b and c"."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} {last} {parts[-1]}" if parts else ""
