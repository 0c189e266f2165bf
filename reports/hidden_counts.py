"""Small numbers hidden in the counts of an Edition: case flow, tables, sequences, quarters, prices, case mix."""

from __future__ import annotations

from models.results import (
    CaseMix,
    FlowStep,
    Price,
    QuarterCount,
    ReasonCount,
    SequenceCount,
    TableCount,
)
from reports.shown import (
    ShownMix,
    ShownPrice,
    ShownQuarter,
    ShownReason,
    ShownSequence,
    ShownStep,
    ShownTableCount,
)
from reports.small_cells import Key, Sum, hidden_keys, is_small

AMBIGUOUS_FROM = 500  # lesions: from here on a whole percentage stands for five counts or more
FEWEST_RECORDED = 0.75  # of the lesions compared; a trait recorded less often is not a likely line of the case mix


def hide_flow(flow: tuple[FlowStep, ...], smallest: int) -> tuple[tuple[ShownStep, ...], bool]:
    """The case flow with every step at which very few leave joined to a neighbor.

    Also returns whether the flow is bare: so few leave altogether that only the last step's count is shown.
    """
    groups: list[list[FlowStep]] = []
    open_group: list[FlowStep] = []
    for step in flow:
        open_group.append(step)
        if not is_small(_left(open_group), smallest):
            groups.append(open_group)
            open_group = []
    while open_group and is_small(_left(open_group), smallest) and groups:
        open_group = groups.pop() + open_group
    if open_group and is_small(_left(open_group), smallest):
        steps = [ShownStep(s.label, None, None, s.reason) for s in flow[:-1]]
        last = flow[-1]
        return (*steps, ShownStep(last.label, last.count, None, last.reason)), True
    if open_group:
        groups.append(open_group)
    return tuple(_join(group) for group in groups), False


def _left(group: list[FlowStep]) -> int:
    return sum(step.left_out for step in group)


def _join(group: list[FlowStep]) -> ShownStep:
    reasons = dict.fromkeys(step.reason for step in group if step.reason)
    return ShownStep(group[-1].label, group[-1].count, _left(group), "; or ".join(reasons))


def hide_tables(
    tables: tuple[TableCount, ...], flow: tuple[ShownStep, ...], flow_is_bare: bool, smallest: int
) -> tuple[ShownTableCount, ...]:
    """Rows read, used and set aside; of three that add up, two are hidden when one is small."""
    flow_counts = {step.count for step in flow}

    def show(t: TableCount) -> ShownTableCount:
        if not any(is_small(x, smallest) for x in (t.read, t.used, t.set_aside)):
            return ShownTableCount(t.table, t.read, t.used, t.set_aside)
        # The case flow starts from the lesions table: what it prints must not complete the subtraction here.
        elsewhere = t.table == "lesions" and (flow_is_bare or t.used in flow_counts)
        return ShownTableCount(t.table, None if elsewhere or is_small(t.read, smallest) else t.read, None, None)

    return tuple(show(t) for t in tables)


def hide_reasons(reasons: tuple[ReasonCount, ...], smallest: int) -> tuple[ShownReason, ...]:
    """Rows set aside, values blanked and rows warned of by reason; the rows set aside of one table add up to a total that the page prints."""
    values: dict[Key, tuple[int, ...]] = {i: (r.count,) for i, r in enumerate(reasons)}
    by_table: dict[str, list[int]] = {}
    for i, r in enumerate(reasons):
        if r.what == "row":
            by_table.setdefault(r.table, []).append(i)
    hidden = hidden_keys(values, [Sum(tuple(parts)) for parts in by_table.values()], smallest=smallest)
    return tuple(
        ShownReason(r.table, r.what, r.reason, None if i in hidden else r.count) for i, r in enumerate(reasons)
    )


