"""Tables of the methods page on the question, the groups and what every method says."""

from __future__ import annotations

from models.results import Effect
from reports.charts import balance_text
from reports.methods_charts import balance_of
from reports.methods_shown import ShownMethods, ShownTrait, ShownWeights
from reports.notation import (
    ABSENT,
    HIDDEN,
    MINUS,
    capital,
    count,
    percent,
    points,
    points_with_interval,
    quantity,
    unbroken,
)
from reports.table_text import Table
from reports.tables import KIND

ROLES = {
    "exposure": "the approach itself",
    "mediator": "mediator",
    "outcome": "the outcome, or follows from it",
    "collider": "collider",
    "instrument": "instrument",
}
MEASURES = {"risk_difference": "risk difference", "risk_ratio": "risk ratio", "odds_ratio": "odds ratio"}
APPROACH = {"retrograde": "from below", "antegrade": "from above"}


def difference(estimate: float | None, lower: float | None, upper: float | None) -> str:
    """A difference with its interval, in points."""
    return points_with_interval(Effect("risk_difference", estimate, lower, upper, None))


def signed(value: float | None, digits: int = 2) -> str:
    """A number with a true minus sign; a dash for none."""
    return ABSENT if value is None else f"{value:.{digits}f}".replace("-", MINUS)


def trial(m: ShownMethods) -> Table:
    """The target-trial table."""
    return Table(
        "The trial that would answer the question, and how the tables stand in for it (after Hern\u00e1n & Robins 2016).",
        ("Element", "In the trial", "In these data"),
        tuple((t.element, t.target, t.emulation) for t in m.trial),
        frozenset({0, 1, 2}),
    )


def estimands(m: ShownMethods) -> Table:
    """What each endpoint's primary answer is a number for."""
    return Table(
        "What is estimated, and the smallest difference that the plan calls one that matters.",
        ("Endpoint", "Population", "Measure", "Margin, points"),
        tuple(
            (m.endpoint_label(e.endpoint), e.population, MEASURES[e.measure], points(e.margin, signed=False))
            for e in m.estimands
        ),
        frozenset({0, 1, 2}),
    )


def run(m: ShownMethods) -> Table:
    """What identifies the run."""
    r = m.run
    rows = (
        ("Program", f"Crosswise {r.version}"),
        ("Plan (SHA-256)", r.plan_hash),
        ("Data (SHA-256)", r.data_hash),
        *((f"Seed: {s.purpose}", str(s.seed)) for s in r.seeds),
        *((name, value) for name, value in r.settings),
        *((f"Version: {v.name}", v.version) for v in r.versions),
    )
    return Table(
        "With the same plan, data, seeds and versions every number on this page comes out the same.",
        ("What", "Value"),
        rows,
        frozenset({0, 1}),
    )


def flow(m: ShownMethods) -> Table:
    """The case flow as numbers."""
    return Table(
        "From lesions read to lesions compared. Steps at which very few leave are joined.",
        ("Step", "Lesions remaining", "Left out here", "Why"),
        tuple((capital(s.label), count(s.count), count(s.left_out), s.reason or ABSENT) for s in m.flow),
        frozenset({0, 3}),
    )


def adjustment(m: ShownMethods) -> Table:
    """Every trait of the adjustment set, how it enters, and why."""
    forms = {f.label: f for f in m.forms}
    rows = []
    for t in m.diagram.adjustment if m.diagram else ():
        form = forms.get(t.label)
        entered = ABSENT if form is None else f"{form.form} ({form.terms} {'term' if form.terms == 1 else 'terms'})"
        rows.append((capital(t.label), t.reason, entered))
    return Table(
        "What is adjusted for, why, and how it enters the models. The plan fixed this before any result.",
        ("Trait", "Why", "How it enters"),
        tuple(rows),
        frozenset({0, 1, 2}),
    )


def refused(m: ShownMethods) -> Table:
    """What is never adjusted for."""
    return Table(
        "What a plan may not adjust for: it would take away part of the effect, or bring bias in (Pearl 2009).",
        ("Columns", "Because", "It is"),
        tuple((r.name, r.reason, ROLES[r.role]) for r in m.refused),
        frozenset({0, 1, 2}),
    )


def table_one(m: ShownMethods) -> Table:
    """Table 1, as the lesions came and as weighted."""
    crude = m.crude(m.run.primary_endpoint)
    arms = (crude.comparison.retrograde.n, crude.comparison.antegrade.n) if crude else (None, None)
    rows: list[tuple[str, ...]] = [("Lesions", count(arms[0]), count(arms[1]), "", "", "", "")]
    classes = [""]
    before = ""
    for t in m.table_one:
        if t.level and t.trait != before:
            rows.append((t.trait, "", "", "", "", "", ""))
            classes.append("")
        before = t.trait
        unit = "" if t.unit in ("share", "count") else f", {t.unit}"
        rows.append(
            (
                t.level if t.level else f"{t.trait}{unit}",
                _plain(t, "retrograde"),
                _plain(t, "antegrade"),
                balance_text(t.smd_before) if t.hidden or t.smd_before is not None else ABSENT,
                _weighted(t, "retrograde"),
                _weighted(t, "antegrade"),
                ABSENT if t.smd_after is None else balance_text(t.smd_after),
            )
        )
        classes.append("level" if t.level else "")
    return Table(
        "Table 1. Lesions with the trait (share of those recorded), or mean (SD), by first approach: as they came, and in the weighted "
        "groups of the primary analysis. Differences in standard deviations, from below minus from above. Look for weighted columns "
        "that agree; a weighted difference beyond 0.10 would be worrying.",
        ("Trait", "From below", "From above", "Difference", "From below, weighted", "From above, weighted", "Difference, weighted"),
        tuple(rows),
        row_classes=tuple(classes),
    )  # fmt: skip


