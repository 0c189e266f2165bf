"""The methods page on what could still be wrong: gaps, hidden traits, single patients and operators, repeated looks, the method itself."""

from __future__ import annotations

from functools import partial

from reports import methods_charts, methods_doubts, methods_gaps, methods_pictures, palette
from reports.charts import MAP_STEPS
from reports.methods_shown import ShownHidden, ShownInfluence, ShownLooks, ShownMethods
from reports.methods_words import look_sentences, objections
from reports.notation import capital, count, level_text, percent, points
from reports.page import Figure, Key, figure
from reports.parts import Part, Section, drawn_figure
from reports.table_text import Table

NO_TABLE = Table("", (), ())


def sections(m: ShownMethods) -> tuple[Section, ...]:
    """The second half of the page, but for the paper, the checklists and the sources."""
    return (
        Section("missing-data", "Values that are missing", _gaps(m)),
        Section("hidden", "What nobody recorded", _hidden(m)),
        Section("influence", "Single operators and patients", _influence(m)),
        Section("looks", "A report each quarter", _looks(m)),
        Section("self-check", "The method on this service's own lesions", _self_check(m)),
        Section("departures", "Departures from the plan", _departures(m)),
    )


def _gaps(m: ShownMethods) -> tuple[Part, ...]:
    d = m.missing
    if d is None:
        return (Part("", (m.why_absent("missing"),)),)
    parts = [
        Part("", (objections(m)[4].answer,), (methods_gaps.missing(m), methods_gaps.patterns(m))),
    ]
    if d.datasets < 2:
        return (*parts, Part("Imputation", (m.why_absent("imputation"),)))
    how = f"{d.method} {count(d.datasets)} data sets, {count(d.iterations)} iterations each."
    traces = drawn_figure(
        "chains",
        "Did the imputation settle?",
        partial(methods_pictures.traces, d.traces),
        alternative="Statistics of imputed values along the iterations, one line for each data set."
        + "".join(f" {t.trait}, {t.statistic}: R-hat {t.r_hat:.2f}." for t in d.traces if t.r_hat is not None),
        caption=f"Across: iterations. Lines that cross each other freely have settled; lines that keep apart or drift would be worrying. Up to "
        f"{methods_pictures.MOST_CHAINS} data sets are drawn.",
        table=methods_gaps.trace_numbers(m),
        absent="" if d.traces else m.why_absent("traces"),
    )
    parts.append(Part("How gaps were filled", (how,), (methods_gaps.pooled(m), traces, methods_gaps.plausibility(m))))
    tipping = tuple(
        methods_gaps.tipping(m, endpoint, trait)
        for endpoint, trait in dict.fromkeys((c.endpoint, c.trait) for c in d.tipping)
    )
    parts.append(
        Part(
            "If values are missing because of what they are",
            ("Imputation takes a gap to be explained by what is recorded. Here it is not.",)
            if tipping
            else (m.why_absent("tipping"),),
            tipping,
        )
    )
    return tuple(parts)


def _hidden(m: ShownMethods) -> tuple[Part, ...]:
    if not m.hidden:
        return (Part("", (m.why_absent("e_values"),)),)
    stated = dict.fromkeys(h.found.bounded_because for h in m.hidden if h.found.bounded and h.found.bounded_because)
    first = Part(
        "",
        (objections(m)[5].answer, *(f"Strength supposed by the plan: {text[:1].lower()}{text[1:]}" for text in stated)),
        (methods_doubts.e_values(m), methods_doubts.bounded(m)),
    )
    each = [Part(m.endpoint_label(h.found.endpoint), (), _strengths(m, h)) for h in m.hidden]
    controls = any(h.found.controls for h in m.hidden)
    instrument = any(h.found.instrument for h in m.hidden)
    return (
        first,
        *each,
        Part(
            "Where there should be no difference",
            () if controls else (m.why_absent("controls"),),
            (methods_doubts.controls(m),) if controls else (),
        ),
        Part(
            "Another way in: operators' preference",
            () if instrument else (m.why_absent("instrument"),),
            (methods_doubts.instrument(m),) if instrument else (),
        ),
    )


