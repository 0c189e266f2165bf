"""Small numbers hidden in the methods report: the first thing that happens to it, before any sentence, table or chart.

The same rules as in `reports.disclosure`: counts from 1 to one below the plan's smallest are hidden, those that a total would give back, and means and shares
of so few. Tenths of the score and patterns of gaps are treated likewise; single operators are never named and tiny ones not drawn.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from itertools import combinations

from models.adjustment_results import CalibrationGroup, TermBalance, TraitRow, WeightSummary
from models.methods_results import MethodsReport
from models.results import Approach, Comparison, Effect
from reports.disclosure import EVEN, hide_comparisons
from reports.hidden_counts import AMBIGUOUS_FROM, hide_flow
from reports.hidden_diagnostics import hides_value, operators_as_one, score_bars, scrub, tells_of
from reports.hidden_sensitivity import hide_missing, hide_operators, hide_pairs, hide_quarters_between
from reports.methods_shown import (
    ShownBalance,
    ShownGroup,
    ShownMethod,
    ShownMethods,
    ShownScore,
    ShownTrait,
    ShownWeights,
)
from reports.shown import ShownComparison, ShownGate
from reports.small_cells import Key, Sum, hidden_keys, is_small

APPROACHES: tuple[Approach, ...] = ("retrograde", "antegrade")


def hide_small(report: MethodsReport) -> ShownMethods:
    """The report as the page may show it: same estimates, small counts hidden."""
    smallest = report.run.smallest_count_shown
    shown = hide_methods(tuple(m.comparison for m in report.estimates), smallest)
    crude = [
        (own.comparison, s)
        for own, s in zip(report.estimates, shown, strict=True)
        if own.comparison.method == "crude" and own.comparison.profile == "all"
    ]
    hide = any(s.retrograde.n is None or s.antegrade.n is None for _, s in crude)
    concealed = frozenset(
        x
        for own, s in crude
        if s.counts_hidden
        for arm in (own.retrograde, own.antegrade)
        for x in (arm.n, arm.events, arm.n - arm.events)
    )

    def told(sentence: str) -> str:
        return scrub(sentence, concealed, smallest)

    table_one = _table_one(report.table_one, _whole(report), smallest, hide_all=hide)
    names = frozenset(t.name for t in table_one if t.hidden)
    return ShownMethods(
        run=report.run,
        patients=None if is_small(report.run.patients, smallest) else report.run.patients,
        question=report.question,
        trial=report.trial,
        estimands=report.estimands,
        flow=hide_flow(report.flow, smallest)[0],
        diagram=report.diagram,
        forms=report.forms,
        refused=report.refused,
        table_one=table_one,
        balance=_balance(report.balance, names),
        score=None if report.score is None else _score(report, smallest, hide=hide),
        weights=tuple(_weights(w, _whole(report), smallest, hide=hide) for w in report.weights),
        gates=tuple(
            ShownGate(replace(g, sentence=told(g.sentence)), None if hides_value(g, hide, smallest) else g.value)
            for g in report.gates
        ),
        estimates=tuple(
            ShownMethod(c, m.label, m.assumes, m.odds_ratio, m.primary)
            for m, c in zip(report.estimates, shown, strict=True)
        ),
        bootstrap=report.bootstrap,
        simulation=report.simulation,
        missing=None if report.missing is None else hide_missing(report.missing, smallest),
        hidden=tuple(hide_pairs(h, smallest) for h in report.hidden),
        influence=tuple(hide_operators(i, smallest) for i in report.influence),
        looks=tuple(hide_quarters_between(series, smallest) for series in report.looks),
        self_checks=report.self_checks,
        departures=report.departures,
        absent=tuple(replace(a, reason=told(a.reason)) for a in report.absent),
    )


def hide_methods(comparisons: tuple[Comparison, ...], smallest: int) -> tuple[ShownComparison, ...]:
    """All methods' comparisons, hidden as in every report, and besides where two methods' counts differ by very few.

    A matched comparison has plain risks: where its events on two endpoints differ by very few, the later one's effects would tell.
    """
    shown = list(hide_comparisons(comparisons, smallest))
    for (i, a), (j, b) in combinations(enumerate(comparisons), 2):
        if a.profile != b.profile:
            continue
        pairs = ((a.retrograde, b.retrograde), (a.antegrade, b.antegrade))
        if a.endpoint == b.endpoint and any(is_small(x.n - y.n, smallest) for x, y in pairs):
            shown[j] = _without_counts(shown[j], effects=False)
        same = a.method == b.method and a.population == b.population and a.endpoint != b.endpoint
        if same and a.method != "crude" and _even(a) and _even(b):
            arms = [(x.events - y.events, y.events, y.n - y.events) for x, y in pairs if x.n == y.n]
            if any(is_small(c, smallest) for counts in arms for c in counts) or shown[i].counts_hidden:
                shown[j] = _without_counts(shown[j], effects=True)
    return tuple(shown)


def _even(c: Comparison) -> bool:
    return any(a.effective_n is not None and abs(a.effective_n - a.n) < EVEN for a in (c.retrograde, c.antegrade))


def _without_counts(c: ShownComparison, *, effects: bool) -> ShownComparison:
    def bare(arm: str) -> dict[str, object]:
        own = getattr(c, arm)
        kept = replace(own, n=None, events=None, effective_n=None)
        return {arm: replace(kept, risk=None, lower=None, upper=None) if effects else kept}

    made = replace(c, **bare("retrograde"), **bare("antegrade"), counts_hidden=True)  # type: ignore[arg-type]
    return (
        replace(made, effects=tuple(Effect(e.measure, None, None, None, None) for e in c.effects)) if effects else made
    )


def _whole(report: MethodsReport) -> dict[str, int]:
    """Lesions compared by approach; empty when nothing was compared."""
    for m in report.estimates:
        if m.comparison.endpoint == report.run.primary_endpoint and m.comparison.method == "crude":
            return {"retrograde": m.comparison.retrograde.n, "antegrade": m.comparison.antegrade.n}
    return {}


def _table_one(
    rows: tuple[TraitRow, ...], whole: dict[str, int], smallest: int, *, hide_all: bool
) -> tuple[ShownTrait, ...]:
    values: dict[Key, tuple[int, ...]] = {}
    levels: dict[tuple[str, str], list[Key]] = defaultdict(list)
    recorded: dict[tuple[str, str], int] = {}
    for i, row in enumerate(rows):
        for approach in APPROACHES:
            count, known = _counts(row, approach)
            values[i, approach] = (count,)
            if row.unit == "share":
                levels[row.trait, approach].append((i, approach))
                recorded[row.trait, approach] = known
    sums: list[Sum] = []
    remainders: set[Key] = set()
    for line, parts in levels.items():
        if len(parts) < 2:  # a yes/no trait: its other side follows from it
            values[parts[0]] = (*values[parts[0]], recorded[line] - values[parts[0]][0])
            continue
        every = whole.get(
            line[1], recorded[line]
        )  # lesions without the trait recorded are an unseen part of their approach
        rest = every - sum(values[part][0] for part in parts)
        if rest > 0:
            remainder: Key = ("rest", line)
            values[remainder] = (rest,)
            remainders.add(remainder)
            parts = [*parts, remainder]
        sums.append(Sum(tuple(parts)))
    already = frozenset(values) if hide_all else frozenset()
    hidden = hidden_keys(values, sums, smallest=smallest, already=already, fixed=frozenset(remainders))
    return tuple(_trait(row, i, hidden, whole, smallest) for i, row in enumerate(rows))


def _counts(row: TraitRow, approach: Approach) -> tuple[int, int]:
    if approach == "retrograde":
        return row.count_retrograde, row.recorded_retrograde
    return row.count_antegrade, row.recorded_antegrade


def _trait(row: TraitRow, i: int, hidden: frozenset[Key], whole: dict[str, int], smallest: int) -> ShownTrait:
    below, above = (i, "retrograde") in hidden, (i, "antegrade") in hidden

    def count(approach: Approach, *, hide: bool) -> int | None:
        own, known = _counts(row, approach)
        n = whole.get(approach, known)
        # With the count and the share, the lesions without the trait recorded would follow.
        return None if hide or (is_small(n - known, smallest) and n < AMBIGUOUS_FROM) else own

    return ShownTrait(
        name=row.name,
        trait=row.trait,
        level=row.level,
        unit=row.unit,
        count_retrograde=count("retrograde", hide=below),
        count_antegrade=count("antegrade", hide=above),
        retrograde=None if below else row.retrograde,
        antegrade=None if above else row.antegrade,
        retrograde_sd=None if below else row.retrograde_sd,
        antegrade_sd=None if above else row.antegrade_sd,
        smd_before=None if below or above else row.smd_before,
        weighted_retrograde=None if below else row.weighted_retrograde,
        weighted_antegrade=None if above else row.weighted_antegrade,
        weighted_retrograde_sd=None if below else row.weighted_retrograde_sd,
        weighted_antegrade_sd=None if above else row.weighted_antegrade_sd,
        smd_after=row.smd_after,
        hidden=below or above,
    )


def _balance(found: tuple[TermBalance, ...], names: frozenset[str]) -> tuple[ShownBalance, ...]:
    distances = {b.term.name: b for b in found}
    shown = []
    for t in operators_as_one(tuple(b.term for b in found)):
        hide = tells_of(t.name, names)
        own = distances.get(t.name)  # none for the operators joined into one line
        shown.append(
            ShownBalance(
                label=t.label,
                kind=t.kind,
                smd_before=None if hide else t.smd_before,
                smd_after=t.smd_after,
                variance_ratio_before=None if hide else t.variance_ratio_before,
                variance_ratio_after=t.variance_ratio_after,
                ks_before=None if hide or own is None else own.ks_before,
                ks_after=None if own is None else own.ks_after,
                hidden=hide,
            )
        )
    return tuple(shown)


def _score(report: MethodsReport, smallest: int, *, hide: bool) -> ShownScore:
    s = report.score
    if s is None:
        raise ValueError("the report has no score")
    values: dict[Key, tuple[int, ...]] = {i: (g.n, g.retrograde, g.n - g.retrograde) for i, g in enumerate(s.groups)}
    hidden = hidden_keys(
        values, [Sum(tuple(values))], smallest=smallest, already=frozenset(values) if hide else frozenset()
    )
    return ShownScore(
        bars=score_bars(s.overlap, smallest),
        c_statistic=s.c_statistic,
        slope=s.slope,
        slope_lower=s.slope_lower,
        slope_upper=s.slope_upper,
        intercept=s.intercept,
        groups=tuple(_group(g, hide=i in hidden) for i, g in enumerate(s.groups)),
        learners=s.learners,
        cross_fitted=s.cross_fitted,
        remark=s.remark,
    )


def _group(g: CalibrationGroup, *, hide: bool) -> ShownGroup:
    if hide:
        return ShownGroup(g.lower, g.upper, None, g.mean_score, None, None, None)
    return ShownGroup(g.lower, g.upper, g.n, g.mean_score, g.share, g.share_lower, g.share_upper)


def _weights(w: WeightSummary, whole: dict[str, int], smallest: int, *, hide: bool) -> ShownWeights:
    bare = hide or is_small(w.n, smallest) or is_small(whole.get(w.approach, w.n) - w.n, smallest)
    few_cut = is_small(w.truncated, smallest) or is_small(w.n - w.truncated, smallest)
    return ShownWeights(
        method=w.method,
        approach=w.approach,
        n=None if bare else w.n,
        effective_n=None if bare else w.effective_n,
        effective_patients=None if bare else w.effective_patients,
        low=w.low,
        median=w.median,
        high=w.high,
        largest=w.largest,
        largest_share=w.largest_share,
        truncated=None if bare or few_cut else w.truncated,
    )
