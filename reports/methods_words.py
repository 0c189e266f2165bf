"""Sentences of the methods page: the objections with the numbers that answer them, and a paragraph ready for a paper."""

from __future__ import annotations

from dataclasses import dataclass

from reports.charts import balance_text
from reports.methods_charts import POPULATIONS
from reports.methods_shown import ShownMethods
from reports.notation import capital, count, joined, level_text, percent, points, points_interval, points_with_interval


@dataclass(frozen=True, slots=True)
class Objection:
    """What a reader who distrusts the comparison would say, the numbers that answer it, and the section where they stand."""

    objection: str
    answer: str
    section: str


_PROPER = ("Firth", "GEE", "Rosenbaum")  # labels that begin with a name keep their capital


def sentence_case(label: str) -> str:
    """A label as it reads within a sentence."""
    return label if label.startswith(_PROPER) or label[1:2].isupper() else f"{label[:1].lower()}{label[1:]}"


def answer_sentence(m: ShownMethods) -> str:
    """The primary answer in one sentence, or why there is none."""
    endpoint = m.run.primary_endpoint
    primary, crude = m.primary(endpoint), m.crude(endpoint)
    if primary is None:
        return f"There is no primary answer: {sentence_case(m.why_absent('estimates', endpoint))}"
    d = primary.comparison.effect("risk_difference")
    if d.estimate is None:
        why = primary.comparison.withheld_because or "it rests on small numbers"
        return f"The primary answer is withheld: {why.rstrip('.')}."
    plain = crude.comparison.effect("risk_difference") if crude else None
    beside = (
        f", where the plain figures say {points_with_interval(plain)}" if plain and plain.estimate is not None else ""
    )
    held = " The verdict is held back by the self-check." if _held_back(m, endpoint) else ""
    return (
        f"{m.endpoint_label(endpoint)}: {points_with_interval(d)} points from below minus from above "
        f"({m.run.primary_label}, {level_text(primary.comparison.level)} interval){beside}.{held}"
    )


def _held_back(m: ShownMethods, endpoint: str) -> bool:
    return any(s.endpoint == endpoint and s.held_back for s in m.self_checks)


def objections(m: ShownMethods) -> tuple[Objection, ...]:
    """Every objection with its numbers, in the order of the page."""
    return (
        Objection("The two groups are not alike.", _alike(m), "balance"),
        Objection("Many lesions could only be started one way.", _overlap(m), "score"),
        Objection("The method was picked for its answer.", _methods(m), "methods"),
        Objection("The model is wrong.", _model(m), "primary"),
        Objection("Values are missing.", _gaps(m), "missing-data"),
        Objection("Something that nobody recorded explains it.", _hidden(m), "hidden"),
        Objection("It is one operator, or one patient.", _influence(m), "influence"),
        Objection("You look every quarter.", _looks(m), "looks"),
        Objection("The interval is too good for a service like this.", _checked(m), "self-check"),
        Objection("The plan was changed when results were known.", _departures(m), "departures"),
    )


def _alike(m: ShownMethods) -> str:
    if not m.balance:
        return m.why_absent("balance")
    fitted = [b for b in m.balance if b.kind == "fitted"] or list(m.balance)
    before = [abs(b.smd_before) for b in fitted if b.smd_before is not None]
    after = max(abs(b.smd_after) for b in fitted)
    others = [abs(b.smd_after) for b in m.balance if b.kind != "fitted"]
    first = (
        f"Largest standardized difference of a trait adjusted for: {balance_text(max(before))} before, "
        if before
        else ""
    )
    rest = f"; of squares, products and traits left out, {balance_text(max(others))}" if others else ""
    return f"{first}{balance_text(after)} after weighting{rest}."


def _overlap(m: ShownMethods) -> str:
    primary = m.primary(m.run.primary_endpoint)
    if m.score is None:
        return m.why_absent("score")
    sizes = ""
    if primary:
        arms = (primary.comparison.retrograde, primary.comparison.antegrade)
        if all(a.effective_n is not None for a in arms):
            below, above = (a.effective_n or 0.0 for a in arms)
            sizes = f" Its weights leave {below:,.0f} and {above:,.0f} effective lesions of {count(arms[0].n)} and {count(arms[1].n)}."
    population = POPULATIONS[primary.comparison.population].lower() if primary else "overlap population"
    return (
        f"The answer is about the {population}: c statistic of the score {m.score.c_statistic:.2f}, where 1 would leave nothing "
        f"to compare.{sizes}"
    )


def _methods(m: ShownMethods) -> str:
    own = [
        (x.label, d.estimate)
        for x in m.estimates
        if x.comparison.endpoint == m.run.primary_endpoint and x.comparison.method != "crude"
        for d in (x.comparison.effect("risk_difference"),)
        if d.estimate is not None
    ]
    if not own:
        return m.why_absent("estimates")
    low, high = min(own, key=lambda x: x[1]), max(own, key=lambda x: x[1])
    return (
        f"{len(own)} adjusted risk differences stand side by side, from {points(low[1])} ({sentence_case(low[0])}) to "
        f"{points(high[1])} points ({sentence_case(high[0])}). The primary one was fixed by simulation before any result."
    )


def _model(m: ShownMethods) -> str:
    lines = [
        x
        for x in (m.simulation.lines if m.simulation else ())
        if x.role == "primary" and x.endpoint == m.run.primary_endpoint
    ]
    if not lines:
        return m.why_absent("simulation")
    worst = min(lines, key=lambda x: x.coverage)
    rest = [x for x in lines if x is not worst] or [worst]
    return (
        f"On invented services with a known truth the primary interval covered it in {percent(min(x.coverage for x in rest))} to "
        f"{percent(max(x.coverage for x in rest))} of services in {len(rest)} scenarios, and in {percent(worst.coverage)} in the worst ({worst.scenario})."
    )