def _strengths(m: ShownMethods, h: ShownHidden) -> tuple[Figure | Table, ...]:
    name = h.found.endpoint.replace("_", "-")
    s = h.found.surface
    drawable = s is not None and bool(s.approach) and bool(s.outcome)
    traits = "; ".join(f"{n} {x.name}" for n, x in enumerate(h.found.strengths, start=1))
    surface = drawn_figure(
        f"surface-{name}",
        "How strong would a hidden trait have to be?",
        partial(methods_pictures.surface, h.found),
        alternative="Corrected difference for a hidden yes/no trait, by how much commoner it is among lesions started from below and by what it does to the "
        f"chance of crossing. Measured traits for comparison: {traits}.",
        caption="Each cell: the difference in points that would be left. Numbered marks: a yes/no trait as strong as a measured one, by size"
        f" ({traits}). A mark beyond the grid lies on its edge. Cells near or short of the marks in which the sign turns would be worrying.",
        table=methods_doubts.surface_numbers(h),
        key=(
            Key("square", palette.TOWARD_ABOVE[2], True, "from above better"),
            Key("square", palette.MIDDLE, True, f"within {MAP_STEPS[0]:g} points of no difference"),
            Key("square", palette.TOWARD_BELOW[2], True, "from below better"),
            Key("bold-square", palette.INK, False, "interval clear of no difference"),
        ),
        absent="" if drawable else m.why_absent("surface", h.found.endpoint),
    )
    items: list[Figure | Table] = [surface]
    if h.found.strengths:
        items.append(methods_doubts.strengths(h))
    items.append(_rosenbaum(m, h))
    return tuple(items)


def _rosenbaum(m: ShownMethods, h: ShownHidden) -> Table:
    table = methods_doubts.rosenbaum(h)
    found = h.found.rosenbaum
    if found is None:
        return Table("", (), (), nothing=f"Rosenbaum bounds: {m.why_absent('rosenbaum', h.found.endpoint)}")
    if found.critical_gamma is None:
        told = found.reason or "There is no Gamma at which the matched comparison would turn."
    else:
        side = {"retrograde": "from below", "antegrade": "from above"}[found.favors]
        told = f"The matched comparison, which favors a start {side}, stays clear of no difference up to Gamma {found.critical_gamma:.2f}."
        if found.amplified:
            a = found.amplified[0]
            told += f" That is a trait that multiplies the odds of the approach by {a.approach:.1f} and of crossing by {a.outcome:.1f}."
    pairs = f" Discordant pairs: {count(h.discordant)}." if h.discordant is not None else ""
    note = table.nothing if not table.rows else ""
    return Table(
        f"{table.caption} {told}{pairs} A Gamma close to 1 would be worrying.",
        table.columns,
        table.rows,
        nothing=f"{told} {note}".strip(),
    )


def _influence(m: ShownMethods) -> tuple[Part, ...]:
    if not m.influence:
        return (Part("", (m.why_absent("operators"),)),)
    return tuple(Part(m.endpoint_label(i.endpoint), _patients(m, i), (_operators(m, i),)) for i in m.influence)


def _patients(m: ShownMethods, i: ShownInfluence) -> tuple[str, ...]:
    if i.patient_shift is None:
        return (m.why_absent("patients", i.endpoint),)

    def in_errors(shift: float) -> str:
        return "" if not i.standard_error else f" ({abs(shift) / i.standard_error:.2f} standard errors)"

    few = (
        f" The {i.few_patients} that pull most one way together: {points(i.few_shift)} points{in_errors(i.few_shift)}."
        if i.few_shift is not None
        else ""
    )
    return (
        f"Without the most influential patient the difference moves by {points(i.patient_shift)} points{in_errors(i.patient_shift)}.{few} "
        "A shift of half a standard error by one patient would be worrying.",
    )


