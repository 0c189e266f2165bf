"""Charts of the methods page that are rows of marks on a shared scale."""

from __future__ import annotations

from collections.abc import Iterable

from models.adjustment_results import BootstrapInterval
from models.results import Effect, Measure
from reports import palette
from reports.charts import WIDEST_POINTS
from reports.methods_shown import ShownBalance, ShownInfluence, ShownLooks, ShownMethod, ShownMethods
from reports.notation import HIDDEN, capital, count, percent, points, points_interval, ratio
from reports.row_chart import Mark, Row, Scale, Size, Spec, row_chart

TRAITS_DRAWN, DERIVED_DRAWN = 30, 14
CLEAR_DIFFERENCE = 0.1  # SD; Austin 2009
LOG_TICKS = (0.1, 0.2, 0.25, 0.33, 0.5, 0.67, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5, 2.0, 3.0, 4.0, 5.0, 10.0)
WIDEST_RATIO = 8.0  # an interval may span more: it is cut at the edge, its numbers stand beside it
_ENDS = ("\u2190 from above better", "from below better \u2192")
POPULATIONS = {
    "observed": "Lesions as they came",
    "overlap": "Overlap population",
    "all": "All lesions",
    "treated": "Lesions started from below",
}
GAPS = frozenset({"complete_case", "missing_indicator"})


def family(m: ShownMethod) -> str:
    """What the method's answer is about: answers to one question stand together."""
    if m.comparison.method == "crude":
        return "Plain figures, not adjusted"
    if m.primary:
        return "Primary"
    if m.comparison.method in GAPS:
        return "Gaps handled in another way"
    if m.odds_ratio == "conditional":
        return "At given traits, not of a population"
    return f"Other methods: {POPULATIONS[m.comparison.population].lower()}"


def in_families(found: Iterable[ShownMethod]) -> dict[str, list[ShownMethod]]:
    """Methods by family, plain figures and primary first."""
    families: dict[str, list[ShownMethod]] = {}
    for m in sorted(found, key=lambda m: 0 if m.comparison.method == "crude" else 1 if m.primary else 2):
        families.setdefault(family(m), []).append(m)
    return families


def methods_forest(m: ShownMethods, size: Size, *, endpoint: str, measure: Measure) -> Spec:
    """Every method's answer on one endpoint, by family; differences in points, ratios on a log scale."""
    rows: list[Row] = []
    for name, found in in_families(x for x in m.estimates if x.comparison.endpoint == endpoint).items():
        drawn: list[Row] = []
        for x in found:
            row = _method_row(x, measure)
            if row is not None:
                drawn += [row, *(_bootstrap_row(b, x) for b in bootstraps_of(m, x) if b.measure == measure)]
        if drawn:
            rows += [Row(name, heading=True), *drawn]
    return row_chart(tuple(rows), _scale(rows, measure), size)


def bootstraps_of(m: ShownMethods, x: ShownMethod) -> list[BootstrapInterval]:
    """The bootstrap intervals of one line: they are made in the population of the primary answer."""
    primary = m.primary(x.comparison.endpoint)
    if primary is None or x.comparison.population != primary.comparison.population:
        return []
    return [b for b in m.bootstrap if (b.endpoint, b.method) == (x.comparison.endpoint, x.comparison.method)]


def _method_row(x: ShownMethod, measure: Measure) -> Row | None:
    """None for a measure that the method does not give at all."""
    effect = x.comparison.effect(measure)
    # The heading names the population.
    label = x.label if x.primary else x.label.removesuffix(f", {POPULATIONS[x.comparison.population].lower()}")
    if effect.estimate is None or effect.lower is None or effect.upper is None:
        others = any(e.estimate is not None for e in x.comparison.effects)
        if others:
            return None
        return Row(label, note=x.comparison.withheld_because or "hidden: small numbers")
    crude = x.comparison.method == "crude"
    color = palette.PLAIN if crude else palette.FAIR
    shape = "diamond" if x.primary else "circle"
    mark = Mark(
        _value(effect.estimate, measure),
        color,
        shape,
        x.primary or crude,
        _value(effect.lower, measure),
        _value(effect.upper, measure),
    )
    return Row(label, (mark,), text=effect_text(effect, measure))


def _bootstrap_row(b: BootstrapInterval, own: ShownMethod) -> Row:
    estimate = own.comparison.effect(b.measure).estimate
    label = "the same, bootstrap interval"
    if b.lower is None or b.upper is None or estimate is None:
        return Row(label, note=b.withheld_because or "not worked out")
    effect = Effect(b.measure, estimate, b.lower, b.upper, None)
    mark = Mark(
        _value(estimate, b.measure),
        palette.FAIR,
        "diamond" if own.primary else "circle",
        False,
        _value(b.lower, b.measure),
        _value(b.upper, b.measure),
    )
    return Row(label, (mark,), text=effect_text(effect, b.measure))