def _gaps(m: ShownMethods) -> str:
    if m.missing is None or not m.missing.traits:
        return m.why_absent("missing")
    pooled = next((p for p in m.missing.pooled if p.endpoint == m.run.primary_endpoint), None)
    information = f" {pooled.missing_information * 100:.0f}% of the information is missing." if pooled else ""
    beside = [
        f"{points(d.estimate)} points by {sentence_case(x.label)}"
        for x in m.estimates
        if x.comparison.endpoint == m.run.primary_endpoint
        and x.comparison.method in ("complete_case", "missing_indicator")
        for d in (x.comparison.effect("risk_difference"),)
        if d.estimate is not None
    ]
    others = f" Beside it: {joined(beside)}." if beside else ""
    return f"{m.missing.datasets} imputed data sets, pooled.{information}{others}"


def _hidden(m: ShownMethods) -> str:
    h = next((h.found for h in m.hidden if h.found.endpoint == m.run.primary_endpoint), None)
    if h is None:
        return m.why_absent("e_values")
    parts = []
    ratio = next((e for e in h.e_values if e.measure == "risk_ratio" and e.point is not None), None)
    if ratio is not None and ratio.limit is not None:
        parts.append(f"E-value {ratio.point:.2f} for the estimate, {ratio.limit:.2f} for its limit")
    if h.bounded is not None:
        parts.append(
            f"the interval widened for a trait of the plan's strength runs from {points(h.bounded.lower)} to {points(h.bounded.upper)} points"
        )
    if h.instrument is not None and h.instrument.first_stage_f is not None:
        weak = ", weak" if h.instrument.first_stage_f < h.weakest_f else ""
        parts.append(f"operators' preference as instrument: first-stage F {h.instrument.first_stage_f:.1f}{weak}")
    return f"{capital('; '.join(parts))}. It cannot be ruled out." if parts else m.why_absent("e_values")


def _influence(m: ShownMethods) -> str:
    i = next((i for i in m.influence if i.endpoint == m.run.primary_endpoint), None)
    estimates = [o.estimate for o in i.operators if o.estimate is not None] if i else []
    parts = []
    if estimates:
        parts.append(
            f"leaving out one operator at a time gives {points(min(estimates))} to {points(max(estimates))} points"
        )
    if i is not None and i.patient_shift is not None:
        parts.append(
            f"the most influential patient moves the difference by {points(abs(i.patient_shift), signed=False)} points"
        )
    return f"{capital('; '.join(parts))}." if parts else m.why_absent("operators")


def _looks(m: ShownMethods) -> str:
    series = next((s for s in m.looks if s.endpoint == m.run.primary_endpoint), None)
    if series is None or not series.lines:
        return m.why_absent("looks")
    i = series.lines[-1].line.interval
    if i.lower is None or i.upper is None:
        return f"Look {series.lines[-1].line.number}: {i.withheld_because or 'no interval over all looks'}."
    return (
        f"Look {series.lines[-1].line.number}. Over all looks the interval runs from {points(i.lower)} to {points(i.upper)} points "
        f"({i.verdict}); read as the only look, it would say: {i.fixed_verdict}."
    )


def _checked(m: ShownMethods) -> str:
    one = next((s for s in m.self_checks if s.endpoint == m.run.primary_endpoint), None)
    if one is None or one.check.coverage is None:
        return m.why_absent("self_check")
    c = one.check
    covered = f"{percent(c.coverage)} ({percent(c.coverage_lower)} to {percent(c.coverage_upper)})"
    smallest = (
        f" Smallest difference found with {percent(c.power)} power: {points(c.detectable_difference, signed=False)} points."
        if c.detectable_difference is not None
        else ""
    )
    held = " The verdict is held back." if one.held_back else ""
    return f"On histories drawn from its own lesions with a known effect, the interval held the truth in {covered}.{smallest}{held}"


def _departures(m: ShownMethods) -> str:
    choices = [d for d in m.departures if d.kind == "choice"]
    seen = "1 report" if m.run.reports_seen == 1 else f"{m.run.reports_seen} reports"
    if not choices:
        return f"No choice was changed; {seen} had been seen before."
    fields = joined([d.field for d in choices])
    return f"Changed after results had been seen: {fields}. {capital(seen)} had been seen before this one."


def look_sentences(m: ShownMethods, endpoint: str) -> tuple[str, ...]:
    """Which looks would have claimed a difference, either way of reading."""
    series = next((s for s in m.looks if s.endpoint == endpoint), None)
    if series is None or not series.lines:
        return ()
    alone = sum(s.line.interval.fixed_verdict != "no clear difference" for s in series.lines)
    over = sum(s.line.interval.verdict != "no clear difference" for s in series.lines)
    return (
        f"{m.endpoint_label(endpoint)}: of {len(series.lines)} looks, {alone or 'none'} would claim a difference read as the only look, {over or 'none'} over all looks.",
    )


def primary_interval(m: ShownMethods, endpoint: str) -> str:
    """The primary risk difference with its interval, for a checklist."""
    primary = m.primary(endpoint)
    d = primary.comparison.effect("risk_difference") if primary else None
    return "withheld" if d is None or d.estimate is None else f"{points(d.estimate)} ({points_interval(d)}) points"
