"""The tables: one function each, from what may be shown to plain text cells. The template only lays them out."""

from __future__ import annotations

from reports.charts import balance_text, in_order, price_name
from reports.hidden_diagnostics import SHARE_CHECKS
from reports.notation import (
    ABSENT,
    HIDDEN,
    capital,
    count,
    percent,
    points_with_interval,
    price_text,
    quantity,
    ratio_with_interval,
    share_of,
    unbroken,
)
from reports.palette import VERDICT_MARK, VERDICT_WORD
from reports.shown import ShownArm, ShownComparison, ShownEdition
from reports.table_text import Table as Table
from reports.wording import direction, endpoint_label, profile_comparisons

APPROACH = {"retrograde": "from below", "antegrade": "from above"}
VERDICT = {
    "below": "from below did better",
    "above": "from above did better",
    "unclear": "no clear difference",
    "withheld": "too little to say",
}
POPULATION = {
    ("crude", "observed"): "plain figures",
    ("doubly_robust", "overlap"): "like for like, either start realistic",
    ("complete_case", "overlap"): "the same, only lesions with every trait recorded",
    ("weighting", "overlap"): "like for like by weighting alone, either start realistic",
    ("doubly_robust", "all"): "like for like, all lesions",
    ("doubly_robust", "treated"): "like for like, lesions like those started from below",
}
THEN = {"none": "stopped", "same": "again by the same approach", "bailout": "switched to the other approach"}
KIND = {"fitted": "adjusted for", "square": "square", "interaction": "interaction", "left_out": "not adjusted for"}


def _risk(arm: ShownArm) -> str:
    """An arm's success as a percentage with its interval."""
    if arm.risk is None or arm.lower is None or arm.upper is None:
        return ABSENT
    return f"{percent(arm.risk)} ({unbroken(f'{percent(arm.lower)} to {percent(arm.upper)}')})"


def _effects(c: ShownComparison) -> tuple[str, str, str]:
    d, rr, odds = (c.effect(m) for m in ("risk_difference", "risk_ratio", "odds_ratio"))
    hidden = c.counts_hidden and (c.method == "crude" or (d.estimate is None and c.withheld_because is None))
    if hidden or d.estimate is None:
        return (HIDDEN,) * 3 if hidden else ("withheld",) * 3
    return points_with_interval(d), ratio_with_interval(rr), ratio_with_interval(odds)


def comparisons(e: ShownEdition) -> Table:
    """Every whole-service comparison: endpoint by method and population, with all three measures."""
    rows = []
    for endpoint, _ in e.endpoint_labels:
        for (method, population), name in POPULATION.items():
            c = e.comparison(endpoint, method, population)  # type: ignore[arg-type]
            if c is None:
                continue
            main = c == e.fair(endpoint)
            numbers = (_risk(c.retrograde), _risk(c.antegrade), *_effects(c))
            rows.append(
                (
                    f"{endpoint_label(e, endpoint)}: {name}{' (main answer)' if main else ''}",
                    *numbers,
                    c.withheld_because or c.note,
                )
            )
    remarks = any(row[-1] for row in rows)
    columns = ("Comparison", "From below", "From above", "Difference, points", "Risk ratio", "Odds ratio")
    return Table(
        "Plain and like-for-like comparisons. Difference and ratios are from below against from above; a difference above "
        "zero, or a ratio above one, favors starting from below.",
        (*columns, "Remark") if remarks else columns,
        tuple(row if remarks else row[:-1] for row in rows),
        frozenset({0, 6}),
    )


def case_mix(e: ShownEdition) -> Table:
    """The lesion traits by first approach."""
    return Table(
        "Lesions started from below and from above are not alike. The last column is the difference in standard deviations; "
        "above 0.10 either way the groups differ clearly.",
        ("Trait", "From below", "From above", "Difference, SD"),
        tuple(
            (
                capital(m.trait.label),
                quantity(m.retrograde, m.trait.unit),
                quantity(m.antegrade, m.trait.unit),
                balance_text(m.smd),
            )
            for m in e.case_mix
        ),
    )