def _value(value: float, measure: Measure) -> float:
    return round(value * 100, 2) if measure == "risk_difference" else round(max(value, 0.01), 4)


def effect_text(effect: Effect, measure: Measure) -> str:
    """An estimate with its interval."""
    if effect.estimate is None or effect.lower is None or effect.upper is None:
        return HIDDEN
    if measure == "risk_difference":
        return f"{points(effect.estimate)} ({points_interval(effect)})"
    return f"{ratio(effect.estimate)} ({ratio(effect.lower)} to {ratio(effect.upper)})"


def _scale(rows: list[Row], measure: Measure) -> Scale:
    ends = [v for r in rows for m in r.marks for v in (m.lower, m.upper) if v is not None]
    if measure == "risk_difference":
        return difference_scale(ends)
    low, high = min([0.8, *ends]) / 1.05, max([1.25, *ends]) * 1.05
    low, high = max(low, 1 / WIDEST_RATIO), min(high, WIDEST_RATIO)
    every = [t for t in LOG_TICKS if low <= t <= high]
    some = (0.1, 0.25, 0.5, 0.67, 1.0, 1.5, 2.0, 4.0, 10.0) if high / low < 6 else (0.1, 0.25, 0.5, 1.0, 2.0, 4.0, 10.0)
    few = every if high / low < 2 else [t for t in every if t in some]
    return Scale(
        (low, high),
        "Risk ratio" if measure == "risk_ratio" else "Odds ratio",
        ends=_ENDS,
        line=1.0,
        text_title="Ratio (interval)",
        ticks=tuple(few),
        log=True,
    )


def difference_scale(ends: list[float], *, line: float = 0.0, ways: bool = True) -> Scale:
    """The scale of differences in points that holds all these ends."""
    low, high = min([-10.0, *ends]), max([10.0, *ends])
    return Scale(
        (max(low - 2, -WIDEST_POINTS), min(high + 2, WIDEST_POINTS)),
        "Difference in success, percentage points",
        ends=_ENDS if ways else ("", ""),
        line=line,
        signed=True,
        text_title="Points (interval)",
    )


def love_plot(m: ShownMethods, size: Size, *, derived: bool) -> Spec:
    """Standardized differences before and after weighting, largest first: traits, or squares and products."""
    kinds = ("square", "interaction") if derived else ("fitted", "left_out")
    rows: list[Row] = []
    for kind, heading in (
        ("fitted", "Adjusted for"),
        ("left_out", "Not adjusted for"),
        ("square", "Squares"),
        ("interaction", "Products of two"),
    ):
        if kind in kinds:
            own = balance_of(m, kind)[: DERIVED_DRAWN if derived else TRAITS_DRAWN]
            rows += [Row(heading, heading=True), *map(_balance_row, own)] if own else []
    top = max([x.value for r in rows for x in r.marks], default=0.3)
    scale = Scale(
        (0.0, max(0.3, top + 0.05)),
        "Difference between the groups, in standard deviations",
        line=CLEAR_DIFFERENCE,
        text_title="Before \u2192 after",
    )
    return row_chart(tuple(rows), scale, size)


def balance_of(m: ShownMethods, kind: str) -> list[ShownBalance]:
    """Terms of a kind, furthest apart first: traits as they were, squares and products as they are after weighting."""
    own = [b for b in m.balance if b.kind == kind]
    if kind in ("fitted", "left_out"):
        return sorted(own, key=lambda b: -max(abs(b.smd_before or 0.0), abs(b.smd_after)))
    return sorted(own, key=lambda b: -abs(b.smd_after))


def _balance_row(b: ShownBalance) -> Row:
    label = capital(b.label.replace(" x ", " \u00d7 "))
    after = Mark(round(abs(b.smd_after), 3), palette.FAIR, "diamond")
    if b.smd_before is None:
        return Row(label, (after,), text=f"{HIDDEN} \u2192 {abs(b.smd_after):.2f}")
    before = Mark(round(abs(b.smd_before), 3), palette.PLAIN, "circle", False)
    return Row(label, (before, after), text=f"{abs(b.smd_before):.2f} \u2192 {abs(b.smd_after):.2f}", joined=True)