def hide_sequences(sequences: tuple[SequenceCount, ...], smallest: int, *, hide_all: bool) -> tuple[ShownSequence, ...]:
    """What happened on the table; the totals by approach, by first result and by end are known from the comparison."""
    values: dict[Key, tuple[int, ...]] = {i: (s.count,) for i, s in enumerate(sequences)}
    sums: list[Sum] = []
    for approach in ("retrograde", "antegrade"):
        own = [i for i, s in enumerate(sequences) if s.first_approach == approach]
        failed = [i for i in own if not sequences[i].first_crossed]
        ended = [[i for i in failed if sequences[i].session_crossed is end] for end in (True, False)]
        sums += [Sum(tuple(parts)) for parts in (*ended, failed, own) if parts]
    already = frozenset(values) if hide_all else frozenset()
    hidden = hidden_keys(values, sums, smallest=smallest, already=already)
    return tuple(
        ShownSequence(
            s.first_approach, s.first_crossed, s.then, s.session_crossed, None if i in hidden and s.count else s.count
        )
        for i, s in enumerate(sequences)
    )


def hide_quarters(
    quarters: tuple[QuarterCount, ...], smallest: int, *, hide_approach: bool, hide_outcome: bool
) -> tuple[ShownQuarter, ...]:
    """Volumes by quarter; the whole period's totals are known from the comparison."""
    keys = tuple(range(len(quarters)))
    line = [Sum(keys)]
    total = hidden_keys({i: (q.lesions,) for i, q in enumerate(quarters)}, line, smallest=smallest)
    approach = hidden_keys(
        {i: (q.retrograde_first, q.lesions - q.retrograde_first) for i, q in enumerate(quarters)},
        line,
        smallest=smallest,
        already=frozenset(keys) if hide_approach else total,
    )
    outcome = hidden_keys(
        {
            i: (
                q.first_approach_crossed,
                q.lesions - q.first_approach_crossed,
                q.crossed_in_session,
                q.lesions - q.crossed_in_session,
                q.crossed_in_session - q.first_approach_crossed,
            )
            for i, q in enumerate(quarters)
        },
        line,
        smallest=smallest,
        already=frozenset(keys) if hide_outcome else total,
    )
    return tuple(
        ShownQuarter(
            q.quarter,
            None if i in total else q.lesions,
            None if i in approach else q.retrograde_first,
            None if i in outcome else q.first_approach_crossed,
            None if i in outcome else q.crossed_in_session,
        )
        for i, q in enumerate(quarters)
    )


def hide_prices(
    prices: tuple[Price, ...], whole_n: dict[str, int], smallest: int, *, hide_n: bool
) -> tuple[ShownPrice, ...]:
    """Prices by first approach; a median of very few lesions is as telling as a count of them."""

    def show(p: Price) -> ShownPrice:
        if is_small(p.n, smallest) or p.n == 0:
            return ShownPrice(p.name, p.label, p.unit, p.approach, 0 if p.n == 0 else None, None, None, None)
        unrecorded = whole_n.get(p.approach, p.n) - p.n
        n = None if hide_n or is_small(unrecorded, smallest) else p.n
        return ShownPrice(p.name, p.label, p.unit, p.approach, n, p.median, p.lower_quartile, p.upper_quartile)

    return tuple(show(p) for p in prices)


def hide_mix(
    case_mix: tuple[CaseMix, ...],
    whole_n: dict[str, int],
    hidden_n: dict[str, frozenset[int]],
    smallest: int,
    *,
    telling: frozenset[str] = frozenset(),
) -> tuple[ShownMix, ...]:
    """Lesion traits by first approach; a share is hidden when it stands for a small or an otherwise hidden count.

    With a share, or for a label that is `telling` (of a profile with a hidden count), the difference in SD is hidden too: to
    two decimals it would give the share back.
    """

    def show(value: float, unit: str, approach: str) -> float | None:
        n = whole_n.get(approach)
        if unit != "share" or n is None:
            return value
        small = any(_may_stand_for(share, n, c) for c in range(1, smallest) for share in (value, 1 - value))
        exact = n < AMBIGUOUS_FROM and any(_may_stand_for(value, n, c) for c in hidden_n[approach])
        return None if small or exact else value

    def line(m: CaseMix) -> ShownMix:
        below, above = show(m.retrograde, m.unit, "retrograde"), show(m.antegrade, m.unit, "antegrade")
        return ShownMix(m, below, above, None if below is None or above is None or m.label in telling else m.smd)

    return tuple(map(line, case_mix))


def _may_stand_for(share: float, n: int, hidden: int) -> bool:
    """Whether a share of those recorded, at least `FEWEST_RECORDED` of `n`, could be this count."""
    return share * n * FEWEST_RECORDED - 0.5 < hidden < share * n + 0.5
