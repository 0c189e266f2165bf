"""Shares that change from one quarter to the next: a code that takes over, one that vanishes, a quarter unlike its neighbors.

Arrays are (sites, quarters, codes); quarters in order, those without any row among them allowed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfc

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
ShiftKind = Literal["level", "gone", "new", "quarter"]

WINDOW = 4  # quarters looked at on each side, so that a slow drift is not taken for a sudden change; ours, no source
FEWEST = 20  # rows on each side; ours, no source
SMALLEST_CHANGE = 0.25  # of a share; ours, no source
FEWEST_EXPECTED = 15.0  # of a code before its vanishing says anything; ours, no source
SMALLEST_QUARTER_CHANGE = 0.25


@dataclass(frozen=True, slots=True)
class Shift:
    """One change. `quarter` is the first of the new state (or the odd one); shares are fractions; `p_value` is of one look."""

    kind: ShiftKind
    site: int
    quarter: int
    code: int
    before: float
    after: float
    n: int
    p_value: float


@dataclass(frozen=True, slots=True)
class Shifts:
    """The changes that are large enough to matter, and how many were looked for."""

    found: tuple[Shift, ...]
    looks: int


def shifts(events: Ints, totals: Ints) -> Shifts:
    """All changes of the share of `events` (s, q, k) in `totals` (s, q), for each site and code the most striking of a kind.

    Shares are compared by the likelihood-ratio (G) test of a 2 x 2 table with one degree of freedom (Sokal & Rohlf 1995, from
    memory); a code that vanishes by the chance of not meeting it once. P-values are not corrected here: multiply by `looks`.
    """
    if totals.shape[1] < 2:
        return Shifts((), 0)
    found: list[Shift] = []
    looks = 0
    for look in (_level, _gone, _new, _odd_quarter):
        more, number = look(events, totals)
        found += more
        looks += number
    return Shifts(tuple(found), looks)


def never_varies(events: Ints, totals: Ints) -> tuple[list[Shift], int]:
    """Sites where every row has one and the same code though elsewhere at least one row in five has another.

    `quarter` is -1. `before` is the share of the code at the other sites. The p-value is the chance of no other code in the
    site's rows.
    """
    mine, all_mine = events.sum(axis=1), totals.sum(axis=1)[:, None]
    others, all_others = mine.sum(axis=0) - mine, all_mine.sum() - all_mine
    elsewhere = _share(others, all_others)
    looked = (all_mine >= 2 * FEWEST) & (all_others >= 2 * FEWEST)
    with np.errstate(divide="ignore"):
        chance = np.exp(all_mine * np.log(elsewhere))
    hit = looked & (mine == all_mine) & (elsewhere <= 0.8)
    found = [
        Shift("level", int(s), -1, int(k), float(elsewhere[s, k]), 1.0, int(all_mine[s, 0]), float(chance[s, k]))
        for s, k in zip(*np.nonzero(hit), strict=True)
    ]
    return found, int(looked.sum()) * events.shape[2]


def _level(events: Ints, totals: Ints) -> tuple[list[Shift], int]:
    best = _Best(events)
    for b in range(1, totals.shape[1]):
        early, late = slice(max(b - WINDOW, 0), b), slice(b, b + WINDOW)
        before, n_before = events[:, early].sum(axis=1), totals[:, early].sum(axis=1)[:, None]
        after, n_after = events[:, late].sum(axis=1), totals[:, late].sum(axis=1)[:, None]
        looked = (n_before >= FEWEST) & (n_after >= FEWEST)
        change = np.abs(_share(after, n_after) - _share(before, n_before))
        best.offer(b, before, n_before, after, n_after, looked, change >= SMALLEST_CHANGE)
    return best.found("level"), best.looks


def _gone(events: Ints, totals: Ints) -> tuple[list[Shift], int]:
    return _without(events, totals, "gone", lambda b: (slice(0, b), slice(b, None)))


def _new(events: Ints, totals: Ints) -> tuple[list[Shift], int]:
    return _without(events, totals, "new", lambda b: (slice(b, None), slice(0, b)))


def _without(
    events: Ints, totals: Ints, kind: ShiftKind, parts: Callable[[int], tuple[slice, slice]]
) -> tuple[list[Shift], int]:
    """Boundaries on one side of which a code is never met, though its share on the other side makes it expected."""
    best: dict[tuple[int, int], Shift] = {}
    looks = 0
    for b in range(1, totals.shape[1]):
        met, never = parts(b)
        seen, n_seen = events[:, met].sum(axis=1), totals[:, met].sum(axis=1)[:, None]
        none, n_none = events[:, never].sum(axis=1), totals[:, never].sum(axis=1)[:, None]
        # The share where the code is met is read nearest to the boundary: a code dropped slowly is not gone at once.
        near = slice(max(b - WINDOW, 0), b) if kind == "gone" else slice(b, b + WINDOW)
        share = np.minimum(
            _share(seen, n_seen), _share(events[:, near].sum(axis=1), totals[:, near].sum(axis=1)[:, None])
        )
        looked = (n_seen >= FEWEST) & (n_none >= FEWEST)
        looks += int(looked.sum()) * events.shape[2]
        hit = looked & (none == 0) & (share * n_none >= FEWEST_EXPECTED)
        with np.errstate(divide="ignore"):
            chance = np.exp(n_none * np.log1p(-share))
        for s, k in zip(*np.nonzero(hit), strict=True):
            was, now = (share[s, k], 0.0) if kind == "gone" else (0.0, share[s, k])
            shift = Shift(kind, int(s), b, int(k), float(was), float(now), int(n_none[s, 0]), float(chance[s, k]))
            if (int(s), int(k)) not in best or chance[s, k] < best[int(s), int(k)].p_value:
                best[int(s), int(k)] = shift
    return list(best.values()), looks


def _odd_quarter(events: Ints, totals: Ints) -> tuple[list[Shift], int]:
    best = _Best(events)
    for q in range(totals.shape[1]):
        around = [i for i in range(max(q - WINDOW, 0), min(q + WINDOW + 1, totals.shape[1])) if i != q]
        before, n_before = events[:, around].sum(axis=1), totals[:, around].sum(axis=1)[:, None]
        after, n_after = events[:, q], totals[:, q][:, None]
        looked = (n_before >= FEWEST) & (n_after >= FEWEST)
        was, now = _share(before, n_before), _share(after, n_after)
        alone = (now == 0.0) | (now == 1.0)  # all of one kind is odd however common that kind is elsewhere
        matters = (np.abs(now - was) >= SMALLEST_QUARTER_CHANGE) | (alone & (np.abs(now - was) >= 0.05))
        best.offer(q, before, n_before, after, n_after, looked, matters)
    return best.found("quarter"), best.looks


class _Best:
    """For each site and code the boundary with the largest G."""

    def __init__(self, events: Ints) -> None:
        sites, _, codes = events.shape
        self.g = np.zeros((sites, codes))
        self.quarter = np.zeros((sites, codes), dtype=np.int64)
        self.before, self.after = np.zeros((sites, codes)), np.zeros((sites, codes))
        self.n = np.zeros((sites, codes), dtype=np.int64)
        self.looks = 0

    def offer(
        self, quarter: int, before: Ints, n_before: Ints, after: Ints, n_after: Ints, looked: Flags, matters: Flags
    ) -> None:
        self.looks += int(looked.sum()) * before.shape[1]
        g = np.where(looked & matters, _g(before, n_before, after, n_after), 0.0)
        better = g > self.g
        self.g = np.where(better, g, self.g)
        self.quarter = np.where(better, quarter, self.quarter)
        self.before = np.where(better, _share(before, n_before), self.before)
        self.after = np.where(better, _share(after, n_after), self.after)
        self.n = np.where(better, n_after, self.n)

    def found(self, kind: ShiftKind) -> list[Shift]:
        p = erfc(np.sqrt(self.g / 2))  # upper tail of chi-square with one degree of freedom
        return [
            Shift(
                kind,
                int(s),
                int(self.quarter[s, k]),
                int(k),
                float(self.before[s, k]),
                float(self.after[s, k]),
                int(self.n[s, k]),
                float(p[s, k]),
            )
            for s, k in zip(*np.nonzero(self.g), strict=True)
        ]


def _share(part: Ints, whole: Ints) -> Floats:
    return np.asarray(part / np.maximum(whole, 1), dtype=np.float64)


def _g(a: Ints, n_a: Ints, b: Ints, n_b: Ints) -> Floats:
    """The likelihood-ratio statistic of two shares a/n_a and b/n_b."""
    pooled = (a + b) / np.maximum(n_a + n_b, 1)
    total = np.zeros(a.shape)
    for part, n in ((a, n_a), (b, n_b)):
        for seen, expected in ((part, n * pooled), (n - part, n * (1 - pooled))):
            with np.errstate(divide="ignore", invalid="ignore"):
                total += np.where(seen > 0, seen * np.log(seen / np.where(expected > 0, expected, 1.0)), 0.0)
    return np.asarray(np.maximum(2 * total, 0.0), dtype=np.float64)