def operators(m: ShownInfluence, size: Size) -> Spec:
    """The answer without each operator in turn, the whole answer as a line; in the order of their pseudonymous numbers."""
    rows: list[Row] = []
    for o in sorted(m.operators, key=lambda o: o.number):
        label = f"without operator {o.number}"
        if o.estimate is None or o.lower is None or o.upper is None:
            rows.append(Row(label, note=o.withheld_because or "not worked out"))
            continue
        effect = Effect("risk_difference", o.estimate, o.lower, o.upper, None)
        mark = Mark(
            round(o.estimate * 100, 2), palette.FAIR, "circle", False, round(o.lower * 100, 2), round(o.upper * 100, 2)
        )
        rows.append(Row(label, (mark,), text=effect_text(effect, "risk_difference")))
    ends = [v for r in rows for x in r.marks for v in (x.lower, x.upper) if v is not None]
    return row_chart(tuple(rows), difference_scale(ends, line=round((m.estimate or 0.0) * 100, 2)), size)


def looks(series: ShownLooks, size: Size) -> Spec:
    """Each look's interval as if it were the only one (thin), within the one that is valid over all looks (thick)."""
    rows: list[Row] = []
    for shown in series.lines:
        i = shown.line.interval
        if i.estimate is None or i.fixed_lower is None or i.fixed_upper is None:
            rows.append(Row(shown.line.name, note=i.withheld_because or "not known: only that the look was made"))
            continue
        at = round(i.estimate * 100, 2)
        marks = [Mark(at, palette.FAIR, "diamond", True, round(i.fixed_lower * 100, 2), round(i.fixed_upper * 100, 2))]
        text = points(i.estimate)
        if i.lower is not None and i.upper is not None:
            wide = Mark(
                at, palette.PLAIN, "diamond", True, round(i.lower * 100, 2), round(i.upper * 100, 2), thick=True
            )
            marks.insert(0, wide)
            text = f"{points(i.estimate)} ({points(i.lower)} to {points(i.upper)})"
        rows.append(Row(shown.line.name, tuple(marks), text=text))
    ends = [v for r in rows for x in r.marks for v in (x.lower, x.upper) if v is not None]
    return row_chart(tuple(rows), difference_scale(ends), size)


def coverage(m: ShownMethods, size: Size, *, endpoint: str) -> Spec:
    """Share of simulated services whose interval held the truth, by scenario: the primary method with its interval, and the others."""
    lines = [x for x in (m.simulation.lines if m.simulation else ()) if x.endpoint == endpoint]
    rows: list[Row] = []
    for scenario in dict.fromkeys(x.scenario for x in lines):
        own = [x for x in lines if x.scenario == scenario]
        marks = [
            Mark(round(x.coverage * 100, 1), palette.PLAIN, "circle", x.role == "plain")
            for x in own
            if x.role != "primary"
        ]
        text = ""
        for x in own:
            if x.role == "primary":
                limits = (round(x.coverage_lower * 100, 1), round(x.coverage_upper * 100, 1))
                marks.append(Mark(round(x.coverage * 100, 1), palette.FAIR, "diamond", True, *limits))
                text = f"{percent(x.coverage)}, off by {points(x.bias)}"
        rows.append(Row(capital(scenario), tuple(marks), text=text))
    scale = Scale(
        (0.0, 102.0), "Services whose interval held the truth", line=m.run.level * 100, unit="%", text_title="Primary, bias (points)",
        ticks=(0, 25, 50, 75, 95) if m.run.level == 0.95 else (),
    )  # fmt: skip
    return row_chart(tuple(rows), scale, size)


def self_checks(m: ShownMethods, size: Size) -> Spec:
    """Coverage of the primary comparison on this service's own lesions, by endpoint and effect put in."""
    rows: list[Row] = []
    for one in m.self_checks:
        if not one.check.effects:
            continue
        rows.append(Row(m.endpoint_label(one.endpoint), heading=True))
        for e in one.check.effects:
            color = palette.VERDICT_COLOR["withhold"] if one.held_back else palette.FAIR
            limits = (round(e.coverage_lower * 100, 1), round(e.coverage_upper * 100, 1))
            mark = Mark(round(e.coverage * 100, 1), color, "diamond", True, *limits)
            text = f"{percent(e.coverage)} of {count(e.answered)}"
            rows.append(Row(f"true difference {points(e.effect)}", (mark,), text=text))
    low = min([x.lower for r in rows for x in r.marks if x.lower is not None], default=80.0)
    scale = Scale(
        (max(min(80.0, low - 3), 0.0), 101.0), "Simulated histories whose interval held the truth", line=m.run.level * 100, unit="%",
        text_title="Coverage",
    )  # fmt: skip
    return row_chart(tuple(rows), scale, size)