def _operators(m: ShownMethods, i: ShownInfluence) -> Figure:
    shown = any(o.estimate is not None for o in i.operators)
    estimates = [o.estimate for o in i.operators if o.estimate is not None]
    span = f"from {points(min(estimates))} to {points(max(estimates))} points" if estimates else ""
    return figure(
        f"operators-{i.endpoint.replace('_', '-')}",
        "The answer without each operator",
        methods_charts.operators,
        i,
        alternative=f"The difference without each operator in turn, {span}; with all {points(i.estimate)} points.",
        table=methods_doubts.operators(m, i),
        caption="Line: the answer with all operators. Numbers are pseudonymous and no ranking: a mark says how much the answer leans on those lesions, not how "
        "well anyone works. One operator without whom the answer turns would be worrying.",
        absent="" if shown else m.why_absent("operators", i.endpoint),
    )


def _looks(m: ShownMethods) -> tuple[Part, ...]:
    if not m.looks:
        return (Part("", (m.why_absent("looks"),)),)
    return tuple(_series(m, s) for s in m.looks)


def _series(m: ShownMethods, s: ShownLooks) -> Part:
    planned = f" {s.planned} looks are planned." if s.planned is not None else ""
    how = f"Error of {percent(s.error)} held over all looks by: {s.method}.{planned}"
    drawable = any(x.line.interval.estimate is not None for x in s.lines)
    chart = figure(
        f"looks-{s.endpoint.replace('_', '-')}",
        "Every report so far",
        methods_charts.looks,
        s,
        alternative=" ".join(look_sentences(m, s.endpoint)),
        table=methods_doubts.looks(m, s),
        key=(
            Key("diamond", palette.FAIR, True, "thin: as if the only look"),
            Key("square", palette.PLAIN, True, "thick: over all looks"),
        ),
        caption="Numbers beside are the intervals over all looks. A difference that only a thin interval claims does not count. An estimate that wanders "
        "from look to look by more than its intervals allow would be worrying.",
        absent="" if drawable else m.why_absent("looks", s.endpoint),
    )
    return Part(m.endpoint_label(s.endpoint), (how, *look_sentences(m, s.endpoint)), (chart,))


def _self_check(m: ShownMethods) -> tuple[Part, ...]:
    if not m.self_checks:
        return (Part("", (m.why_absent("self_check"),)),)
    words = [
        "Outcomes with a known effect are drawn for this service's own lesions, patients and gaps, and the primary method is asked for it."
    ]
    for one in m.self_checks:
        c = one.check
        verdict = "The verdict is held back" if one.held_back else "The verdict stands"
        why = f": {'; '.join(r.rstrip('.') for r in c.reasons)}" if c.reasons else ""
        covered = (
            ""
            if c.coverage is None
            else f" Coverage {percent(c.coverage)} ({percent(c.coverage_lower)} to {percent(c.coverage_upper)}) in {count(c.answered)} histories."
        )
        small = (
            f" Smallest difference found with {percent(c.power)} power: {points(c.detectable_difference, signed=False)} points"
            + (
                f", {points(c.detectable_over_looks, signed=False)} over all looks"
                if c.detectable_over_looks is not None
                else ""
            )
            + "."
            if c.detectable_difference is not None
            else ""
        )
        words.append(f"{m.endpoint_label(one.endpoint)}. {verdict}{why}.{covered}{small}")
    drawable = any(one.check.effects for one in m.self_checks)
    chart = figure(
        "self-check-coverage",
        "Does the interval hold the truth here?",
        methods_charts.self_checks,
        m,
        alternative=objections(m)[8].answer,
        table=methods_doubts.self_check(m),
        caption=f"Marks should lie at {level_text(m.run.level)}, within simulation error. An interval wholly to the left would be worrying, and holds the verdict back.",
        absent="" if drawable else m.why_absent("self_check"),
        print_table=True,
    )
    return (Part("", tuple(words), (chart,)),)


def _departures(m: ShownMethods) -> tuple[Part, ...]:
    return (Part("", (capital(objections(m)[9].answer),), (methods_doubts.departures(m),)),)
