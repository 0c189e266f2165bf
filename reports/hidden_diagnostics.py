"""Small numbers, and single operators, hidden in the diagnostics and in the sentences that come with them."""

from __future__ import annotations

import re
from dataclasses import replace

from models.results import Approach, BalanceTerm, Diagnostics, Gate, ScoreOverlap
from reports.shown import ScoreBar, ShownDiagnostics, ShownGate, ShownTerm
from reports.small_cells import is_small

LIMIT = re.compile(
    r"(fewer|less|more) than $|at (least|most) $|(below|above|under|over|needs|needed:?) $", re.IGNORECASE
)
UNRECORDED = " not recorded"  # how the name of a term for a trait without a value ends
SHARE_CHECKS = frozenset({"score_model", "key_traits", "extreme_weights"})  # checks whose value is a share (0-1)
RATIO_CHECKS = frozenset(
    {"variance_ratio", "instrument_strength"}
)  # whose limit is 1 or more though nothing is counted
OPERATOR = "operator_id="  # how the name of a term for one operator starts, alone or within a combination


def hide_diagnostics(
    d: Diagnostics,
    concealed: frozenset[int],
    smallest: int,
    *,
    hide: bool,
    profiles: frozenset[str] = frozenset(),
    labels: frozenset[str] = frozenset(),
) -> ShownDiagnostics:
    """The diagnostics as a page may show them; `hide` when the counts of all lesions by approach are hidden themselves.

    Of a term within one of the `profiles`, which have a hidden number of lesions, or with one of the `labels`, the difference
    before weighting is hidden: with the number of one group known, two decimals are enough to work out the other.
    """
    return ShownDiagnostics(
        balance=tuple(_term(t, tells_of(t.name, profiles) or t.label in labels) for t in operators_as_one(d.balance)),
        score_bars=score_bars(d.overlap, smallest),
        effective_n_retrograde=None if hide else d.effective_n_retrograde,
        effective_n_antegrade=None if hide else d.effective_n_antegrade,
        c_statistic=d.c_statistic,
        gates=tuple(
            ShownGate(
                replace(g, sentence=scrub(g.sentence, concealed, smallest)),
                None if hides_value(g, hide, smallest) else g.value,
            )
            for g in d.gates
        ),
    )


def _term(t: BalanceTerm, hide: bool) -> ShownTerm:
    before, ratio = (None, None) if hide else (t.smd_before, t.variance_ratio_before)
    return ShownTerm(t.label, t.kind, before, t.smd_after, ratio, t.variance_ratio_after, hide)


def tells_of(term: str, profiles: frozenset[str]) -> bool:
    """Whether a balance term, or a part of a combination, is a level of one of the profiles.

    A flag has one term, for "yes", a trait entered as a number has one for all its levels, and the lesions without a recorded
    level are what the levels leave: each of these tells of every level.
    """
    features = frozenset(p.partition("=")[0] for p in profiles)
    for part in _parts(term):
        trait, _, level = part.removesuffix(UNRECORDED).partition("=")
        if part in profiles or (trait.partition("^")[0] in features and level in ("", "yes", "no")):
            return True
    return False


def _parts(term: str) -> list[str]:
    return re.split(r"[*:;&]| x ", term)


def operators_as_one(balance: tuple[BalanceTerm, ...]) -> tuple[BalanceTerm, ...]:
    """The terms of single operators joined to their largest, one for each kind: a balance plot is not a league table."""
    single = [t for t in balance if any(part.startswith(OPERATOR) for part in _parts(t.name))]
    joined: list[BalanceTerm] = []
    for kind in dict.fromkeys(t.kind for t in single):
        own = [t for t in single if t.kind == kind]
        before = max((t.smd_before for t in own), key=abs)
        after = max((t.smd_after for t in own), key=abs)
        label = f"operator, largest of {len(own)}" + ("" if kind in ("fitted", "left_out") else f" ({kind}s)")
        joined.append(BalanceTerm("operator", label, kind, 0.0, 0.0, abs(before), abs(after), None, None))
    return (*(t for t in balance if t not in single), *joined)


def scrub(sentence: str, concealed: frozenset[int], smallest: int) -> str:
    """The sentence with any of these whole numbers replaced: "fewer than 5" for a small one, "some" for another.

    A number that the sentence names as a limit is no count and stays, whatever the counts are.
    """

    def put(match: re.Match[str]) -> str:
        number = int(match[0].replace(",", ""))
        if number == 0 or number not in concealed or LIMIT.search(match.string[: match.start()]):
            return match[0]
        return f"fewer than {smallest}" if number < smallest else "some"

    return re.sub(r"(?<![\d.,])\d+(?:,\d{3})*(?![\d%]|[.,]\d| %)", put, sentence)


def score_bars(overlap: ScoreOverlap, smallest: int) -> tuple[ScoreBar, ...]:
    """The score histogram of each approach with bins joined until none holds a small count. Empty for very few lesions."""
    return (
        *_joined("retrograde", overlap.edges, overlap.retrograde, smallest),
        *_joined("antegrade", overlap.edges, overlap.antegrade, smallest),
    )


def _joined(
    approach: Approach, edges: tuple[float, ...], counts: tuple[int, ...], smallest: int
) -> tuple[ScoreBar, ...]:
    if sum(counts) < smallest:
        return ()
    bars: list[ScoreBar] = []
    start, waiting = 0, 0
    for i, count in enumerate(counts):
        waiting += count
        if not is_small(waiting, smallest):
            bars.append(ScoreBar(approach, edges[start], edges[i + 1], waiting))
            start, waiting = i + 1, 0
    while waiting:  # the last few: widen the bar before them until it holds enough
        before = bars.pop()
        start, waiting = edges.index(before.lower), waiting + before.count
        if not is_small(waiting, smallest):
            bars.append(ScoreBar(approach, edges[start], edges[-1], waiting))
            waiting = 0
    return tuple(bars)


def hides_value(gate: Gate, hide: bool, smallest: int) -> bool:
    """Whether a check's value is a number of lesions that must stay hidden. Limits of 1 and more are on lesions, but for a share's or a ratio's."""
    counted = gate.threshold >= 1 and gate.name not in SHARE_CHECKS | RATIO_CHECKS
    return counted and (hide or 0 < gate.value < smallest)