def flow(e: ShownEdition) -> Table:
    """From lesions read to lesions compared."""
    return Table(
        "From lesions read to lesions compared. Steps at which very few leave are joined.",
        ("Step", "Lesions remaining", "Left out here", "Why"),
        tuple((s.label, count(s.count), count(s.left_out), s.reason or ABSENT) for s in e.flow),
        frozenset({0, 3}),
    )


def rows_read(e: ShownEdition) -> Table:
    """Rows read, used and set aside, by table."""
    return Table(
        "Rows read are rows used plus rows set aside, for every table.",
        ("Table", "Read", "Used", "Set aside"),
        tuple((_table(t.table), count(t.read), count(t.used), count(t.set_aside)) for t in e.table_counts),
    )


def reasons(e: ShownEdition) -> Table:
    """Why rows were set aside and values blanked, and what is doubtful in rows that were kept."""
    what = {"row": "row set aside", "value": "value left blank", "warning": "row kept, but doubtful"}
    return Table(
        "What was not as it should be. The rule is named; a row or a value that broke it was not used, unless it is only doubtful.",
        ("Table", "What happened", "Rule broken", "Times"),
        tuple((_table(r.table), what[r.what], r.reason, count(r.count)) for r in e.reasons),
        frozenset({0, 1, 2}),
        nothing="No row was set aside, no value was left blank, and no row is doubtful.",
    )


def missing(e: ShownEdition) -> Table:
    """Shares not recorded."""
    return Table(
        "Share of the lesions compared in which a trait is not recorded.",
        ("Trait", "Not recorded"),
        tuple(
            (capital(m.label), percent(m.share))
            for m in sorted(e.missing, key=lambda m: -(m.share or 0.0))
            if m.share != 0
        ),
        nothing="Every trait is recorded for every lesion.",
    )


def sequences(e: ShownEdition) -> Table:
    """What happened on the table, as counts and shares of each first approach."""
    totals = {a: _sum([s.count for s in e.sequences if s.first_approach == a]) for a in APPROACH}
    return Table(
        "What happened on the table. Shares are of all lesions with that first approach.",
        ("Started", "First approach", "Then", "End of session", "Lesions", "Share"),
        tuple(
            (
                APPROACH[s.first_approach],
                "crossed" if s.first_crossed else "not crossed",
                THEN[s.then] if not (s.first_crossed and s.then == "none") else "nothing more needed",
                "crossed" if s.session_crossed else "not crossed",
                count(s.count),
                share_of(s.count, totals[s.first_approach]),
            )
            for s in e.sequences
        ),
        frozenset({0, 1, 2, 3}),
    )


def _sum(counts: list[int | None]) -> int | None:
    known = [c for c in counts if c is not None]
    return sum(known) if len(known) == len(counts) else None


def profiles(e: ShownEdition) -> Table:
    """Every one-way profile: counts, plain and like-for-like difference, verdict."""
    rows = []
    for feature, level, c in profile_comparisons(e):
        plain = e.comparison(c.endpoint, "crude", "observed", c.profile)
        d = c.effect("risk_difference")
        rows.append(
            (
                f"{feature}: {level}",
                *(unbroken(f"{count(a.events)} of {count(a.n)}") for a in (c.retrograde, c.antegrade)),
                _effects(plain)[0] if plain else ABSENT,
                points_with_interval(d),
                VERDICT[direction(d)] + (f": {c.withheld_because}" if c.withheld_because else ""),
            )
        )
    return Table(
        "Lesion profiles. Successes of lesions by first approach, the plain difference and the like-for-like one, in points.",
        ("Profile", "From below", "From above", "Plain difference", "Like for like", "Reading"),
        tuple(rows),
        frozenset({0, 5}),
    )


def length_calcium(e: ShownEdition) -> Table:
    """The cells of the map."""
    return Table(
        "Length and calcium together: lesions by first approach and the like-for-like difference, in points.",
        ("Length", "Calcium", "From below", "From above", "Like for like", "Reading"),
        tuple(
            (
                cell.length_band,
                cell.calcium,
                count(cell.comparison.retrograde.n),
                count(cell.comparison.antegrade.n),
                points_with_interval(cell.comparison.effect("risk_difference")),
                cell.comparison.withheld_because or VERDICT[direction(cell.comparison.effect("risk_difference"))],
            )
            for cell in e.length_calcium
        ),
        frozenset({0, 1, 5}),
    )


