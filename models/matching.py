"""Nearest-neighbor matching: to each lesion started from below, lesions started from above with nearly the same score.

Greedy matching within a caliper on the logit of the propensity score (Rosenbaum & Rubin 1985, Am Stat 39:33-38; Austin 2011, Pharm Stat
10:150-161). What is compared is the treated population, less the retrograde lesions that found no match: those are counted, because
leaving them out changes who the answer is about. Nothing is drawn at random. Scores are equal when they agree to 1e-9; among equally near
lesions from above the first row is taken, so where scores tie the pairs, and by a little the estimate, depend on the order of the rows.

Without replacement the lesions from above are sorted once and a taken one is skipped by path compression (Tarjan 1975, J ACM 22:215-225),
so that n lesions take n log n steps and not n squared.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

Order = Literal["largest", "smallest", "data"]
Spread = Literal["all", "pooled"]

STEPS_PER_UNIT = 1e9  # scores are compared in whole steps of 1e-9
NO_CALIPER = np.int64(1) << 62  # further, in steps, than any two scores lie apart


@dataclass(frozen=True, slots=True)
class Matched:
    """Who was matched with whom. One entry a pair, (m,): the rows of its two lesions and the share of its set.

    A set is one retrograde lesion with its up to k antegrade ones; `share` is one over how many it has. `weight` (n,) makes the
    balance functions look at the matched lesions: 1 for a matched retrograde lesion, the sum of its shares for an antegrade one, 0
    for the rest. `unmatched` are the rows of retrograde lesions that found nobody within `caliper` (None: no caliper). `reused` tells
    that an antegrade lesion could be taken more than once.
    """

    retrograde: Integers
    antegrade: Integers
    share: Floats
    weight: Floats
    unmatched: Integers
    caliper: float | None
    ratio: int
    reused: bool

    @property
    def sets(self) -> int:
        """Retrograde lesions with at least one match."""
        return round(float(self.share.sum()))


def logit_of(probability: Floats) -> Floats:
    """The score on the scale that is matched on, (n,); `probability` strictly between 0 and 1."""
    return np.asarray(np.log(probability) - np.log1p(-probability), dtype=np.float64)


def caliper_width(logit: Floats, treated: Floats, multiple: float = 0.2, spread: Spread = "all") -> float:
    """The largest distance of a match: `multiple` SD of the logit of the score.

    `spread` "all" takes the SD over all lesions; "pooled" the root mean of the two approaches' variances (Austin 2011, Pharm Stat
    10:150-161, who recommends 0.2). Variances have n - 1; an arm of one lesion counts as without spread.
    """
    if spread == "all":
        return multiple * float(logit.std(ddof=1)) if len(logit) > 1 else 0.0
    arms = [logit[treated == arm] for arm in (1, 0)]
    return multiple * float(np.sqrt(sum(arm.var(ddof=1) if len(arm) > 1 else 0.0 for arm in arms) / 2))


def match_nearest(
    score: Floats,
    treated: Floats,
    *,
    caliper: float | None,
    ratio: int = 1,
    replacement: bool = False,
    order: Order = "largest",
) -> Matched:
    """To each retrograde lesion up to `ratio` antegrade ones, each time the nearest that is left.

    `score` (n,) on the scale to be matched on, as a rule the logit; `treated` (n,) of 0 and 1. `order` is who chooses first: the largest
    score (who has the fewest lesions to choose from), the smallest, or the first row. Every lesion has its first choice before any has
    a second. With `replacement` each lesion takes its nearest whoever else did (Abadie & Imbens 2006, Econometrica 74:235-267), and `order` plays no
    part. An empty arm gives no pairs.
    """
    if ratio < 1:
        raise ValueError("ratio must be at least 1")
    steps = np.rint(score * STEPS_PER_UNIT).astype(np.int64)
    widest = NO_CALIPER if caliper is None else np.int64(np.floor(caliper * STEPS_PER_UNIT + 1e-6))
    takers = _in_turn(steps, np.flatnonzero(treated == 1), order)
    givers = np.flatnonzero(treated == 0)
    givers = givers[np.lexsort((givers, steps[givers]))]
    if not len(takers) or not len(givers):
        pairs = np.empty((2, 0), dtype=np.int64)
    elif replacement:
        pairs = _nearest(steps, takers, givers, int(widest), ratio)
    else:
        pairs = _nearest_left(steps, takers, givers, int(widest), ratio)
    return _as_matched(pairs, takers, len(score), caliper, ratio, replacement)


def _in_turn(steps: Integers, takers: Integers, order: Order) -> Integers:
    if order == "data":
        return takers
    key = steps[takers] if order == "smallest" else -steps[takers]
    return takers[np.lexsort((takers, key))]


def _nearest(steps: Integers, takers: Integers, givers: Integers, widest: int, ratio: int) -> Integers:
    """Pairs (2, m) when a giver may be taken again: the `ratio` nearest of the `ratio` next above and the `ratio` next below."""
    own = steps[takers]
    above = np.searchsorted(steps[givers], own, side="right")
    downward = givers[np.lexsort((givers, -steps[givers]))]  # among equals still the first row first
    below = np.searchsorted(-steps[downward], -own, side="left")
    reach = np.arange(ratio)
    rows, far = [], []
    for line, start in ((givers, above), (downward, below)):
        place = start[:, None] + reach
        row = line[np.minimum(place, len(line) - 1)]
        rows.append(row)
        far.append(np.where(place < len(line), np.abs(steps[row] - own[:, None]), NO_CALIPER))
    row, distance = np.concatenate(rows, axis=1), np.concatenate(far, axis=1)
    best = np.lexsort((row, distance), axis=-1)[:, :ratio]
    row, distance = np.take_along_axis(row, best, 1), np.take_along_axis(distance, best, 1)
    fits = (distance <= widest) & (distance < NO_CALIPER)
    return np.stack([np.broadcast_to(takers[:, None], row.shape)[fits], row[fits]])


def _nearest_left(steps: Integers, takers: Integers, givers: Integers, widest: int, ratio: int) -> Integers:
    """Pairs (2, m) when each giver is taken once at most.

    Givers of one score form a group and are taken in row order. `up[g]` leads to the next group at g or above that has anyone left,
    `down[g]` to the next below g; both shorten as they are walked. Python lists: a million look-ups of single numbers are faster there.
    """
    values, first = np.unique(steps[givers], return_index=True)
    groups = len(values)
    here = np.searchsorted(values, steps[takers], side="right").tolist()
    value, own = values.tolist(), steps[takers].tolist()
    following, end = first.tolist(), [*first[1:].tolist(), len(givers)]
    up, down = (
        list(range(groups + 1)),
        list(range(groups + 1)),
    )  # down is shifted by one: down[g + 1] is group g, down[0] is nobody
    row, taker = givers.tolist(), takers.tolist()
    turn: list[int] = list(range(len(taker)))
    pairs: list[tuple[int, int]] = []
    for _ in range(ratio):
        served: list[int] = []
        for t in turn:
            right = _walk(up, here[t])
            left = _walk(down, here[t]) - 1
            to_right = value[right] - own[t] if right < groups else widest + 1
            to_left = own[t] - value[left] if left >= 0 else widest + 1
            if to_right > widest and to_left > widest:
                continue
            if to_left < to_right or (to_left == to_right and row[following[left]] < row[following[right]]):
                group = left
            else:
                group = right
            pairs.append((taker[t], row[following[group]]))
            served.append(t)
            following[group] += 1
            if following[group] == end[group]:
                up[group] = group + 1
                down[group + 1] = group
        turn = served  # who found nobody finds nobody later: lesions are only taken away
    return np.array(pairs, dtype=np.int64).reshape(-1, 2).T


def _walk(leads: list[int], place: int) -> int:
    """The end of the path from `place`, halving it on the way."""
    while leads[place] != place:
        leads[place] = leads[leads[place]]
        place = leads[place]
    return place


def _as_matched(
    pairs: Integers, takers: Integers, rows: int, caliper: float | None, ratio: int, replacement: bool
) -> Matched:
    count = np.bincount(pairs[0], minlength=rows)
    share = 1.0 / count[pairs[0]]
    weight = np.bincount(pairs[1], share, minlength=rows).astype(np.float64)
    weight[count > 0] = 1.0
    unmatched = np.sort(takers[count[takers] == 0])
    return Matched(pairs[0], pairs[1], share, weight, unmatched, caliper, ratio, replacement)
