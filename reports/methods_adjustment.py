"""The methods page from the question to the answers: who was compared, how alike they became, what every method says."""

from __future__ import annotations

from functools import partial

from markupsafe import Markup

from models.results import Measure
from reports import lesion_flow, methods_answers, methods_charts, methods_pictures, methods_tables, palette, pictures
from reports.causal_picture import causal_picture, causal_words, open_paths_in_words
from reports.charts import hidden_note
from reports.methods_shown import ShownMethods, ShownScore
from reports.methods_words import objections, sentence_case
from reports.notation import capital, count, level_text, percent
from reports.page import Figure, Key, figure
from reports.parts import Part, Section, drawn_figure
from reports.row_chart import Size, Spec
from reports.table_text import Table
from reports.trust import ABOVE_KEY, BELOW_KEY

PLAIN_KEY = Key("circle", palette.PLAIN, True, "plain figures")
PRIMARY_KEY = Key("diamond", palette.FAIR, True, "primary")
OTHER_KEY = Key("circle", palette.FAIR, False, "other methods")
BEFORE_AFTER = (
    Key("circle", palette.PLAIN, False, "before weighting"),
    Key("diamond", palette.FAIR, True, "after weighting"),
)


def sections(m: ShownMethods) -> tuple[Section, ...]:
    """The first half of the page."""
    return (
        Section("question", "The question and the estimand", _question(m)),
        Section("compared", "Who was compared", _compared(m)),
        Section("adjusted", "What is adjusted for, and why", _adjusted(m)),
        Section("balance", "Are the groups alike?", _balance(m)),
        Section("score", "Could lesions have gone either way?", _score(m)),
        Section("weights", "Weights and checks", _weights(m)),
        Section("methods", "All methods side by side", _methods(m)),
        Section("primary", "Which is primary, and why", _primary(m)),
    )


def _question(m: ShownMethods) -> tuple[Part, ...]:
    return (
        Part(
            "",
            (
                m.question,
                "Differences are from below minus from above, so a positive one favors starting from below. Ratios are from below over "
                f"from above. Intervals are {level_text(m.run.level)}.",
            ),
            (methods_tables.trial(m), methods_tables.estimands(m)),
        ),
    )


def _compared(m: ShownMethods) -> tuple[Part, ...]:
    patients = "few" if m.patients is None else count(m.patients)
    return (
        Part(
            "",
            (
                f"Compared are {m.run.eligibility}: {patients} patients, {m.run.operators:,} operators. "
                "Patients are the clusters of every interval.",
            ),
            (
                drawn_figure(
                    "lesion-flow",
                    "From lesions read to lesions compared",
                    partial(lesion_flow.lesion_flow, m),
                    alternative=f"{'; '.join(f'{s.label}: {count(s.count)}' for s in m.flow)}.",
                    caption="Every lesion left out is counted with its reason. A step that takes out many for a reason that goes with the "
                    "approach or the result would be worrying.",
                    table=methods_tables.flow(m),
                    absent="" if m.flow else m.why_absent("flow"),
                ),
            ),
        ),
    )


def _adjusted(m: ShownMethods) -> tuple[Part, ...]:
    d = m.diagram
    picture = drawn_figure(
        "causal-diagram",
        "What acts on what",
        lambda size: _causal(m, size),
        alternative=causal_words(d) if d else "",
        caption="Groups in full edges are adjusted for, what is dotted never is, what is dashed stays open. A reason for the choice that you know of and do "
        "not find here would be worrying.",
        absent="" if d else m.why_absent("diagram"),
    )
    words = (open_paths_in_words(d),) if d else ()
    return (
        Part("", ("Only what was known before the first puncture is adjusted for.", *words), (picture,)),
        Part("The adjustment set", (), (methods_tables.adjustment(m),)),
        Part("What is refused", (), (methods_tables.refused(m),)),
    )


def _causal(m: ShownMethods, size: Size) -> Markup:
    """The diagram as it goes into the page: no namespace, no style attribute; the page's own style sheet fits it in."""
    svg = causal_picture(m.diagram, size) if m.diagram else ""
    svg = svg.replace(' xmlns="http://www.w3.org/2000/svg"', "").replace(' style="max-width:100%;height:auto"', "")
    return Markup(svg)  # noqa: S704 - our own drawing, which escapes its texts


