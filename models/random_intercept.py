"""The likelihood of a logistic model with one random intercept a group, by adaptive Gauss-Hermite quadrature.

Group j has intercept s u_j, u_j standard normal. Its likelihood, the integral over u of exp g_j(u), g_j(u) = sum of y z - log(1 + e^z) - u^2/2 with z = x'b + s u, is summed
over nodes put about the mode u^ of g_j and spread by its curvature k = -g_j''(u^) (Naylor & Smith 1982, Appl Stat 31:214-225; Pinheiro & Bates 1995, J Comput Graph
Stat 4:12-35):

    log L_j = -log(k)/2 + log sum over nodes of c_m exp g_j(u^ + t_m / sqrt(k)).

One node is Laplace's approximation. The gradient is that of this sum itself, with what the mode and the curvature move when b or s do, so that a
maximizer stops at the maximum of what it is given, for one node as for many. All groups are worked out together; a node costs one pass over the lesions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from models.logistic import expit

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MODE_STEPS = 100
MODE_SETTLED = 1e-11
LONGEST_STEP = 1.0  # in standard deviations of the intercepts: Newton's steps from far away would overshoot


@dataclass(frozen=True, slots=True)
class Modes:
    """Modes u (groups,) of the standardized intercepts and the curvatures (groups,) of their log densities there."""

    mode: Floats
    curvature: Floats


class InterceptLikelihood:
    """Log likelihood and gradient at (b, s) for `design` (p, n), `outcome` (n,) of 0 and 1, `group` (n,) numbered from 0 without gaps."""

    def __init__(self, design: Floats, outcome: Floats, group: Integers, nodes: int) -> None:
        self.design = design
        self.outcome = outcome
        self.group = group
        self.groups = int(group.max()) + 1
        abscissas, weights = np.polynomial.hermite.hermgauss(nodes)
        self.nodes = np.sqrt(2.0) * abscissas
        self.log_weights = np.log(weights) + abscissas**2 - 0.5 * np.log(np.pi)
        self._latest = np.zeros(self.groups)

    def modes(self, linear: Floats, spread: float) -> Modes:
        """Modes given the linear predictor without intercepts (n,), by Newton from the latest ones."""
        u = self._latest
        for _ in range(MODE_STEPS):
            fitted = expit(linear + spread * u[self.group])
            curvature = 1.0 + spread**2 * self._sum(fitted * (1.0 - fitted))
            step = (spread * self._sum(self.outcome - fitted) - u) / curvature
            u = u + np.clip(step, -LONGEST_STEP, LONGEST_STEP)
            if float(np.max(np.abs(step))) < MODE_SETTLED:
                break
        self._latest = u
        return Modes(u, curvature)

    def value_and_gradient(self, coefficients: Floats, spread: float) -> tuple[float, Floats, float]:
        """Log likelihood, its gradient in the coefficients (p,) and in the spread s."""
        linear = coefficients @ self.design
        found = self.modes(linear, spread)
        u, narrow = found.mode, 1.0 / np.sqrt(found.curvature)
        fitted = np.empty((len(self.nodes), len(linear)))
        height = np.empty((len(self.nodes), self.groups))
        for m, t in enumerate(self.nodes):
            at = u + narrow * t
            z = linear + spread * at[self.group]
            small = np.exp(-np.abs(z))
            part = self.outcome * z - np.maximum(z, 0.0) - np.log1p(small)
            fitted[m] = np.where(z > 0, 1.0, small) / (1.0 + small)
            height[m] = self.log_weights[m] + self._sum(part) - 0.5 * at**2
        total = logsumexp(height, axis=0)
        share = np.exp(height - total)
        value = float((total + np.log(narrow)).sum())

        # What the nodes themselves move: g' at each node, through the mode (pulled) and through the spread of the nodes (widened).
        pulled, widened, along = (np.zeros(self.groups) for _ in range(3))
        expected = np.zeros(len(linear))
        for m, t in enumerate(self.nodes):
            at = u + narrow * t
            short = self._sum(self.outcome - fitted[m])
            slope = spread * short - at
            pulled += share[m] * slope
            widened += share[m] * slope * t
            along += share[m] * at * short
            expected += share[m][self.group] * fitted[m]
        center = expit(linear + spread * u[self.group])
        weight = center * (1.0 - center)
        bend = weight * (1.0 - 2.0 * center)
        weights, bends = self._sum(weight), self._sum(bend)
        by_curvature = -0.5 * (narrow**3 * widened + narrow**2)
        by_mode = pulled + by_curvature * spread**3 * bends
        row = (
            self.outcome
            - expected
            + (by_curvature * spread**2)[self.group] * bend
            - (by_mode * spread / found.curvature)[self.group] * weight
        )
        mode_by_spread = (self._sum(self.outcome - center) - spread * u * weights) / found.curvature
        by_spread = along + by_mode * mode_by_spread + by_curvature * (2 * spread * weights + spread**2 * u * bends)
        return value, np.asarray(self.design @ row, dtype=np.float64), float(by_spread.sum())

    def _sum(self, line: Floats) -> Floats:
        return np.bincount(self.group, line, self.groups).astype(np.float64)
