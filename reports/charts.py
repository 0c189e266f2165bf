"""The charts: one function each, from what may be shown to a Vega-Lite specification at a given size."""

from __future__ import annotations

from reports import palette
from reports.notation import (
    HIDDEN,
    MINUS,
    capital,
    count,
    percent,
    points,
    points_interval,
    points_with_interval,
    price_text,
)
from reports.row_chart import Mark, Row, Scale, Size, Spec, row_chart
from reports.shown import ShownComparison, ShownEdition, ShownPrice, ShownTerm
from reports.wording import direction, endpoint_label, profile_comparisons

WIDEST_POINTS = 60.0  # an interval of a few lesions may span more: it is cut at the edge, its numbers stand beside it
BALANCE_TRAITS, BALANCE_DERIVED = 17, 8  # rows drawn; the table has all
ROWS_ON_A_PAGE = 28
_ENDS = ("\u2190 from above better", "from below better \u2192")
_WAY = {
    "below": (palette.BELOW, "triangle-up", True),
    "above": (palette.ABOVE, "triangle-down", True),
    "unclear": (palette.QUIET, "circle", False),
    "withheld": (palette.QUIET, "circle", False),
}


def plain_against_fair(e: ShownEdition, size: Size) -> Spec:
    """For each endpoint the plain difference and the like-for-like one, with intervals."""
    rows: list[Row] = []
    for endpoint, _ in e.endpoint_labels:
        rows.append(Row(endpoint_label(e, endpoint), heading=True))
        plain, fair = e.comparison(endpoint, "crude", "observed"), e.fair(endpoint)
        rows.append(_difference_row("Plain figures", plain, palette.PLAIN, "circle", filled=False))
        rows.append(_difference_row("Like for like", fair, palette.FAIR, "diamond", filled=True))
    return row_chart(tuple(rows), _difference_scale(rows), size)


def _difference_row(label: str, c: ShownComparison | None, color: str, shape: str, *, filled: bool) -> Row:
    if c is None:
        return Row(label, note="not compared")
    d = c.effect("risk_difference")
    if d.estimate is None or d.lower is None or d.upper is None:
        return Row(label, note=c.withheld_because or "hidden: small numbers", counts=_counts(c))
    mark = Mark(
        round(d.estimate * 100, 2),
        color,
        shape,
        filled,
        round(d.lower * 100, 2),
        round(d.upper * 100, 2),
        tip=f"{label}: {points(d.estimate)} points ({points_interval(d)})",
    )
    return Row(label, (mark,), text=points_with_interval(d), counts=_counts(c))


def _counts(c: ShownComparison) -> str:
    return f"{count(c.retrograde.n)} / {count(c.antegrade.n)}"


def _difference_scale(rows: list[Row]) -> Scale:
    ends = [v for r in rows for m in r.marks for v in (m.lower, m.upper) if v is not None]
    low, high = min([-10.0, *ends]), max([10.0, *ends])
    return Scale(
        (max(low - 2, -WIDEST_POINTS), min(high + 2, WIDEST_POINTS)),
        "Difference in success, percentage points",
        ends=_ENDS,
        line=0.0,
        signed=True,
        text_title="Points (interval)",
        counts_title="\u25b2 / \u25bc lesions",
    )


def case_mix(e: ShownEdition, size: Size) -> Spec:
    """Shares of lesion traits by first approach."""
    rows = tuple(
        Row(
            capital(m.trait.label),
            (
                Mark(
                    round(m.antegrade * 100), palette.ABOVE, "triangle-down", tip=f"From above: {percent(m.antegrade)}"
                ),
                Mark(
                    round(m.retrograde * 100), palette.BELOW, "triangle-up", tip=f"From below: {percent(m.retrograde)}"
                ),
            ),
            text=f"{percent(m.retrograde)} / {percent(m.antegrade)}",
            joined=True,
        )
        for m in e.case_mix
        if m.trait.unit == "share" and m.retrograde is not None and m.antegrade is not None
    )
    top = max([m.value for r in rows for m in r.marks], default=100.0)
    scale = Scale((0.0, min(100.0, top + 8)), "Share of lesions", unit="%", text_title="From below / above")
    return row_chart(rows, scale, size)


def forest_parts(e: ShownEdition) -> tuple[tuple[Row, ...], ...]:
    """The rows of the forest plot, grouped by feature and cut between features into parts that fit a page."""
    groups: dict[str, list[Row]] = {}
    for feature, level, c in profile_comparisons(e):
        color, shape, filled = _WAY[direction(c.effect("risk_difference"))]
        group = groups.setdefault(feature, [Row(capital(feature), heading=True)])
        group.append(_difference_row(level, c, color, shape, filled=filled))
    parts: list[list[Row]] = []
    for group in groups.values():
        if parts and len(parts[-1]) + len(group) <= ROWS_ON_A_PAGE:
            parts[-1] += group
        else:
            parts.append(list(group))
    return tuple(tuple(part) for part in parts)


def profile_forest(e: ShownEdition, size: Size, part: int = 0) -> Spec:
    """One part of the like-for-like differences by one-way profile; withheld ones with their reason, all on one scale."""
    parts = forest_parts(e)
    return row_chart(parts[part], _difference_scale([row for rows in parts for row in rows]), size)


