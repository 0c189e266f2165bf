"""Small numbers hidden: the first thing that happens to an Edition, before any sentence, table or chart.

Hidden numbers become None. A count is hidden when it, its complement (those without the event) or its difference from
another shown count of the same lesions is from 1 to `smallest` - 1, or when a total would give such a count away.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import combinations

from models.results import ArmRisk, Comparison, Edition, Effect
from reports.hidden_counts import (
    hide_flow,
    hide_mix,
    hide_prices,
    hide_quarters,
    hide_reasons,
    hide_sequences,
    hide_tables,
)
from reports.hidden_diagnostics import hide_diagnostics, scrub, tells_of
from reports.shown import ShownArm, ShownCell, ShownComparison, ShownDiagnostics, ShownEdition, ShownMissing
from reports.small_cells import Key, Sum, hidden_keys, is_small

ALL = "all"
# Profiles that other profiles add up to: each level of the first trait is the sum of these levels of the second.
NESTED = (
    ("below_knee=false", ("segment=superficial_femoral", "segment=popliteal")),
    (
        "below_knee=true",
        (
            "segment=tibioperoneal_trunk",
            "segment=anterior_tibial",
            "segment=posterior_tibial",
            "segment=peroneal",
            "segment=dorsalis_pedis",
            "segment=plantar",
        ),
    ),
)
EVEN = 1e-6  # lesions: an effective size this near the count means equal weights, and so plain figures


def hide_small(edition: Edition) -> ShownEdition:
    """The edition as a page may show it: same estimates, small counts hidden."""
    smallest = edition.smallest_count_shown
    cells = tuple(cell.comparison for cell in edition.length_calcium)
    shown = hide_comparisons(edition.comparisons + cells, smallest)
    comparisons, cell_comparisons = shown[: len(edition.comparisons)], shown[len(edition.comparisons) :]
    whole = {c.endpoint: c for c in comparisons if c.profile == ALL and c.counts_hidden}
    hidden_n = any(c.retrograde.n is None or c.antegrade.n is None for c in whole.values())
    flow, flow_is_bare = hide_flow(edition.flow, smallest)
    profiles = frozenset(c.profile for c in comparisons if c.retrograde.n is None or c.antegrade.n is None)
    terms = edition.diagnostics.balance if edition.diagnostics else ()
    mix = hide_mix(
        edition.case_mix,
        _whole_n(edition),
        _hidden_n(edition, comparisons),
        smallest,
        telling=frozenset(t.label for t in terms if tells_of(t.name, profiles)),
    )
    return ShownEdition(
        service=edition.service,
        invented=edition.invented,
        period_start=edition.period_start,
        period_end=edition.period_end,
        latest_quarter=edition.latest_quarter,
        primary_endpoint=edition.primary_endpoint,
        primary_method=edition.primary_method,
        primary_population=edition.primary_population,
        over_looks=edition.over_looks,
        verdict_held_because=edition.verdict_held_because,
        departures=edition.departures,
        endpoint_labels=edition.endpoint_labels,
        level=edition.level,
        smallest_count_shown=smallest,
        plan_hash=edition.plan_hash,
        data_hash=edition.data_hash,
        version=edition.version,
        table_counts=hide_tables(edition.table_counts, flow, flow_is_bare, smallest),
        reasons=hide_reasons(edition.reasons, smallest),
        flow=flow,
        missing=_hide_missing(edition, smallest),
        sequences=hide_sequences(edition.sequences, smallest, hide_all=bool(whole)),
        quarters=hide_quarters(edition.quarters, smallest, hide_approach=hidden_n, hide_outcome=bool(whole)),
        prices=hide_prices(edition.prices, _whole_n(edition), smallest, hide_n=hidden_n),
        case_mix=mix,
        comparisons=comparisons,
        profile_labels=edition.profile_labels,
        length_calcium=tuple(
            ShownCell(cell.length_band, cell.calcium, c)
            for cell, c in zip(edition.length_calcium, cell_comparisons, strict=True)
        ),
        diagnostics=_diagnostics(
            edition, profiles, frozenset(m.trait.label for m in mix if m.smd is None), edition.primary_endpoint in whole
        ),
        methods=edition.methods,
    )


def hide_comparisons(comparisons: tuple[Comparison, ...], smallest: int) -> tuple[ShownComparison, ...]:
    """The same comparisons in the same order with hidden numbers None; for pages and for results files alike.

    Give every comparison that is published together, crossed profiles included, so that totals are seen. Within a
    comparison whose counts are hidden, plain risks and effects and effective sizes are None too; adjusted ones stay.
    """
    numbers, outcomes = _hidden_items(comparisons, smallest)
    reference = _reference(comparisons)
    complete = _complete_is_telling(comparisons, reference, outcomes, smallest)
    return tuple(
        _show(c, reference[c.endpoint, c.profile], numbers, outcomes, smallest, all_counts=complete and _is_complete(c))
        for c in comparisons
    )


def _is_complete(c: Comparison) -> bool:
    return c.method == "complete_case"


def _complete_is_telling(
    comparisons: tuple[Comparison, ...],
    reference: dict[tuple[str, str], Comparison],
    outcomes: frozenset[Key],
    smallest: int,
) -> bool:
    """Whether the lesions with every trait recorded, or those without, hold a small count, or the whole hides one.

    Their counts by approach, outcome and endpoint are then all hidden: which lesions lack a trait is printed elsewhere, so
    that one of them alone would give another away.
    """
    told: dict[tuple[str, str], list[tuple[int, int, int, int]]] = {}
    for c in filter(_is_complete, comparisons):
        for own, ref in zip(_arms(c), _arms(reference[c.endpoint, c.profile]), strict=True):
            if (c.endpoint, c.profile, own.approach) in outcomes:
                return True
            left = (ref.n - own.n, ref.events - own.events)
            if any(is_small(x, smallest) for n, e in ((own.n, own.events), left) for x in (n, e, n - e)):
                return True
            told.setdefault((c.profile, own.approach), []).append((own.n, own.events, *left))
    # Two endpoints on the same lesions differ by a count of lesions, among the complete and among the others.
    return any(
        is_small(a[i + 1] - b[i + 1], smallest)
        for rows in told.values()
        for a, b in combinations(rows, 2)
        for i in (0, 2)
        if a[i] == b[i]
    )


def _reference(comparisons: Iterable[Comparison]) -> dict[tuple[str, str], Comparison]:
    """The comparison that gives each endpoint and profile its counts: the crude one where there is one."""
    found: dict[tuple[str, str], Comparison] = {}
    for c in comparisons:
        key = (c.endpoint, c.profile)
        if key not in found or (c.method == "crude" and found[key].method != "crude"):
            found[key] = c
    return found


def _arms(c: Comparison) -> tuple[ArmRisk, ArmRisk]:
    return c.retrograde, c.antegrade


def _hidden_items(comparisons: tuple[Comparison, ...], smallest: int) -> tuple[frozenset[Key], frozenset[Key]]:
    """Keys (endpoint, profile, approach) whose `n` is hidden, and those whose events and non-events are."""
    numbers: dict[Key, tuple[int, ...]] = {}
    outcomes: dict[Key, tuple[int, ...]] = {}
    reference = _reference(comparisons)
    endpoints = tuple(dict.fromkeys(c.endpoint for c in comparisons))
    for (endpoint, profile), c in reference.items():
        for arm in _arms(c):
            key = (endpoint, profile, arm.approach)
            numbers[key] = (arm.n,)
            earlier = endpoints[: endpoints.index(endpoint)]
            others = [_events(reference.get((e, profile)), arm.approach, arm.n) for e in earlier]
            # Two endpoints on the same lesions differ by a count of lesions, which must not be small either.
            steps = tuple(0 if o is None else arm.events - o for o in others)
            steps += (0,) * (len(endpoints) - len(steps))
            outcomes[key] = (arm.events, arm.n - arm.events, *steps)
    sums = _sums(reference)
    hidden_numbers = _close(numbers, sums, smallest, frozenset())
    return hidden_numbers, _close(outcomes, sums, smallest, hidden_numbers)


def _events(c: Comparison | None, approach: str, n: int) -> int | None:
    if c is None:
        return None
    arm = c.retrograde if approach == "retrograde" else c.antegrade
    return arm.events if arm.n == n else None


def _sums(reference: dict[tuple[str, str], Comparison]) -> list[Sum]:
    """Every total that the profiles add up to: levels of a feature to all, crossed levels to each of their levels."""
    families: dict[tuple[str, str, frozenset[str]], list[str]] = {}
    for endpoint, profile in reference:
        pairs = () if profile == ALL else tuple(profile.split(";"))
        features = frozenset(p.partition("=")[0] for p in pairs)
        for size in range(len(pairs)):
            for kept in combinations(pairs, size):
                families.setdefault((endpoint, ";".join(kept) or ALL, features), []).append(profile)
    sums: list[Sum] = []
    for (endpoint, coarse, _), profiles in families.items():
        total = _same_profile(endpoint, coarse, reference)
        for approach in ("retrograde", "antegrade"):
            parts = tuple((endpoint, p, approach) for p in profiles)
            sums.append(Sum(parts, None if total is None else (endpoint, total, approach)))
    for endpoint in dict.fromkeys(e for e, _ in reference):
        for coarse, fine in NESTED:
            levels = [p for p in fine if (endpoint, p) in reference]
            if levels and (endpoint, coarse) in reference:
                for approach in ("retrograde", "antegrade"):
                    keys = tuple((endpoint, p, approach) for p in levels)
                    sums.append(Sum(keys, (endpoint, coarse, approach)))
    for endpoint, profile in reference:
        if profile == ALL:  # both approaches together are known from the quarters
            sums.append(Sum(((endpoint, ALL, "retrograde"), (endpoint, ALL, "antegrade"))))
    return sums


def _same_profile(endpoint: str, profile: str, reference: dict[tuple[str, str], Comparison]) -> str | None:
    """The published profile with these pairs, whatever their order."""
    wanted = frozenset(profile.split(";"))
    return next((p for e, p in reference if e == endpoint and frozenset(p.split(";")) == wanted), None)


def _close(
    values: dict[Key, tuple[int, ...]], sums: list[Sum], smallest: int, already: frozenset[Key]
) -> frozenset[Key]:
    """Hidden keys, with the lesions that no level holds (not recorded) counted as an unseen part of their total."""
    values = dict(values)
    lines: list[Sum] = []
    remainders: set[Key] = set()
    for line in sums:
        if line.total is None:
            lines.append(line)
            continue
        rest = tuple(
            t - sum(kind) for t, *kind in zip(values[line.total], *(values[p] for p in line.parts), strict=True)
        )
        if sum(rest[:2]) < 0:
            continue  # levels that share lesions are no partition: nothing follows by subtraction
        if any(rest):
            remainder: Key = ("rest", line.total, line.parts)
            values[remainder] = rest
            remainders.add(remainder)
            line = Sum((*line.parts, remainder), line.total)
        lines.append(line)
    hidden = hidden_keys(values, lines, smallest=smallest, already=already, fixed=frozenset(remainders))
    return hidden - remainders


def _show(
    c: Comparison,
    reference: Comparison,
    numbers: frozenset[Key],
    outcomes: frozenset[Key],
    smallest: int,
    *,
    all_counts: bool,
) -> ShownComparison:
    hides = [
        (
            all_counts or (c.endpoint, c.profile, own.approach) in numbers or is_small(own.n - ref.n, smallest),
            all_counts
            or (c.endpoint, c.profile, own.approach) in outcomes
            or any(
                is_small(x, smallest) for x in (own.events, own.n - own.events, own.n - ref.n, own.events - ref.events)
            ),
        )
        for own, ref in zip(_arms(c), _arms(reference), strict=True)
    ]
    plain = _is_plain(c)
    hidden = any(n or events for n, events in hides)
    arms = [
        _show_arm(arm, hide_n=n, hide_events=n or events, hide_risk=plain and (n or events))
        for arm, (n, events) in zip(_arms(c), hides, strict=True)
    ]
    concealed = frozenset(
        x
        for arm, (n, events) in zip(_arms(c), hides, strict=True)
        for x in ((arm.n,) if n else ()) + ((arm.events, arm.n - arm.events) if n or events else ())
    )
    if hides[0][0] or hides[1][0]:
        concealed |= {c.n}
    effects = tuple(Effect(e.measure, None, None, None, None) for e in c.effects) if plain and hidden else c.effects
    return ShownComparison(
        endpoint=c.endpoint,
        population=c.population,
        method=c.method,
        profile=c.profile,
        level=c.level,
        retrograde=arms[0],
        antegrade=arms[1],
        effects=effects,
        withheld_because=None if c.withheld_because is None else scrub(c.withheld_because, concealed, smallest),
        note=scrub(c.note, concealed, smallest),
        counts_hidden=hidden,
    )


def _is_plain(c: Comparison) -> bool:
    """Whether an arm's risk is its plain proportion, from which counts could be worked out.

    So it is in the population `treated`, where every lesion started from below has the weight 1, and wherever the weights of
    an arm turn out equal.
    """
    even = any(a.effective_n is not None and abs(a.effective_n - a.n) < EVEN for a in _arms(c))
    return c.method == "crude" or c.population == "treated" or even


def _show_arm(arm: ArmRisk, *, hide_n: bool, hide_events: bool, hide_risk: bool) -> ShownArm:
    return ShownArm(
        approach=arm.approach,
        risk=None if hide_risk else arm.risk,
        lower=None if hide_risk else arm.lower,
        upper=None if hide_risk else arm.upper,
        n=None if hide_n else arm.n,
        events=None if hide_events else arm.events,
        effective_n=None if hide_events else arm.effective_n,
    )


def _whole_n(edition: Edition) -> dict[str, int]:
    """Lesions compared by approach, all profiles together; empty when the edition has no such comparison."""
    for c in edition.comparisons:
        if c.profile == ALL and c.endpoint == edition.primary_endpoint:
            return {"retrograde": c.retrograde.n, "antegrade": c.antegrade.n}
    return {}


def _hidden_n(edition: Edition, shown: tuple[ShownComparison, ...]) -> dict[str, frozenset[int]]:
    """The true counts of lesions that are hidden in the one-way profiles, by approach."""
    found: dict[str, set[int]] = {"retrograde": set(), "antegrade": set()}
    for original, s in zip(edition.comparisons, shown, strict=True):
        if s.retrograde.n is None:
            found["retrograde"].add(original.retrograde.n)
        if s.antegrade.n is None:
            found["antegrade"].add(original.antegrade.n)
    return {approach: frozenset(counts) for approach, counts in found.items()}


def _hide_missing(edition: Edition, smallest: int) -> tuple[ShownMissing, ...]:
    """Shares not recorded; hidden when, of any count in the case flow, the share or its complement is a small count."""
    totals = {step.count for step in edition.flow}
    return tuple(
        ShownMissing(
            m.label,
            None
            if any(is_small(round(share * n), smallest) for n in totals for share in (m.share, 1 - m.share))
            else m.share,
        )
        for m in edition.missing
    )


def _diagnostics(
    edition: Edition, profiles: frozenset[str], labels: frozenset[str], hide: bool
) -> ShownDiagnostics | None:
    if edition.diagnostics is None:
        return None
    concealed = frozenset(
        x
        for c in edition.comparisons
        if c.profile == ALL and hide
        for arm in _arms(c)
        for x in (arm.n, arm.events, arm.n - arm.events)
    )
    return hide_diagnostics(
        edition.diagnostics, concealed, edition.smallest_count_shown, hide=hide, profiles=profiles, labels=labels
    )
