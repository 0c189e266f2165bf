"""An interval for the case that a trait which sways the approach was not recorded, under a stated strength of that trait.

The overlap difference is the coefficient of a partially linear model: with residuals of outcome and approach on the measured traits,
r_y = Y - m(X) and r_a = A - e(X), it is sum(r_a r_y) / sum(r_a^2), whose weights e(1-e) are the overlap weights. Leaving out a trait U moves it by at most

    |bias| <= S sqrt(R_y R_a / (1 - R_a)),   S^2 = E(r_y - theta r_a)^2 / E r_a^2,

R_a the share of the approach's leftover variation that U explains given the measured traits, R_y the share of the outcome's given
those and the approach (Cinelli & Hazlett 2020, J R Stat Soc B 82:39-67, equation 8, for linear models; Chernozhukov, Cinelli, Newey, Sharma & Syrgkanis 2022,
NBER working paper 30302, theorem 2, for any model with these projections, with U of any kind). No shape of m, e or U is supposed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

from models.intervals import z_value

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Strength:
    """How strong a hidden trait is supposed to be: two partial R squared, from 0 to below 1 (`approach`) and to 1 (`outcome`).

    `approach`: of the approach's variation that the measured traits leave, the share it explains. `outcome`: of the outcome's that the
    measured traits and the approach leave.
    """

    approach: float
    outcome: float

    @property
    def bias_factor(self) -> float:
        """The bias it can cause at most, in units of S."""
        return float(np.sqrt(self.outcome * self.approach / (1 - self.approach)))


@dataclass(frozen=True, slots=True)
class BiasScale:
    """What a bias factor of 1 amounts to, as a risk difference (S above), and the partialled-out difference itself.

    Influences by cluster, (clusters,), as in `models.comparison`: their sum of squares is the variance.
    """

    scale: float
    scale_influence: Floats
    difference: float
    difference_influence: Floats


@dataclass(frozen=True, slots=True)
class BoundedInterval:
    """The difference if a hidden trait of `strength` pulled as hard as it can, either way.

    `lowest` and `highest` are the estimate less and plus the `bias`; `lower` and `upper` the limits of an interval that covers the true
    difference with at least `level` whenever the trait is no stronger than stated.
    """

    strength: Strength
    level: float
    bias: float
    lowest: float
    highest: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class RobustnessValue:
    """Strength, the same with approach and with outcome, that brings the estimate to zero, and its limit nearer to zero (0: it is there already)."""

    estimate: float
    limit: float


def bias_scale(outcome_residual: Floats, approach_residual: Floats, cluster: Integers) -> BiasScale | None:
    """S and the partialled-out difference from residuals, all (n,), as cross-fitting leaves them; `cluster` numbered from 0.

    `outcome_residual` is Y - m(X) with m(X) the expected outcome whatever the approach, e m1 + (1-e) m0 for models by arm;
    `approach_residual` is A - e(X). None where the measured traits leave nothing of the approach or the outcome to explain.
    """
    n = len(outcome_residual)
    left = float(approach_residual @ approach_residual) / n if n else 0.0
    if left <= 0:
        return None
    difference = float(approach_residual @ outcome_residual) / n / left
    rest = outcome_residual - difference * approach_residual
    noise = float(rest @ rest) / n
    if noise <= 0:
        return None
    scale = float(np.sqrt(noise / left))
    moved = approach_residual * rest / left
    # S^2 is a ratio of two means; theta does not enter to first order, as rest and approach_residual are orthogonal.
    stretched = ((rest**2 - noise) / left - noise * (approach_residual**2 - left) / left**2) / (2 * scale)
    return BiasScale(
        scale,
        np.bincount(cluster, stretched / n).astype(np.float64),
        difference,
        np.bincount(cluster, moved / n).astype(np.float64),
    )


def averaged(scales: Sequence[BiasScale]) -> BiasScale:
    """The scale over completed data sets of multiple imputation: means of all its parts. All of the same clusters, at least one.

    What differs between the data sets is left out of its error; next to the bias itself that is small. The estimate's own error, pooled by
    Rubin's rules, is given to `bounded_interval` as `error`.
    """
    many = len(scales)
    return BiasScale(
        sum(s.scale for s in scales) / many,
        np.mean([s.scale_influence for s in scales], axis=0),
        sum(s.difference for s in scales) / many,
        np.mean([s.difference_influence for s in scales], axis=0),
    )


def bounded_interval(
    scale: BiasScale,
    strength: Strength,
    level: float,
    estimate: float | None = None,
    error: float | None = None,
    influence: Floats | None = None,
) -> BoundedInterval:
    """The interval widened for a hidden trait of `strength`.

    `estimate` is the overlap difference that is reported, with its `influence` by cluster (clusters,) or at least its standard `error`; without
    either the partialled-out difference of `scale`. The bounds' own errors hold that of S (Chernozhukov et al. 2022, theorem 4); with an error only, the two
    are added, which is safe. The limits cover one number between the bounds, not both bounds (Imbens & Manski 2004, Econometrica 72:1845-1857): with no
    bias they are the usual interval. The limits are cut to what a difference can be.
    """
    clusters = len(scale.scale_influence)
    factor = clusters / (clusters - 1) if clusters > 1 else 1.0
    own = strength.bias_factor
    bias = own * scale.scale
    if estimate is None:
        estimate, influence = scale.difference, scale.difference_influence
    if influence is not None:
        errors = [
            float(np.sqrt(factor * ((influence + side * own * scale.scale_influence) ** 2).sum())) for side in (-1, 1)
        ]
    elif error is not None:
        errors = [error + own * float(np.sqrt(factor * (scale.scale_influence**2).sum()))] * 2
    else:
        raise ValueError("an estimate needs its influence or its standard error")
    reach = imbens_manski(2 * bias, max(errors), level)
    lowest, highest = estimate - bias, estimate + bias
    lower, upper = max(-1.0, lowest - reach * errors[0]), min(1.0, highest + reach * errors[1])
    return BoundedInterval(strength, level, bias, lowest, highest, lower, upper)


def imbens_manski(width: float, error: float, level: float) -> float:
    """Standard errors beyond each bound, c in ndtr(c + width/error) - ndtr(-c) = level (Imbens & Manski 2004, equation 7).

    From the two-sided quantile, where the bounds meet, down to the one-sided one, where they lie far apart.
    """
    two_sided = z_value(level)
    if error <= 0 or width <= 0:
        return two_sided
    one_sided = z_value(2 * level - 1) if level > 0.5 else 0.0

    def excess(c: float) -> float:
        return float(ndtr(c + width / error) - ndtr(-c) - level)

    return one_sided if excess(one_sided) >= 0 else float(brentq(excess, one_sided, two_sided + 1e-9, xtol=1e-10))


def robustness_value(scale: float, estimate: float, lower: float, upper: float) -> RobustnessValue:
    """How strong a trait would have to be, R_a = R_y, to bring the difference, and its nearer limit, to zero (Cinelli & Hazlett 2020, equation 17).

    `scale` is S. The limit's value takes the interval as given; their equation 19 does the same with its t quantile.
    """
    crosses = lower <= 0 <= upper
    limit = 0.0 if crosses else min(abs(lower), abs(upper))
    return RobustnessValue(_equal_strength(abs(estimate) / scale), _equal_strength(limit / scale))


def _equal_strength(factor: float) -> float:
    """R in R / sqrt(1 - R) = `factor`."""
    return float((np.sqrt(factor**4 + 4 * factor**2) - factor**2) / 2)
