"""Tables of the methods page on gaps: how many, which together, how they were filled, and what would tip the answer."""

from __future__ import annotations

from models.results import Effect
from models.sensitivity_results import TippingCell
from reports.methods_shown import ShownMethods
from reports.notation import (
    ABSENT,
    HIDDEN,
    MINUS,
    capital,
    count,
    joined,
    percent,
    points,
    points_interval,
    quantity,
    unbroken,
)
from reports.table_text import Table


def missing(m: ShownMethods) -> Table:
    """Gaps by trait and approach."""
    found = m.missing.traits if m.missing else ()
    return Table(
        "Lesions compared in which the trait is not recorded, by first approach. Shares that differ much between the approaches "
        "would be worrying: the gap then goes with the choice.",
        ("Trait", "From below", "Share", "From above", "Share"),
        tuple(
            (
                capital(t.label),
                count(t.missing_retrograde),
                percent(t.share_retrograde),
                count(t.missing_antegrade),
                percent(t.share_antegrade),
            )
            for t in found
        ),
        nothing="Every trait is recorded for every lesion compared.",
    )


def patterns(m: ShownMethods) -> Table:
    """Which traits are missing together."""
    rows = []
    for p in m.missing.patterns if m.missing else ():
        if p.others:
            name = f"{p.others} other {'combination' if p.others == 1 else 'combinations'} together"
        else:
            name = joined(list(p.traits)) if p.traits else "none: every trait recorded"
        rows.append((capital(name), count(p.count)))
    return Table(
        "Which traits are missing together. Combinations with small counts are one line.",
        ("Missing", "Lesions"),
        tuple(rows),
        nothing="No pattern of gaps: every trait is recorded.",
    )


def pooled(m: ShownMethods) -> Table:
    """Rubin's rules around the primary estimate."""
    found = m.missing.pooled if m.missing else ()
    return Table(
        "What imputation adds to the uncertainty of the primary risk difference (Rubin's rules; degrees of freedom after Barnard & Rubin 1999). "
        "A share of missing information near the share of missing values or above would be worrying.",
        ("Endpoint", "SE within, points", "SE between, points", "Missing information", "Degrees of freedom", "Error by imputation, points"),
        tuple(
            (
                m.endpoint_label(p.endpoint),
                points(p.within**0.5, signed=False),
                points(p.between**0.5, signed=False),
                f"{p.missing_information * 100:.1f}%",
                f"{p.degrees_of_freedom:,.0f}",
                points(p.imputation_error, signed=False),
            )
            for p in found
        ),
    )  # fmt: skip


def plausibility(m: ShownMethods) -> Table:
    """Recorded beside imputed values."""

    def value(v: float | None, sd: float | None, unit: str) -> str:
        if v is None:
            return HIDDEN
        if unit == "share":
            return percent(v)
        spread = "" if sd is None else f" ({quantity(sd, 'count')})"
        return unbroken(f"{quantity(v, 'count')}{spread}")

    found = m.missing.plausibility if m.missing else ()
    return Table(
        "Recorded against imputed values: shares, or mean (SD). They need not agree, since lesions with a gap may be other lesions; "
        "imputed values that no lesion could have would be worrying.",
        ("Trait", "Recorded", "Imputed", "Lesions imputed"),
        tuple(
            (
                f"{p.trait}: {p.level}"
                if p.level
                else p.trait + ("" if p.unit in ("share", "count") else f", {p.unit}"),
                value(p.recorded, p.recorded_sd, p.unit),
                value(p.imputed, p.imputed_sd, p.unit),
                count(p.imputed_n),
            )
            for p in found
        ),
    )


def trace_numbers(m: ShownMethods) -> Table:
    """R-hat by trait and statistic."""
    found = m.missing.traces if m.missing else ()
    return Table(
        "Mixing of the chains: R-hat (Gelman & Rubin 1992) near 1 is good; above 1.1 would be worrying.",
        ("Trait", "Statistic", "Data sets", "Iterations", "R-hat"),
        tuple(
            (
                t.trait,
                t.statistic,
                str(len(t.chains)),
                str(max(map(len, t.chains), default=0)),
                ABSENT if t.r_hat is None else f"{t.r_hat:.2f}",
            )
            for t in found
        ),
        frozenset({0, 1}),
    )


def tipping(m: ShownMethods, endpoint: str, trait: str) -> Table:
    """The primary answer with unrecorded values shifted: a grid where both approaches are shifted, else a list."""
    cells = [c for c in (m.missing.tipping if m.missing else ()) if (c.endpoint, c.trait) == (endpoint, trait)]
    below = sorted({c.shift_retrograde for c in cells})
    above = sorted({c.shift_antegrade for c in cells})
    what = "all traits at once" if trait == "all" else trait
    caption = (
        f"{m.endpoint_label(endpoint)}: the primary difference in points with the unrecorded values of {what} shifted after imputation, in SD for a number "
        "and log odds for a category (Rubin 1987; van Buuren 2018). "
    )
    if len(cells) == len(below) * len(above) and len(above) > 1 and len(below) > 1:
        at = {(c.shift_retrograde, c.shift_antegrade): c for c in cells}
        return Table(
            caption + "Down: shift in lesions from below; across: from above. A verdict that turns within shifts that you hold possible would be worrying.",
            ("From below \u2193 above \u2192", *(_shift(a) for a in above)),
            tuple((_shift(b), *(_tipped(at[b, a]) for a in above)) for b in below),
        )  # fmt: skip
    return Table(
        caption + "A verdict that turns within shifts that you hold possible would be worrying.",
        ("Shift, from below", "Shift, from above", "Difference (interval)"),
        tuple((_shift(c.shift_retrograde), _shift(c.shift_antegrade), _tipped(c)) for c in cells),
    )


def _shift(value: float) -> str:
    return f"{MINUS if value < 0 else '+' if value > 0 else ''}{abs(value):g}"


def _tipped(c: TippingCell) -> str:
    if c.estimate is None or c.lower is None or c.upper is None:
        return ABSENT
    effect = Effect("risk_difference", c.estimate, c.lower, c.upper, None)
    return f"{points(c.estimate)} ({unbroken(points_interval(effect))})"