def _love(m: ShownMethods, name: str, title: str, *, derived: bool, table: Table | None = None) -> Figure:
    kinds = ("square", "interaction") if derived else ("fitted", "left_out")
    drawn = methods_charts.DERIVED_DRAWN if derived else methods_charts.TRAITS_DRAWN
    own = [b for b in m.balance if b.kind in kinds]
    more = f" The {drawn} largest of a kind are drawn; the table has all." if len(own) > drawn else ""
    worst = max(own, key=lambda b: abs(b.smd_after), default=None)
    most = f"Largest after weighting: {worst.label}, {abs(worst.smd_after):.2f}." if worst else ""
    return figure(
        name,
        title,
        partial(methods_charts.love_plot, derived=derived),
        m,
        alternative=f"Standardized differences before and after weighting. {most}",
        table=table or Table("", (), ()),
        key=BEFORE_AFTER,
        caption=f"Filled marks should lie left of the line at 0.10 (Austin 2009). {most}{more} "
        + (
            "Weighting need not have balanced these: they are the stricter look."
            if derived
            else "Traits not adjusted for tell whether something else came along."
        ),
        absent="" if own else m.why_absent("balance"),
    )


def _balance(m: ShownMethods) -> tuple[Part, ...]:
    return (
        Part("", (objections(m)[0].answer,), (methods_tables.table_one(m),) if m.table_one else ()),
        Part("" if m.table_one else "Table 1", () if m.table_one else (m.why_absent("table_one"),)),
        Part(
            "",
            (),
            (
                _love(m, "love-plot", "Standardized differences of traits", derived=False),
                _love(m, "love-plot-derived", "Squares and products of two traits", derived=True, table=methods_tables.balance(m)),
            ),
        ),
    )  # fmt: skip


def _bars(score: ShownScore, size: Size) -> Spec:
    return pictures.score_bars(score.bars, size)


def _score(m: ShownMethods) -> tuple[Part, ...]:
    s = m.score
    if s is None:
        return (Part("", (m.why_absent("score"),)),)
    fitted = (
        "each lesion's score comes from models that did not see its patient"
        if s.cross_fitted
        else "scores are of the lesions that the model was fitted on"
    )
    slope = (
        f"Calibration slope {s.slope:.2f} ({s.slope_lower:.2f} to {s.slope_upper:.2f}), where 1 is perfect; "
        if s.slope is not None and s.slope_lower is not None and s.slope_upper is not None
        else ""
    )
    told = f"{slope}c statistic {s.c_statistic:.2f}; {fitted}."
    few = any(g.share is None for g in s.groups)
    return (
        Part(
            "",
            (capital(told), *((s.remark,) if s.remark else ())),
            (
                figure(
                    "score-overlap",
                    "Chance of being started from below, by what was done",
                    _bars,
                    s,
                    alternative=_overlap_words(s),
                    table=_bar_table(s),
                    key=(BELOW_KEY, ABOVE_KEY),
                    caption="Where both groups have bars, lesions like these were started both ways. Groups that hardly meet would be worrying. "
                    "Ranges with few lesions are joined.",
                    absent="" if s.bars else "The scores are not shown: too few lesions.",
                ),
                drawn_figure(
                    "calibration",
                    "Does the score mean what it says?",
                    partial(methods_pictures.calibration, s),
                    alternative=f"Share started from below against the mean score in {len(s.groups)} groups. {slope}",
                    caption="Dots on the dashed line: as many were started from below as the score says. Dots far off it, with intervals that miss it, would be worrying."
                    + (f" {hidden_note(m.run.smallest_count_shown)}" if few else ""),
                    table=methods_tables.calibration(m),
                    absent="" if any(g.share is not None for g in s.groups) else "Not shown: the tenths of the score rest on small numbers.",
                ),
                methods_tables.learners(m),
            ),
        ),
    )  # fmt: skip


def _overlap_words(s: ShownScore) -> str:
    ends = []
    for approach, words in methods_tables.APPROACH.items():
        own = [b for b in s.bars if b.approach == approach]
        if own:
            ends.append(f"started {words} from {percent(own[0].lower)} to {percent(own[-1].upper)}")
    return f"Scores of lesions {'; '.join(ends)}."


def _bar_table(s: ShownScore) -> Table:
    return Table(
        "Estimated chance of being started from below. Ranges with few lesions are joined.",
        ("Started", "Chance from", "to", "Lesions"),
        tuple(
            (methods_tables.APPROACH[b.approach], percent(b.lower), percent(b.upper), count(b.count)) for b in s.bars
        ),
    )


