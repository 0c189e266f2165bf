"""Small numbers hidden in what the methods report shows of gaps, hidden traits, operators and repeated looks."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

from models.sensitivity_results import (
    HiddenConfounding,
    Influence,
    LookSeries,
    MissingData,
    MissingTrait,
    Plausibility,
)
from reports.hidden_diagnostics import scrub
from reports.methods_shown import (
    ShownHidden,
    ShownInfluence,
    ShownLook,
    ShownLooks,
    ShownMissing,
    ShownMissingTrait,
    ShownOperator,
    ShownPattern,
    ShownPlausibility,
)
from reports.small_cells import Key, Sum, hidden_keys, is_small


def hide_missing(m: MissingData, smallest: int) -> ShownMissing:
    """Gaps by trait and approach, by pattern, and what was filled in."""
    return ShownMissing(
        traits=_missing_traits(m.traits, smallest),
        patterns=_patterns(m, smallest),
        method=m.method,
        datasets=m.datasets,
        iterations=m.iterations,
        pooled=m.pooled,
        traces=m.traces,
        plausibility=_plausibility(m.plausibility, smallest),
        tipping=m.tipping,
    )


def _missing_traits(traits: tuple[MissingTrait, ...], smallest: int) -> tuple[ShownMissingTrait, ...]:
    values: dict[Key, tuple[int, ...]] = {}
    for i, t in enumerate(traits):
        values[i, "retrograde"] = (t.missing_retrograde, t.n_retrograde - t.missing_retrograde)
        values[i, "antegrade"] = (t.missing_antegrade, t.n_antegrade - t.missing_antegrade)
    # Both approaches together are known from the patterns.
    sums = [Sum(((i, "retrograde"), (i, "antegrade"))) for i in range(len(traits))]
    hidden = hidden_keys(values, sums, smallest=smallest)

    def one(i: int, approach: str, missing: int, n: int) -> tuple[int | None, float | None]:
        return (None, None) if (i, approach) in hidden or not n else (missing, missing / n)

    made = []
    for i, t in enumerate(traits):
        below = one(i, "retrograde", t.missing_retrograde, t.n_retrograde)
        above = one(i, "antegrade", t.missing_antegrade, t.n_antegrade)
        made.append(ShownMissingTrait(t.label, below[0], above[0], below[1], above[1]))
    return tuple(made)


def _patterns(m: MissingData, smallest: int) -> tuple[ShownPattern, ...]:
    """Patterns from the commonest; those that must stay hidden as one line, from which none can be worked out."""
    values: dict[Key, tuple[int, ...]] = {p.traits: (p.count,) for p in m.patterns}
    named = dict.fromkeys(t for p in m.patterns for t in p.traits)
    sums = [Sum(tuple(values)), *(Sum(tuple(p.traits for p in m.patterns if t in p.traits)) for t in named)]
    hidden = hidden_keys(values, sums, smallest=smallest)
    kept = sorted((p for p in m.patterns if p.traits not in hidden), key=lambda p: (-p.count, p.traits))
    rest = [p.count for p in m.patterns if p.traits in hidden]
    shown = [ShownPattern(p.traits, p.count) for p in kept]
    if rest:
        together = sum(rest)
        shown.append(ShownPattern((), None if is_small(together, smallest) else together, len(rest)))
    return tuple(shown)


def _plausibility(rows: tuple[Plausibility, ...], smallest: int) -> tuple[ShownPlausibility, ...]:
    levels: dict[str, list[Key]] = defaultdict(list)
    for i, p in enumerate(rows):
        levels[p.trait].append(i)

    def behind(p: Plausibility) -> tuple[int, ...]:
        if p.unit != "share":
            return (p.recorded_n,)
        alone = len(levels[p.trait]) == 1  # its other side follows from it
        return (p.recorded_count, p.recorded_n - p.recorded_count) if alone else (p.recorded_count,)

    values: dict[Key, tuple[int, ...]] = {i: behind(p) for i, p in enumerate(rows)}
    hidden = hidden_keys(values, [Sum(tuple(k)) for k in levels.values() if len(k) > 1], smallest=smallest)

    def one(i: int, p: Plausibility) -> ShownPlausibility:
        few = is_small(p.imputed_n, smallest)
        bare = i in hidden
        return ShownPlausibility(
            p.trait,
            p.level,
            p.unit,
            None if bare else p.recorded,
            None if bare else p.recorded_sd,
            None if few else p.imputed,
            None if few else p.imputed_sd,
            None if few else p.imputed_n,
        )

    return tuple(one(i, p) for i, p in enumerate(rows))


def hide_pairs(h: HiddenConfounding, smallest: int) -> ShownHidden:
    """Of the matched pairs the counts, and the p-values that stand for them, where they are few."""
    r = h.rosenbaum
    if r is None:
        return ShownHidden(h, None, None)
    few = any(is_small(x, smallest) for x in (r.discordant, r.with_outcome, r.discordant - r.with_outcome))
    if few:  # the p-values are those of a coin tossed so many times
        return ShownHidden(replace(h, rosenbaum=replace(r, discordant=0, with_outcome=0, bounds=())), None, None)
    return ShownHidden(h, r.discordant, r.with_outcome)


def hide_operators(found: Influence, smallest: int) -> ShownInfluence:
    """The answers without each operator; none for an operator with very few lesions."""
    values: dict[Key, tuple[int, ...]] = {o.number: (o.lesions,) for o in found.operators}
    hidden = hidden_keys(values, [Sum(tuple(values))], smallest=smallest)
    return ShownInfluence(
        endpoint=found.endpoint,
        estimate=found.estimate,
        lower=found.lower,
        upper=found.upper,
        standard_error=found.standard_error,
        operators=tuple(
            ShownOperator(o.number, None, None, None, None, f"fewer than {smallest} lesions: not drawn")
            if is_small(o.lesions, smallest)
            else ShownOperator(
                o.number,
                None if o.number in hidden else o.lesions,
                o.estimate,
                o.lower,
                o.upper,
                None if o.withheld_because is None else scrub(o.withheld_because, frozenset({o.lesions}), smallest),
            )
            for o in found.operators
        ),
        patient_shift=found.patient_shift,
        few_patients=found.few_patients,
        few_shift=found.few_shift,
    )


def hide_quarters_between(series: LookSeries, smallest: int) -> ShownLooks:
    """Lesions so far are shown where they are not very few more than at a look shown before, or fewer than at the last."""
    lines: list[ShownLook] = []
    last = series.lines[-1].interval.n if series.lines else 0
    before = 0
    for line in series.lines:
        n = line.interval.n
        few = is_small(n - before, smallest) or is_small(last - n, smallest)
        lines.append(ShownLook(line, None if few else n))
        before = before if few else n
    return ShownLooks(series.endpoint, series.method, series.planned, series.error, tuple(lines))
