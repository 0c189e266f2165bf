"""Rubin's rules: one answer out of several completed data sets, with an interval that knows what was not recorded.

Rubin 1987, Multiple Imputation for Nonresponse in Surveys, chapter 3; degrees of freedom of Barnard & Rubin 1999, Biometrika 86:948-955; several estimates
at once (D1) Li, Raghunathan & Rubin 1991, JASA 86:1065-1073, with the degrees of freedom of Reiter 2007, Biometrika 94:502-508.

Around a weighting estimator: the score is fitted and the effect estimated within each data set, and the effects are pooled, not the scores (Leyrat, Seaman,
White, Douglas, Smeeth, Kim, Resche-Rigon, Carpenter & Williamson 2019, Stat Methods Med 28:3-19; Seaman & White 2014, Commun Stat Theory Methods
43:3499-3515). The variance within is the one that knows of the score's estimation. The estimator uses less than the imputation model does (the
outcome is in the latter), so the total variance errs to the large side if at all (Meng 1994, Stat Sci 9:538-558; Robins & Wang 2000, Biometrika 87:113-124).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, inf, isfinite, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc, stdtr, stdtrit

Floats = NDArray[np.float64]

LEAST_SHARE = (
    1e-4  # of the variance that is between data sets; at zero the degrees of freedom of Rubin 1987 are infinite
)


@dataclass(frozen=True, slots=True)
class Pooled:
    """k pooled estimates; every array (k,).

    `within`, `between`, `total` are variances: total = within + (1 + 1/m) between. `relative_increase` is (1 + 1/m) between / within,
    `share_between` (1 + 1/m) between / total, `missing_information` the fraction of the information that is missing, between 0 and 1,
    with its correction for few degrees of freedom; `relative_efficiency` is the variance with infinitely many data sets over that with
    m (Rubin 1987, p. 114). `degrees_of_freedom` are Barnard and Rubin's.
    """

    data_sets: int
    estimate: Floats
    within: Floats
    between: Floats
    total: Floats
    relative_increase: Floats
    share_between: Floats
    degrees_of_freedom: Floats
    missing_information: Floats
    relative_efficiency: Floats

    @property
    def standard_error(self) -> Floats:
        """Root of the total variance, (k,)."""
        return np.sqrt(self.total)

    @property
    def chance_error(self) -> Floats:
        """How far another set of m draws would move the estimate, as a standard error (k,): sqrt(between / m) (White, Royston & Wood 2011)."""
        return np.sqrt(self.between / self.data_sets)

    def interval(self, level: float) -> tuple[Floats, Floats]:
        """Lower and upper limits (k,) at `level`, say 0.95, from Student's t."""
        reach = stdtrit(self.degrees_of_freedom, 0.5 + level / 2) * self.standard_error
        return self.estimate - reach, self.estimate + reach

    def p_value(self, null: float = 0.0) -> Floats:
        """Two-sided p-value (k,) against `null`; 1 where the estimate is at it and nothing varies."""
        gap = np.abs(self.estimate - null)
        t = np.divide(gap, self.standard_error, out=np.where(gap > 0, inf, 0.0), where=self.total > 0)
        return np.asarray(2 * stdtr(self.degrees_of_freedom, -t), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class PooledTest:
    """Test that k estimates are all zero: F on `df1` and `df2` degrees of freedom, with the average relative increase in variance."""

    f: float
    df1: int
    df2: float
    p_value: float
    relative_increase: float


def pool(estimates: Floats, variances: Floats, complete_df: float = inf) -> Pooled:
    """Rubin's rules for k estimates from m completed data sets.

    `estimates`, `variances` (m, k), or (m,) for one estimate, on a scale where they are near normal (differences, log ratios); `variances` are
    squared standard errors. `complete_df` are the degrees of freedom that the answer would have had with nothing missing: for
    clustered estimates the number of patients less one. ValueError for fewer than two data sets, for unlike shapes and for what is not a
    finite number.
    """
    q = np.asarray(estimates, dtype=np.float64)
    u = np.asarray(variances, dtype=np.float64)
    if q.shape != u.shape or q.ndim not in (1, 2):
        raise ValueError("estimates and variances must have one shape, (m,) or (m, k)")
    q, u = (q[:, None], u[:, None]) if q.ndim == 1 else (q, u)
    m = len(q)
    if m < 2:
        raise ValueError("pooling needs at least two completed data sets")
    if not (np.isfinite(q).all() and np.isfinite(u).all() and (u >= 0).all() and complete_df > 0):
        raise ValueError("estimates must be finite, variances finite and not negative, complete_df above 0")
    within = u.mean(axis=0)
    # A constant's mean can miss it by a rounding: then what is between must be zero and not 1e-33.
    between = np.where(np.ptp(q, axis=0) == 0, 0.0, q.var(axis=0, ddof=1))
    extra = (1 + 1 / m) * between
    total = within + extra
    share = np.divide(extra, total, out=np.zeros_like(total), where=total > 0)
    increase = np.divide(extra, within, out=np.where(extra > 0, inf, 0.0), where=within > 0)
    df = _barnard_rubin(share, m, complete_df)
    # (r + 2/(df + 3)) / (r + 1), written with the share so that r may be infinite.
    missing = share + (1 - share) * 2 / (df + 3)
    return Pooled(m, q.mean(axis=0), within, between, total, increase, share, df, missing, 1 / (1 + missing / m))


def _barnard_rubin(share: Floats, m: int, complete_df: float) -> Floats:
    share = np.maximum(share, LEAST_SHARE)
    old = (m - 1) / share**2
    if not isfinite(complete_df):
        return np.asarray(old, dtype=np.float64)
    observed = (complete_df + 1) / (complete_df + 3) * complete_df * (1 - np.minimum(share, 1 - LEAST_SHARE))
    return np.asarray(old * observed / (old + observed), dtype=np.float64)


def all_zero(estimates: Floats, covariances: Floats, complete_df: float = inf) -> PooledTest:
    """Whether k estimates are all zero, from m data sets: the statistic D1.

    `estimates` (m, k), `covariances` (m, k, k). The increase in variance is taken as the same in every direction, which makes the
    test hold with few data sets. ValueError where there are fewer than two data sets or the mean covariance is singular.
    """
    m, k = estimates.shape
    if m < 2:
        raise ValueError("pooling needs at least two completed data sets")
    mean, within = estimates.mean(axis=0), covariances.mean(axis=0)
    between = np.atleast_2d(np.cov(estimates, rowvar=False))
    if np.linalg.matrix_rank(within) < k:
        raise ValueError("the covariance within data sets is singular")
    increase = float((1 + 1 / m) * np.trace(np.linalg.solve(within, between)) / k)
    f = float(mean @ np.linalg.solve((1 + increase) * within, mean)) / k
    df2 = _df_of_several(k, m, increase, complete_df)
    return PooledTest(f, k, df2, float(fdtrc(k, df2, f)), increase)


def _df_of_several(k: int, m: int, increase: float, complete_df: float) -> float:
    t = k * (m - 1)
    r = max(increase, LEAST_SHARE)
    if t <= 4:  # the others' formulas need more than four (Li et al. 1991)
        return t * (1 + 1 / k) * (1 + 1 / r) ** 2 / 2
    if not isfinite(complete_df):
        return 4 + (t - 4) * (1 + (1 - 2 / t) / r) ** 2
    # Reiter 2007, the expression for v*_w after its equation 5.
    a = r * t / (t - 2)
    v = (complete_df + 1) / (complete_df + 3) * complete_df
    c0, c1, c2 = 1 / (t - 4), v - 2 * (1 + a), v - 4 * (1 + a)
    if c2 <= 0:  # so few cases that the expansion is of no use: no more than the cases give
        return 4.0
    z = 1 / c2 + c0 * (
        a**2 * c1 / ((1 + a) ** 2 * c2)
        + 8 * a**2 * c1 / ((1 + a) * c2**2)
        + 4 * a**2 / ((1 + a) * c2)
        + 4 * a**2 / (c2 * c1)
        + 16 * a**2 * c1 / c2**3
        + 8 * a**2 / c2**2
    )
    return 4 + 1 / z


def data_sets_needed(missing_information: float, error_of_error: float = 0.05) -> int:
    """How many data sets make the standard error itself certain to `error_of_error` (a coefficient of variation).

    von Hippel 2020, Sociol Methods Res 49:699-718, equation 2: 1 + (missing_information / error_of_error)^2 / 2. At least two.
    """
    return max(2, ceil(1 + (missing_information / (sqrt(2) * error_of_error)) ** 2))