def _weights(m: ShownMethods) -> tuple[Part, ...]:
    weights = Part(
        "Weights", () if m.weights else (m.why_absent("weights"),), (methods_tables.weights(m),) if m.weights else ()
    )
    gates = Part("Checks", () if m.gates else (m.why_absent("gates"),), (methods_answers.gates(m),) if m.gates else ())
    return weights, gates


_TITLES: dict[Measure, str] = {
    "risk_difference": "risk difference",
    "risk_ratio": "risk ratio",
    "odds_ratio": "odds ratio",
}
_CAPTIONS: dict[Measure, str] = {
    "risk_difference": "Answers to one question should agree within their intervals; headings separate questions. A primary answer "
    "that stands apart from all others would be worrying. The table says what each method takes for granted.",
    "risk_ratio": "As above, on a scale of ratios. Methods that give no risks are left out.",
    "odds_ratio": "As above. Odds ratios at given traits lie further from 1 than those of a population even where nothing is wrong (Greenland, Robins & Pearl 1999).",
}


def _methods(m: ShownMethods) -> tuple[Part, ...]:
    if not m.estimates:
        return (Part("", (m.why_absent("estimates"),)),)
    parts = [Part("", (objections(m)[2].answer,), (methods_answers.risks(m),))]
    for endpoint, _ in m.run.endpoint_labels:
        if not any(x.comparison.endpoint == endpoint for x in m.estimates):
            parts.append(Part(m.endpoint_label(endpoint), (m.why_absent("estimates", endpoint),)))
            continue
        forests = tuple(_forest(m, endpoint, measure) for measure in _TITLES)
        bootstrap = tuple(
            f"Bootstrap of patients, {sentence_case(x.label)}: {b.withheld_because}."
            if b.withheld_because
            else f"Bootstrap of patients, {sentence_case(x.label)}: {b.replicates:,} replicates, {b.failed:,} without an answer."
            for x in m.estimates
            if x.comparison.endpoint == endpoint
            for b in methods_charts.bootstraps_of(m, x)
            if b.measure == "risk_difference"
        )
        none = () if bootstrap else (m.why_absent("bootstrap", endpoint),)
        parts.append(
            Part(m.endpoint_label(endpoint), (*bootstrap, *none), (*forests, methods_answers.methods(m, endpoint)))
        )
    return tuple(parts)


def _forest(m: ShownMethods, endpoint: str, measure: Measure) -> Figure:
    own = [x for x in m.estimates if x.comparison.endpoint == endpoint]
    primary = m.primary(endpoint)
    effect = primary.comparison.effect(measure) if primary else None
    shown = any(x.comparison.effect(measure).estimate is not None for x in own)
    said = f" Primary: {methods_charts.effect_text(effect, measure)}." if effect and effect.estimate is not None else ""
    return figure(
        f"forest-{endpoint.replace('_', '-')}-{measure.replace('_', '-')}",
        f"{m.endpoint_label(endpoint)}: {_TITLES[measure]} by every method",
        partial(methods_charts.methods_forest, endpoint=endpoint, measure=measure),
        m,
        alternative=f"{capital(_TITLES[measure])} by {len(own)} methods.{said}",
        table=Table("", (), ()),
        key=(PLAIN_KEY, PRIMARY_KEY, OTHER_KEY),
        caption=_CAPTIONS[measure],
        absent="" if shown else "No method has an estimate that may be shown; the table gives the reasons.",
    )


def _primary(m: ShownMethods) -> tuple[Part, ...]:
    s = m.simulation
    if s is None:
        return (Part("", (m.why_absent("simulation"),)),)
    endpoints = list(dict.fromkeys(x.endpoint for x in s.lines))
    items: list[Figure | Table] = []
    for endpoint in endpoints:
        items.append(
            figure(
                f"coverage-{endpoint.replace('_', '-')}",
                f"Does the interval hold the truth? {m.endpoint_label(endpoint)}",
                partial(methods_charts.coverage, endpoint=endpoint),
                m,
                alternative=objections(m)[3].answer,
                table=Table("", (), ()),
                key=(
                    PRIMARY_KEY,
                    Key("circle", palette.PLAIN, False, "other methods"),
                    Key("circle", palette.PLAIN, True, "plain figures"),
                ),
                caption=f"The primary mark should lie on the line at {level_text(m.run.level)} in every scenario; with a hidden trait none can. Marks far to the left of it "
                "are intervals that claim more than they know.",
            )
        )
        items.append(methods_answers.simulation(m, endpoint))
    why = f"Primary is {sentence_case(m.run.primary_label)}. {s.why_primary}"
    return (Part("", (why, s.made), tuple(items)),)