def prices(e: ShownEdition, size: Size) -> Spec:
    """Median and quartiles of each price by first approach; every price on its own scale from zero."""
    rows: list[Row] = []
    largest = {p.name: max((q.upper_quartile or 0.0) for q in e.prices if q.name == p.name) or 1.0 for p in e.prices}
    heading = ""
    for p in in_order(e.prices):
        if p.name != heading:
            rows.append(Row(f"{price_name(p.label)} ({p.unit})", heading=True))
            heading = p.name
        below = p.approach == "retrograde"
        label = "started from below" if below else "started from above"
        if p.median is None or p.lower_quartile is None or p.upper_quartile is None:
            rows.append(Row(label, note="too few lesions to show"))
            continue
        low, middle, high = (price_text(v, largest[p.name]) for v in (p.lower_quartile, p.median, p.upper_quartile))
        text = f"{middle} ({low} to {high})"
        top = largest[p.name]
        mark = Mark(
            p.median / top,
            palette.BELOW if below else palette.ABOVE,
            palette.SHAPE[p.approach],
            False,
            p.lower_quartile / top,
            p.upper_quartile / top,
            tip=f"{p.label}, {label}: median {text} {p.unit}",
            thick=True,
        )
        rows.append(Row(label, (mark,), text=text))
    return row_chart(
        tuple(rows),
        Scale((0.0, 1.04), "", line=None if size.narrow else 0.0, axis=False, text_title="Median (quartiles)"),
        size,
    )


def balance(e: ShownEdition, size: Size) -> Spec:
    """Standardized differences before and after weighting: traits, then the least alike of squares and combinations."""
    terms = e.diagnostics.balance if e.diagnostics else ()
    traits = [t for t in terms if t.kind in ("fitted", "left_out")]
    derived = [t for t in terms if t.kind not in ("fitted", "left_out")]
    traits = sorted(traits, key=lambda t: -max(abs(t.smd_before or 0.0), abs(t.smd_after)))[:BALANCE_TRAITS]
    derived = sorted(derived, key=lambda t: -abs(t.smd_after))[:BALANCE_DERIVED]
    rows: list[Row] = []
    for heading, chosen in (("Traits", traits), ("Squares and combinations, least alike after", derived)):
        if chosen:
            rows += [Row(heading, heading=True), *map(_balance_row, chosen)]
    top = max([m.value for r in rows for m in r.marks], default=0.3)
    scale = Scale(
        (0.0, max(0.3, top + 0.05)),
        "Difference between the groups, in standard deviations",
        line=0.1,
        text_title="Before \u2192 after",
    )
    return row_chart(tuple(rows), scale, size)


def _balance_row(t: ShownTerm) -> Row:
    after = Mark(round(abs(t.smd_after), 2), palette.FAIR, "diamond", tip=f"After: {abs(t.smd_after):.2f}")
    label = capital(t.label.replace(" x ", " \u00d7 "))
    if t.smd_before is None:
        return Row(label, (after,), text=f"{HIDDEN} \u2192 {abs(t.smd_after):.2f}")
    before = Mark(round(abs(t.smd_before), 2), palette.PLAIN, "circle", False, tip=f"Before: {abs(t.smd_before):.2f}")
    return Row(label, (before, after), text=f"{abs(t.smd_before):.2f} \u2192 {abs(t.smd_after):.2f}", joined=True)


def in_order(prices: tuple[ShownPrice, ...]) -> tuple[ShownPrice, ...]:
    """Prices as listed, each with from below before from above, as everywhere in the report."""
    names = list(dict.fromkeys(p.name for p in prices))
    return tuple(sorted(prices, key=lambda p: (names.index(p.name), p.approach != "retrograde")))


def price_name(label: str) -> str:
    """The label without its remark in parentheses, which goes under the chart."""
    return label.partition(" (")[0]


def map_color(difference: float) -> str:
    """The fill of a map cell: a step of the diverging scale for a difference as a fraction, no difference in the middle."""
    size = abs(difference) * 100
    step = sum(size >= limit for limit in MAP_STEPS)
    if step == 0:
        return palette.MIDDLE
    return (palette.TOWARD_BELOW if difference > 0 else palette.TOWARD_ABOVE)[step - 1]


MAP_STEPS = (2.0, 6.0, 12.0, 20.0)  # points; steps, not shades, so that a printed color can be matched to the key


def withheld_word(c: ShownComparison) -> str:
    """What a map cell without an estimate says."""
    return "too few" if "few" in (c.withheld_because or "") else "withheld"


def balance_text(smd: float | None) -> str:
    """A standardized difference in a table; no sign before a zero, an asterisk when hidden."""
    if smd is None:
        return HIDDEN
    text = f"{abs(smd):.2f}"
    return f"{MINUS}{text}" if smd < 0 and float(text) else text


def hidden_note(smallest: int) -> str:
    """The footnote that explains the asterisk."""
    return f"{HIDDEN} not shown: a count from 1 to {smallest - 1}, or one from which such a count could be worked out."