def _plain(t: ShownTrait, approach: str) -> str:
    value, n = getattr(t, approach), getattr(t, f"count_{approach}")
    if t.unit == "share":
        return HIDDEN if value is None else unbroken(f"{count(n)} ({percent(value)})")
    return _mean(value, getattr(t, f"{approach}_sd"), hidden=t.hidden)


def _weighted(t: ShownTrait, approach: str) -> str:
    value = getattr(t, f"weighted_{approach}")
    if t.unit == "share":
        return (HIDDEN if t.hidden else ABSENT) if value is None else percent(value)
    return _mean(value, getattr(t, f"weighted_{approach}_sd"), hidden=t.hidden)


def _mean(value: float | None, sd: float | None, *, hidden: bool) -> str:
    if value is None:
        return HIDDEN if hidden else ABSENT
    text = quantity(value, "count")
    return text if sd is None else unbroken(f"{text} ({quantity(sd, 'count')})")


def balance(m: ShownMethods) -> Table:
    """Every balance term, with all that is looked at."""

    def pair(before: float | None, after: float | None, hide: bool) -> str:
        if after is None:
            return ABSENT
        return unbroken(f"{HIDDEN if before is None and hide else signed(before)} \u2192 {signed(after)}")

    rows = [
        (
            capital(b.label.replace(" x ", " \u00d7 ")),
            KIND[b.kind],
            unbroken(f"{balance_text(b.smd_before)} \u2192 {balance_text(b.smd_after)}"),
            pair(b.variance_ratio_before, b.variance_ratio_after, b.hidden),
            pair(b.ks_before, b.ks_after, b.hidden),
        )
        for kind in ("fitted", "left_out", "square", "interaction")
        for b in balance_of(m, kind)
    ]
    return Table(
        "Balance of every term, before \u2192 after weighting: standardized difference, ratio of variances, and largest distance of the cumulative "
        "distributions (Kolmogorov-Smirnov), the latter two for numbers only.",
        ("Term", "Kind", "Difference, SD", "Variance ratio", "KS distance"),
        tuple(rows),
        frozenset({0, 1}),
    )  # fmt: skip


def calibration(m: ShownMethods) -> Table:
    """The tenths of the score as numbers."""
    groups = m.score.groups if m.score else ()
    return Table(
        "Tenths of the score: mean score and share started from below.",
        ("Score from", "to", "Lesions", "Mean score", "Started from below (interval)"),
        tuple(
            (
                f"{g.lower:.2f}",
                f"{g.upper:.2f}",
                count(g.n),
                percent(g.mean_score),
                HIDDEN
                if g.share is None
                else unbroken(f"{percent(g.share)} ({percent(g.share_lower)} to {percent(g.share_upper)})"),
            )
            for g in groups
        ),
    )


def learners(m: ShownMethods) -> Table:
    """What the stacked models are made of."""
    found = m.score.learners if m.score else ()
    return Table(
        "The learners of the method of that name, in its score and outcome models: the weight each got by cross-validation, and its loss there (less is better).",
        ("Model of", "Learner", "Weight", "Loss", "Measured as"),
        tuple((x.nuisance, x.learner, percent(x.weight), f"{x.loss:.3f}", x.loss_name) for x in found),
        frozenset({0, 1, 4}),
        nothing="No learners were stacked in this run.",
    )


def weights(m: ShownMethods) -> Table:
    """Weights by method and approach."""

    def row(w: ShownWeights) -> tuple[str, ...]:
        return (
            f"{w.method}, {APPROACH[w.approach]}",
            count(w.n),
            HIDDEN if w.effective_n is None else f"{w.effective_n:,.0f}",
            HIDDEN if w.n is None else ABSENT if w.effective_patients is None else f"{w.effective_patients:,.0f}",
            unbroken(f"{w.low:.2f} / {w.median:.2f} / {w.high:.2f}"),
            f"{w.largest:.2f}",
            f"{w.largest_share * 100:.1f}%",
            count(w.truncated),
        )

    return Table(
        "Weights, scaled to a mean of 1 within an approach. Effective sizes are Kish's (1965): how many equally weighted lesions carry as "
        "much information. A single lesion with several percent of the total weight would be worrying.",
        ("Weighting", "Lesions", "Effective lesions", "Effective patients", "1st / 50th / 99th percentile", "Largest", "Its share of the total", "Cut off"),
        tuple(map(row, m.weights)),
    )  # fmt: skip
