"""Shares that change from one quarter to the next: a code that takes over, one that vanishes, a quarter unlike its neighbors.

Arrays are (sites, quarters, codes); quarters in order, those without any row among them allowed.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, lgamma
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
MOST_ELSEWHERE = 0.8  # share of a code at the other sites above which having no other is nothing odd; ours, no source
SMALLEST_CHANGE_TO_ALL = 0.05  # where one quarter has nothing else; ours, no source


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
    memory); a code that vanishes by Fisher's exact chance that all of its rows lie on one side. P-values are not corrected here: multiply by `looks`.
    """
    if totals.shape[1] < 2:
        return Shifts((), 0)
    found: list[Shift] = []
    looks = 0
    counts = _Counts(events, totals)
    for look in (_level, _gone, _new, _odd_quarter):
        more, number = look(counts)
        found += more
        looks += number
    return Shifts(tuple(found), looks)


def never_varies(events: Ints, totals: Ints) -> tuple[list[Shift], int]:
    """Sites where every row has one and the same code though elsewhere at least one row in five has another.

    `quarter` is -1. `before` is the share of the code at the other sites. The p-value is Fisher's
    exact chance that none of the rows with another code is the site's.
    """
    mine, all_mine = events.sum(axis=1), totals.sum(axis=1)[:, None]
    others, all_others = mine.sum(axis=0) - mine, all_mine.sum() - all_mine
    elsewhere = _share(others, all_others)
    looked = (all_mine >= 2 * FEWEST) & (all_others >= 2 * FEWEST)
    found = []
    for s, k in zip(*np.nonzero(looked & (mine == all_mine) & (elsewhere <= MOST_ELSEWHERE)), strict=True):
        rows, share = int(all_mine[s, 0]), float(elsewhere[s, k])
        elsewhere_rows = int(all_others[s, 0])
        chance = _all_on_one_side(elsewhere_rows - int(others[s, k]), elsewhere_rows, rows)
        found.append(Shift("level", int(s), -1, int(k), share, 1.0, rows, chance))
    return found, int(looked.sum()) * events.shape[2]


class _Counts:
    """Events (s, k) and totals (s, 1) of any stretch of quarters, from running sums."""

    def __init__(self, events: Ints, totals: Ints) -> None:
        self.sites, self.quarters, self.codes = events.shape
        self._events = np.zeros((self.sites, self.quarters + 1, self.codes), dtype=np.int64)
        self._totals = np.zeros((self.sites, self.quarters + 1, 1), dtype=np.int64)
        np.cumsum(events, axis=1, out=self._events[:, 1:])
        np.cumsum(totals[:, :, None], axis=1, out=self._totals[:, 1:])

    def between(self, first: int, end: int) -> tuple[Ints, Ints]:
        """Of the quarters from `first` to before `end`, both held within those there are."""
        first, end = max(first, 0), min(end, self.quarters)
        return self._events[:, end] - self._events[:, first], self._totals[:, end] - self._totals[:, first]


def _level(counts: _Counts) -> tuple[list[Shift], int]:
    best = _Best(counts)
    for b in range(1, counts.quarters):
        before, n_before = counts.between(b - WINDOW, b)
        after, n_after = counts.between(b, b + WINDOW)
        looked = (n_before >= FEWEST) & (n_after >= FEWEST)
        change = np.abs(_share(after, n_after) - _share(before, n_before))
        best.offer(b, before, n_before, after, n_after, looked, change >= SMALLEST_CHANGE)
    return best.found("level"), best.looks


def _gone(counts: _Counts) -> tuple[list[Shift], int]:
    return _without(counts, "gone")


def _new(counts: _Counts) -> tuple[list[Shift], int]:
    return _without(counts, "new")


def _without(counts: _Counts, kind: Literal["gone", "new"]) -> tuple[list[Shift], int]:
    """Boundaries on one side of which a code is never met, though its share on the other side makes it expected."""
    best: dict[tuple[int, int], Shift] = {}
    looks = 0
    for b in range(1, counts.quarters):
        early, late = counts.between(0, b), counts.between(b, counts.quarters)
        (seen, n_seen), (none, n_none) = (early, late) if kind == "gone" else (late, early)
        # The share where the code is met is read nearest to the boundary: a code dropped slowly is not gone at once.
        near = counts.between(b - WINDOW, b) if kind == "gone" else counts.between(b, b + WINDOW)
        share = np.minimum(_share(seen, n_seen), _share(*near))
        looked = (n_seen >= FEWEST) & (n_none >= FEWEST)
        looks += int(looked.sum()) * counts.codes
        hit = looked & (none == 0) & (share * n_none >= FEWEST_EXPECTED)
        for s, k in zip(*np.nonzero(hit), strict=True):
            n, met = int(n_none[s, 0]), float(share[s, k])
            chance = _all_on_one_side(int(seen[s, k]), int(n_seen[s, 0]), n)
            if (int(s), int(k)) not in best or chance < best[int(s), int(k)].p_value:
                was, now = (met, 0.0) if kind == "gone" else (0.0, met)
                best[int(s), int(k)] = Shift(kind, int(s), b, int(k), was, now, n, chance)
    return list(best.values()), looks


def _odd_quarter(counts: _Counts) -> tuple[list[Shift], int]:
    best = _Best(counts)
    for q in range(counts.quarters):
        after, n_after = counts.between(q, q + 1)
        around, n_around = counts.between(q - WINDOW, q + WINDOW + 1)
        before, n_before = around - after, n_around - n_after
        looked = (n_before >= FEWEST) & (n_after >= FEWEST)
        was, now = _share(before, n_before), _share(after, n_after)
        alone = (now == 0.0) | (now == 1.0)  # all of one kind is odd however common that kind is elsewhere
        change = np.abs(now - was)
        matters = (change >= SMALLEST_CHANGE) | (alone & (change >= SMALLEST_CHANGE_TO_ALL))
        best.offer(q, before, n_before, after, n_after, looked, matters)
    return best.found("quarter"), best.looks


class _Best:
    """For each site and code the boundary with the largest G."""

    def __init__(self, counts: _Counts) -> None:
        sites, codes = counts.sites, counts.codes
        self.g = np.zeros((sites, codes))
        self.quarter = np.zeros((sites, codes), dtype=np.int64)
        self.before, self.after = np.zeros((sites, codes)), np.zeros((sites, codes))
        self.n = np.zeros((sites, codes), dtype=np.int64)
        self.looks = 0

    def offer(
        self, quarter: int, before: Ints, n_before: Ints, after: Ints, n_after: Ints, looked: Flags, matters: Flags
    ) -> None:
        self.looks += int(looked.sum()) * before.shape[1]
        worth = looked & matters
        if not worth.any():
            return
        g = np.where(worth, _g(before, n_before, after, n_after), 0.0)
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


def _all_on_one_side(events: int, rows: int, other_rows: int) -> float:
    """Chance that `events` rows drawn from all are all among `rows` and none among `other_rows` (hypergeometric)."""
    total = rows + other_rows
    return exp(lgamma(rows + 1) - lgamma(rows - events + 1) - lgamma(total + 1) + lgamma(total - events + 1))


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
