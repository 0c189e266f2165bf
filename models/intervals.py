"""Intervals for one proportion and for two, that stay finite and inside their range when cells are small or empty.

Counts may be fractions: effective counts of a weighted sample (events = risk x effective n).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import betaincinv, chdtrc, chdtri, ndtri

from models.results import Effect


@dataclass(frozen=True, slots=True)
class TwoByTwo:
    """Events and sizes by approach; retrograde is 1 and antegrade 0. Fractions allowed, sizes positive."""

    events_1: float
    n_1: float
    events_0: float
    n_0: float

    @property
    def smallest_cell(self) -> float:
        """The smallest of the four cells."""
        return min(self.events_1, self.n_1 - self.events_1, self.events_0, self.n_0 - self.events_0)


def z_value(level: float) -> float:
    """Two-sided normal quantile."""
    return float(ndtri(0.5 + level / 2))


def wilson(events: float, n: float, level: float) -> tuple[float, float]:
    """Wilson's (1927) score interval for a proportion."""
    z = z_value(level)
    p = events / n
    centre = (p + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2))
    return float(max(0.0, centre - half)), float(min(1.0, centre + half))


def jeffreys(events: float, n: float, level: float) -> tuple[float, float]:
    """Jeffreys' equal-tailed interval for a proportion (Brown, Cai & DasGupta 2001), without a change at 0 and n: never 0 or 1."""
    tail = (1 - level) / 2
    a, b = events + 0.5, n - events + 0.5
    return float(betaincinv(a, b, tail)), float(betaincinv(a, b, 1 - tail))


def sparse_effects(cells: TwoByTwo, level: float) -> tuple[Effect, Effect, Effect]:
    """Risk difference, risk ratio and odds ratio for a table with small cells; all finite.

    Difference: Newcombe (1998, Stat Med 17:873-890, method 10). Ratio: Jeffreys intervals of the two risks recovered on
    the log scale (Donner & Zou 2012, Stat Methods Med Res 21:347-359), about risks with half an event added. Odds ratio: Firth's
    (1993) penalized likelihood, which for this table adds one half to each cell, with its profile interval (Heinze & Schemper
    2002); its likelihood-ratio p-value serves all three.
    """
    p1, p0 = cells.events_1 / cells.n_1, cells.events_0 / cells.n_0
    l1, u1 = wilson(cells.events_1, cells.n_1, level)
    l0, u0 = wilson(cells.events_0, cells.n_0, level)
    rd = p1 - p0
    ratio, lowest, highest, p_value = firth_odds_ratio(cells, level)
    difference = Effect(
        "risk_difference",
        rd,
        float(rd - np.hypot(p1 - l1, u0 - p0)),
        float(rd + np.hypot(u1 - p1, p0 - l0)),
        p_value,
    )
    return difference, _recovered_ratio(cells, level, p_value), Effect("odds_ratio", ratio, lowest, highest, p_value)


def _recovered_ratio(cells: TwoByTwo, level: float, p_value: float) -> Effect:
    log1 = np.log((cells.events_1 + 0.5) / (cells.n_1 + 1.0))
    log0 = np.log((cells.events_0 + 0.5) / (cells.n_0 + 1.0))
    l1, u1 = np.log(jeffreys(cells.events_1, cells.n_1, level))
    l0, u0 = np.log(jeffreys(cells.events_0, cells.n_0, level))
    ratio = log1 - log0
    return Effect(
        "risk_ratio",
        float(np.exp(ratio)),
        float(np.exp(ratio - np.hypot(log1 - l1, u0 - log0))),
        float(np.exp(ratio + np.hypot(u1 - log1, log0 - l0))),
        p_value,
    )


def firth_odds_ratio(cells: TwoByTwo, level: float) -> tuple[float, float, float, float]:
    """Firth's odds ratio of a two-by-two table: estimate, profile penalized-likelihood limits, likelihood-ratio p-value.

    The Jeffreys penalty of the saturated two-group logistic model is half the log of n1 p1 q1 n0 p0 q0, that is half an
    event and half a non-event more in each group (Firth 1993, Biometrika 80:27-38, section 3.3); the penalized likelihood is then
    profiled over the common log odds.
    """
    a, b = cells.events_1 + 0.5, cells.n_1 - cells.events_1 + 0.5
    c, d = cells.events_0 + 0.5, cells.n_0 - cells.events_0 + 0.5
    estimate = float(np.log(a * d / (b * c)))
    best = _two_group_loglik(estimate, a, b, c, d)
    quantile = float(chdtri(1, 1 - level))  # of chi-squared with 1 degree of freedom, from its upper tail

    def short_of(theta: float) -> float:
        return 2 * (best - _two_group_loglik(theta, a, b, c, d)) - quantile

    lower = _root_towards(short_of, estimate, -1.0)
    upper = _root_towards(short_of, estimate, 1.0)
    p_value = float(chdtrc(1, max(0.0, 2 * (best - _two_group_loglik(0.0, a, b, c, d)))))
    return float(np.exp(estimate)), float(np.exp(lower)), float(np.exp(upper)), p_value


def _root_towards(function: Callable[[float], float], start: float, step: float) -> float:
    far = start + step
    while function(far) < 0:
        step *= 2
        far = start + step
    return float(brentq(function, start, far, xtol=1e-12, rtol=1e-12))


def _two_group_loglik(theta: float, a: float, b: float, c: float, d: float) -> float:
    """Log likelihood profiled over the intercept: group 1 has logit x + theta, group 0 has logit x."""

    def excess(x: float) -> float:
        return float((a + b) / (1 + np.exp(-x - theta)) + (c + d) / (1 + np.exp(-x)) - a - c)

    x = brentq(excess, -60.0 - abs(theta), 60.0 + abs(theta), xtol=1e-13, rtol=1e-13)
    return float(a * (x + theta) - (a + b) * np.logaddexp(0, x + theta) + c * x - (c + d) * np.logaddexp(0, x))
