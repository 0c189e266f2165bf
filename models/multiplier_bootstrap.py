"""A bootstrap for any estimator with an influence function: the clusters' influences are multiplied by random numbers of mean 0 and variance 1.

Nothing is fitted again. The multipliers have a third moment of 1, so that the studentized replicates have the skewness of the estimate itself and intervals
are right to second order (Liu 1988, Ann Stat 16:1696-1708; Mammen 1993, Ann Stat 21:255-285). For many estimates at once (a curve, a set of profiles) the largest
studentized replicate gives a band that holds all of them together (Chernozhukov, Chetverikov & Kato 2013, Ann Stat 41:2786-2819).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.bootstrap_intervals import FEWEST_DRAWS, Limits
from models.comparison import Weighted
from models.results import Effect, Measure

Floats = NDArray[np.float64]

# Mammen's two values, the golden ratio and its conjugate, and the chance of the first: mean 0, variance 1, third moment 1.
GOLDEN = (1 + 5**0.5) / 2
CHANCE_OF_GOLDEN = (5**0.5 - 1) / (2 * 5**0.5)
MEASURES: tuple[Measure, ...] = ("risk_difference", "risk_ratio", "odds_ratio")
NUMBERS_AT_ONCE = 1 << 23
NO_ERROR = 1e-14  # influences below this are rounding


@dataclass(frozen=True, slots=True)
class MultiplierBootstrap:
    """Studentized replicates (draws, k) of k estimates, and the estimates' standard errors (k,) from their influences.

    A line whose influences are all zero (nothing to estimate) has an error of 0 and replicates of 0.
    """

    standard_error: Floats
    studentized: Floats

    def percentile_t(self, estimates: Floats, level: float) -> tuple[Limits, ...]:
        """An interval for each estimate by itself, on the scale of the influences: estimate - quantiles of the replicates x error."""
        high, low = np.quantile(self.studentized, [(1 + level) / 2, (1 - level) / 2], axis=0, method="weibull")
        return _limits(estimates, high * self.standard_error, -low * self.standard_error)

    def critical_value(self, level: float) -> float:
        """Errors to either side of every estimate that hold all of them together with probability `level`."""
        return float(np.quantile(np.abs(self.studentized).max(axis=1), level, method="weibull"))

    def band(self, estimates: Floats, level: float) -> tuple[Limits, ...]:
        """Intervals that hold all estimates together with probability `level`."""
        half = self.critical_value(level) * self.standard_error
        return _limits(estimates, half, half)


def multiplier_bootstrap(influence: Floats, draws: int, seed: int) -> MultiplierBootstrap | None:
    """Studentized replicates of estimates whose influences, summed by cluster, are `influence` (clusters, k).

    The sum of squares of a column is the variance of its estimate, as in `models.comparison.Weighted`; for a log ratio hand in the influence of the log. Errors carry G/(G-1)
    for the G clusters of any influence. None with fewer than two of those, or fewer than 200 draws.
    """
    moved = influence[np.abs(influence).max(axis=1) > NO_ERROR] if influence.size else influence
    clusters, lines = moved.shape
    if clusters < 2 or draws < FEWEST_DRAWS:
        return None
    factor = clusters / (clusters - 1)
    squares = (moved**2).sum(axis=0)
    error = np.sqrt(factor * squares)
    both = np.hstack([moved, moved**2])
    random = np.random.default_rng(seed)
    found = np.zeros((draws, lines))
    at_once = max(1, NUMBERS_AT_ONCE // clusters)
    for start in range(0, draws, at_once):
        part = slice(start, min(start + at_once, draws))
        golden = random.random((part.stop - start, clusters), dtype=np.float32) < CHANCE_OF_GOLDEN
        # The square of either multiplier is itself and 1 more, so one product gives both sums.
        multiplier = np.where(golden, GOLDEN, 1 - GOLDEN)
        sums = multiplier @ both
        # About their own mean, as the variance of drawn clusters is; the estimate's influences have mean zero already.
        spread = squares + sums[:, lines:] - sums[:, :lines] ** 2 / clusters
        usable = (spread > NO_ERROR * squares) & (squares > 0)
        found[part] = np.where(usable, sums[:, :lines] / np.sqrt(factor * np.where(usable, spread, 1.0)), 0.0)
    return MultiplierBootstrap(error, found)


def multiplier_effects(found: Weighted, level: float, draws: int, seed: int) -> tuple[Effect, Effect, Effect] | str:
    """Risk difference, risk ratio and odds ratio with percentile-t intervals at `level`, from any two risks with clustered influences.

    Ratios are studentized on the log scale. The p-value is the share of replicates at least as far from 0 as the estimate is, in errors, itself counted. A
    sentence where there are too few clusters or draws, or a risk is 0 or 1.
    """
    p1, p0 = found.risk_1, found.risk_0
    if not (0.0 < p1 < 1.0 and 0.0 < p0 < 1.0):
        return "an approach had the outcome in none or in all of its lesions"
    estimates = np.array([p1 - p0, np.log(p1 / p0), np.log(p1 / (1 - p1)) - np.log(p0 / (1 - p0))])
    u1, u0 = found.influence_1, found.influence_0
    lines = [u1 - u0, u1 / p1 - u0 / p0, u1 / (p1 * (1 - p1)) - u0 / (p0 * (1 - p0))]
    made = multiplier_bootstrap(np.stack(lines, axis=1), draws, seed)
    if made is None:
        return f"fewer than two patients, or fewer than {FEWEST_DRAWS} replicates"
    if not (made.standard_error > 0).all():
        return "the outcome does not vary within an approach"
    beyond = (np.abs(made.studentized) >= np.abs(estimates / made.standard_error)).sum(axis=0)
    limits = made.percentile_t(estimates, level)
    effects = []
    for j, measure in enumerate(MEASURES):
        shown = np.array([estimates[j], limits[j].lower, limits[j].upper])
        shown = shown if measure == "risk_difference" else np.exp(shown)
        p_value = float((1 + beyond[j]) / (draws + 1))
        effects.append(Effect(measure, float(shown[0]), float(shown[1]), float(shown[2]), p_value))
    return effects[0], effects[1], effects[2]


def _limits(estimates: Floats, below: Floats, above: Floats) -> tuple[Limits, ...]:
    return tuple(Limits(float(at - down), float(at + up)) for at, down, up in zip(estimates, below, above, strict=True))