def prices(e: ShownEdition) -> Table:
    """Medians and quartiles by first approach."""
    largest = {p.name: max(q.upper_quartile or 0.0 for q in e.prices if q.name == p.name) for p in e.prices}

    return Table(
        "What a session cost by first approach: median, quartiles and how many have it recorded. Plain figures, not adjusted.",
        ("Price", "Started", "Recorded", "Median", "Lower quartile", "Upper quartile"),
        tuple(
            (
                f"{price_name(p.label)} ({p.unit})",
                APPROACH[p.approach],
                count(p.n),
                *(price_text(v, largest[p.name]) for v in (p.median, p.lower_quartile, p.upper_quartile)),
            )
            for p in in_order(e.prices)
        ),
        frozenset({0, 1}),
    )


def gates(e: ShownEdition) -> Table:
    """The checks on the main comparison."""
    found = e.diagnostics.gates if e.diagnostics else ()
    return Table(
        "Checks on the main comparison. Where a check says \u201cWithheld\u201d no like-for-like figure is given.",
        ("Result", "Check", "Found", "Limit", "Limit from"),
        tuple(
            (
                f"{VERDICT_MARK[g.gate.verdict]} {VERDICT_WORD[g.gate.verdict]}",
                capital(g.gate.sentence),
                reading(g.value, g.gate.name),
                reading(g.gate.threshold, g.gate.name),
                g.gate.source,
            )
            for g in found
        ),
        frozenset({0, 1, 4}),
        tuple(f"gate-{g.gate.verdict}" for g in found),
    )


def reading(value: float | None, check: str) -> str:
    """What a check found, or its limit: a share as a percentage, lesions whole, standard deviations to two decimals."""
    if value is None:
        return HIDDEN
    if check in SHARE_CHECKS:
        return percent(value)
    return f"{value:,.0f}" if abs(value) >= 5 or value == int(value) else f"{value:.2f}"


def _table(name: str) -> str:
    """A table's name as printed."""
    return name.replace("_", " ")


def balance(e: ShownEdition) -> Table:
    """Every balance term, before and after."""
    found = e.diagnostics.balance if e.diagnostics else ()
    return Table(
        "Difference between the groups in standard deviations (from below minus from above), and ratio of variances for "
        "traits that are measured, before and after weighting.",
        ("Trait", "Kind", "Before", "After", "Variance ratio before", "Variance ratio after"),
        tuple(
            (
                capital(t.label.replace(" x ", " \u00d7 ")),
                KIND[t.kind],
                balance_text(t.smd_before),
                balance_text(t.smd_after),
                _variance(t.variance_ratio_before, hidden=t.hidden and t.variance_ratio_after is not None),
                _variance(t.variance_ratio_after),
            )
            for t in found
        ),
        frozenset({0, 1}),
    )


def _variance(ratio: float | None, *, hidden: bool = False) -> str:
    if ratio is None:
        return HIDDEN if hidden else ABSENT
    return f"{ratio:.2f}"


def scores(e: ShownEdition) -> Table:
    """The score histogram as numbers."""
    bars = e.diagnostics.score_bars if e.diagnostics else ()
    return Table(
        "Estimated chance of being started from below, given the lesion and patient. Ranges with few lesions are joined.",
        ("Started", "Chance from", "to", "Lesions"),
        tuple((APPROACH[b.approach], percent(b.lower), percent(b.upper), count(b.count)) for b in bars),
    )


def quarters(e: ShownEdition) -> Table:
    """Volumes and success by quarter."""
    return Table(
        "Lesions by quarter.",
        ("Quarter", "Lesions", "Started from below", "Crossed by first approach", "Crossed in session"),
        tuple(
            (
                q.quarter,
                count(q.lesions),
                *(
                    HIDDEN if part is None else f"{count(part)} ({share_of(part, q.lesions)})"
                    for part in (q.retrograde_first, q.first_approach_crossed, q.crossed_in_session)
                ),
            )
            for q in e.quarters
        ),
    )
