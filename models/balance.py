"""How alike the two groups are, before and after weighting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.adjustment_results import TermBalance
from models.logistic import CHUNK_ROWS
from models.results import BalanceTerm, TermKind

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

NO_SPREAD = 1e-6  # an SD below this, of a line of SD about 1, is rounding


@dataclass(frozen=True, slots=True)
class Contrast:
    """Balance of one line of numbers: means by arm, standardized difference and variance ratio (None for a 0/1 line)."""

    mean_1: float
    mean_0: float
    smd: float
    variance_ratio: float | None


@dataclass(frozen=True, slots=True)
class Line:
    """One covariate term whose balance is looked at: `values` (n,), NaN where not recorded (left out of the means)."""

    name: str
    label: str
    kind: TermKind
    values: Floats


def contrast(values: Floats, treated: Floats, weight: Floats) -> Contrast:
    """Standardized mean difference, retrograde minus antegrade (Austin 2009, Stat Med 28:3083-3107).

    The denominator is the root mean of the two UNWEIGHTED variances, before and after weighting alike, so that weighting cannot make a
    difference look smaller by making the groups more varied; a 0/1 line takes p(1-p), other variances have n - 1. The variance ratio uses
    weighted variances with the reliability correction 1 - sum(w^2). `values`, `treated`, `weight` (n,). A line with one value in
    each arm is measured against its spread over both arms: 0 when the values agree, at least 2 when they do not.
    """
    groups = [np.flatnonzero(treated == arm) for arm in (1, 0)]
    return _contrast(*((values[group], weight[group]) for group in groups))


def _contrast(*groups: tuple[Floats, Floats]) -> Contrast:
    """`contrast` of two groups, retrograde first, each its values and weights."""
    binary = all(bool(((x == 0.0) | (x == 1.0)).all()) for x, _ in groups)
    plain = [x.mean() * (1 - x.mean()) if binary else x.var(ddof=1) if len(x) > 1 else 0.0 for x, _ in groups]
    means = [float(np.average(x, weights=w)) for x, w in groups]
    scale = float(np.sqrt((plain[0] + plain[1]) / 2))
    gap = means[0] - means[1]
    if (
        scale <= NO_SPREAD
    ):  # each arm is of one value: alike, or told apart perfectly, which the spread over both arms measures
        scale = float(np.concatenate([x for x, _ in groups]).std())
    smd = gap / scale if scale > NO_SPREAD else 0.0
    if binary:
        return Contrast(means[0], means[1], smd, None)
    spreads = [_weighted_variance(x, w, m) for (x, w), m in zip(groups, means, strict=True)]
    return Contrast(means[0], means[1], smd, spreads[0] / spreads[1] if spreads[1] > 0 else None)


def differences_within(
    matrix: Floats, treated: Floats, weight: Floats, members: Sequence[Mask], least_spread: float
) -> list[Floats]:
    """Standardized weighted mean differences of many lines within each of `members`, as in `contrast` with n - 1 variances.

    `matrix` (lines, n), all recorded, of like scale; `weight` (n,). One array an entry of `members`, of the lines whose SD within it is at
    least `least_spread`. Both arms of an entry must have
    weight. One pass over the matrix in chunks of rows serves all entries.
    """
    if not members:
        return []
    sums = {arm: _Sums.none(len(members), len(matrix)) for arm in (1, 0)}
    for start in range(0, len(treated), CHUNK_ROWS):
        part = slice(start, start + CHUNK_ROWS)
        here = np.stack([member[part] for member in members])
        for arm in (1, 0):
            rows = np.flatnonzero(treated[part] == arm)
            sums[arm].add(matrix[:, part][:, rows], weight[part][rows], here[:, rows].astype(np.float64))
    return [_differences(sums[1], sums[0], j, least_spread) for j in range(len(members))]


@dataclass(frozen=True, slots=True)
class _Sums:
    """Of one arm, by entry: `count` and `weight` (k,); sums of the lines, their squares and their weighted values (lines, k)."""

    count: Floats
    weight: Floats
    line: Floats
    square: Floats
    weighted: Floats

    @classmethod
    def none(cls, entries: int, lines: int) -> _Sums:
        return cls(np.zeros(entries), np.zeros(entries), *(np.zeros((lines, entries)) for _ in range(3)))

    def add(self, matrix: Floats, weight: Floats, members: Floats) -> None:
        """Count in a chunk: `matrix` (lines, rows), `weight` (rows,), `members` (k, rows) of 0 and 1."""
        pull = members * weight
        self.count[:] += members.sum(axis=1)
        self.weight[:] += pull.sum(axis=1)
        self.line[:] += matrix @ members.T
        self.weighted[:] += matrix @ pull.T
        self.square[:] += (matrix * matrix) @ members.T


def _differences(below: _Sums, above: _Sums, entry: int, least_spread: float) -> Floats:
    spread = np.zeros(len(below.line))
    for arm in (below, above):
        n = arm.count[entry]
        if n > 1:
            spread += np.maximum(arm.square[:, entry] - arm.line[:, entry] ** 2 / n, 0.0) / (n - 1) / 2
    n = below.count[entry] + above.count[entry]
    mean = (below.line[:, entry] + above.line[:, entry]) / n
    overall = np.sqrt(np.maximum((below.square[:, entry] + above.square[:, entry]) / n - mean**2, 0.0))
    gap = below.weighted[:, entry] / below.weight[entry] - above.weighted[:, entry] / above.weight[entry]
    scale = np.where(spread > NO_SPREAD**2, np.sqrt(spread), overall)  # one value in each arm, as in `contrast`
    varied = scale > NO_SPREAD
    found = np.where(varied, gap / np.where(varied, scale, 1.0), 0.0)[overall >= least_spread]
    return np.asarray(found, dtype=np.float64)


def balance_term(line: Line, treated: Floats, weight: Floats) -> BalanceTerm | None:
    """Balance of one line before and after weighting, over the lesions in which it is recorded; None when an arm has none."""
    recorded = ~np.isnan(line.values)
    known = [np.flatnonzero(recorded & (treated == arm)) for arm in (1, 0)]
    groups = [(line.values[rows], weight[rows]) for rows in known]
    if any(w.sum() <= 0 for _, w in groups):
        return None
    before = _contrast(*((x, np.ones_like(w)) for x, w in groups))
    after = _contrast(*groups)
    return BalanceTerm(
        line.name,
        line.label,
        line.kind,
        before.mean_1,
        before.mean_0,
        before.smd,
        after.smd,
        before.variance_ratio,
        after.variance_ratio,
    )


def kolmogorov_smirnov(values: Floats, treated: Floats, *weights: Floats) -> tuple[float, ...]:
    """Largest difference between the two groups' weighted shares at or below any value, 0 to 1; one for each of the `weights`.

    It sees what means and variances miss: a tail, a second hump (Austin & Stuart 2015, Stat Med 34:3661-3679). `values` (n,) recorded, `treated` and each
    weight (n,); both groups must have weight. For a line of 0 and 1 it is the absolute difference of shares.
    """
    order = np.argsort(values, kind="stable")
    inline = values[order]
    last = np.r_[inline[1:] != inline[:-1], True]  # of each distinct value
    below = treated[order] == 1
    found = []
    for weight in weights:
        pull = weight[order]
        share_1 = np.cumsum(np.where(below, pull, 0.0))
        share_0 = np.cumsum(np.where(below, 0.0, pull))
        gap = share_1[last] / share_1[-1] - share_0[last] / share_0[-1]
        found.append(float(np.abs(gap).max()))
    return tuple(found)


def term_balance(line: Line, treated: Floats, weight: Floats) -> TermBalance | None:
    """`balance_term` with Kolmogorov-Smirnov distances, which a line of 0 and 1 does not need; None when an arm has no lesion recorded."""
    term = balance_term(line, treated, weight)
    if term is None:
        return None
    recorded = ~np.isnan(line.values)
    values = line.values[recorded]
    if bool(((values == 0.0) | (values == 1.0)).all()):
        return TermBalance(term, None, None)
    before, after = kolmogorov_smirnov(values, treated[recorded], np.ones(len(values)), weight[recorded])
    return TermBalance(term, before, after)


def _weighted_variance(x: Floats, w: Floats, mean: float) -> float:
    share = w / w.sum()
    correction = 1 - float((share**2).sum())
    return float(share @ (x - mean) ** 2) / correction if correction > 0 else 0.0
