"""How alike the two groups are, before and after weighting."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.results import BalanceTerm, TermKind

Floats = NDArray[np.float64]


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
    weighted variances with the reliability correction 1 - sum(w^2). `values`, `treated`, `weight` (n,). A line without
    spread has difference 0 when the means agree.
    """
    binary = bool(np.isin(values, (0.0, 1.0)).all())
    groups = [(values[treated == arm], weight[treated == arm]) for arm in (1, 0)]
    plain = [x.mean() * (1 - x.mean()) if binary else x.var(ddof=1) if len(x) > 1 else 0.0 for x, _ in groups]
    means = [float(np.average(x, weights=w)) for x, w in groups]
    scale = float(np.sqrt((plain[0] + plain[1]) / 2))
    gap = means[0] - means[1]
    smd = gap / scale if scale > 0 else (0.0 if abs(gap) < 1e-12 else float(np.sign(gap)) * np.inf)
    if binary:
        return Contrast(means[0], means[1], smd, None)
    spreads = [_weighted_variance(x, w, m) for (x, w), m in zip(groups, means, strict=True)]
    return Contrast(means[0], means[1], smd, spreads[0] / spreads[1] if spreads[1] > 0 else None)


def weighted_differences(matrix: Floats, treated: Floats, weight: Floats) -> Floats:
    """Standardized weighted mean differences of many lines at once, (lines,), as in `contrast` with n - 1 variances.

    `matrix` (lines, n), all recorded. A line without spread in the unweighted groups has difference 0.
    """
    gaps, spread = [], np.zeros(len(matrix))
    for arm in (1, 0):
        x, w = matrix[:, treated == arm], weight[treated == arm]
        gaps.append(x @ w / w.sum())
        if x.shape[1] > 1:
            spread += x.var(axis=1, ddof=1) / 2
    scale = np.sqrt(spread)
    varied = np.where(scale > 1e-9, scale, 1.0)
    return np.asarray(np.where(scale > 1e-9, (gaps[0] - gaps[1]) / varied, 0.0), dtype=np.float64)


def balance_term(line: Line, treated: Floats, weight: Floats) -> BalanceTerm | None:
    """Balance of one line before and after weighting, over the lesions in which it is recorded; None when an arm has none."""
    known = ~np.isnan(line.values)
    x, a, w = line.values[known], treated[known], weight[known]
    if w[a == 1].sum() <= 0 or w[a == 0].sum() <= 0:
        return None
    before = contrast(x, a, np.ones_like(w))
    after = contrast(x, a, w)
    if not np.isfinite([before.smd, after.smd]).all():
        return None
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


def _weighted_variance(x: Floats, w: Floats, mean: float) -> float:
    share = w / w.sum()
    correction = 1 - float((share**2).sum())
    return float(share @ (x - mean) ** 2) / correction if correction > 0 else 0.0
