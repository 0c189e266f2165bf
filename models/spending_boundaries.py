"""Critical values for repeated looks at growing data, from a schedule by which the error is spent.

Estimates at successive looks have, to first order, the canonical joint distribution: with information I_k = 1 / variance at look k, the
standardized estimates Z_k are normal with variance 1 and corr(Z_j, Z_k) = sqrt(I_j / I_k), j < k (Jennison & Turnbull 1997, JASA
92:1330-1341; Scharfstein, Tsiatis & Robins 1997, JASA 92:1342-1350, for semiparametric estimators). So S_k = Z_k sqrt(I_k) has independent
increments, and the chance of a first crossing at look k is an integral over the sub-density of S_{k-1} on the region where no
look crossed (Armitage, McPherson & Rowe 1969, J R Stat Soc A 132:235-244). That density is carried from look to look on Gauss-Legendre nodes.

A spending schedule (Lan & DeMets 1983, Biometrika 70:659-663) says how much of the error may have been used by time t; each look's critical
value is the one that uses exactly what was added since the look before. Neither the number of looks nor their times need be known beforehand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from math import ceil, e, inf, log1p, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri, roots_legendre

Floats = NDArray[np.float64]

Spending = Literal["open_ended", "obrien_fleming", "pocock"]

NODES_PER_STEP = 8.0  # nodes over one SD of an increment: spacing 0.2 SD, where a normal density integrates to 1e-9
FEWEST_NODES, MOST_NODES = 128, 4096
WIDEST = 9.0  # SD: the density beyond is below 1e-18
# Below this the crossing probability is lost in rounding, and the union bound P(|Z| > c) = spent is taken: never too narrow.
SMALLEST_SPENT = 1e-13


@dataclass(frozen=True, slots=True)
class _Density:
    """Sub-density of S at one look, times the quadrature weights, on `at`: the part of the paths that has not crossed."""

    information: float
    at: Floats
    mass: Floats


def spent(schedule: Spending, alpha: float, time: float) -> float:
    """Two-sided error that `schedule` has spent by `time` (> 0), 1 being the planned end; never more than `alpha`.

    `obrien_fleming`: 2 [2 - 2 Phi(z_{alpha/4} / sqrt(t))] and `pocock`: alpha log(1 + (e - 1) t), both of Lan & DeMets (1983), each
    side having alpha/2; all is spent at t = 1 and none is left for later looks. `open_ended`: alpha t^2 / (1 + t^2): like the power
    schedule of Kim & DeMets (1987, Biometrika 74:149-154) at first, half spent at the planned end, and some left for ever (our own choice).
    """
    if schedule == "open_ended":
        return alpha * time**2 / (1.0 + time**2)
    t = min(time, 1.0)
    if schedule == "pocock":
        return alpha * log1p((e - 1.0) * t)
    return float(4.0 * ndtr(ndtri(alpha / 4.0) / sqrt(t)))


def spending_critical_values(
    information: Sequence[float], times: Sequence[float], alpha: float, schedule: Spending
) -> tuple[float, ...]:
    """Two-sided critical value of |Z| at each look, so that the chance of any crossing by look k is what the schedule spent by `times[k]`.

    `information` (looks,) positive and increasing, on any scale; `times` (looks,) positive and increasing, on the schedule's clock: it need
    not be the information fraction (Lan & DeMets 1989, Stat Med 8:1191-1198). A look for which nothing is left has infinity.
    """
    allowed = [spent(schedule, alpha, time) for time in times]
    values: list[float] = []
    density: _Density | None = None
    before = 0.0
    for level, now in zip(information, allowed, strict=True):
        critical = _critical(density, level, now - before)
        density = _carried(density, level, critical)
        values.append(critical)
        before = now
    return tuple(values)


def crossing_probabilities(
    critical_values: Sequence[float], information: Sequence[float], drift: float = 0.0
) -> tuple[float, ...]:
    """Chance that |Z| first passes its critical value at each look; their sum is the chance that any look does.

    `drift` is the true effect in units where Z_k has mean drift * sqrt(information[k]): 0 gives the error, anything else the power.
    """
    chances: list[float] = []
    density: _Density | None = None
    for critical, level in zip(critical_values, information, strict=True):
        chances.append(_first_crossing(density, level, critical, drift))
        density = _carried(density, level, critical, drift)
    return tuple(chances)


def _critical(density: _Density | None, information: float, spend: float) -> float:
    if spend <= 0.0:
        return inf
    if density is None or spend < SMALLEST_SPENT:
        return float(-ndtri(spend / 2.0))

    def excess(critical: float) -> float:
        return _first_crossing(density, information, critical, 0.0) - spend

    highest = float(-ndtri(spend / 2.0))  # more cannot cross for the first time than cross
    if excess(0.0) <= 0.0:  # all that has not yet crossed may: only with a spent share near 1
        return 0.0
    return float(brentq(excess, 0.0, highest + 1e-6, xtol=1e-10))


def _first_crossing(density: _Density | None, information: float, critical: float, drift: float) -> float:
    edge = critical * sqrt(information)
    gained = information - (0.0 if density is None else density.information)
    before, mass = (np.zeros(1), np.ones(1)) if density is None else (density.at, density.mass)
    mean, spread = before + drift * gained, sqrt(gained)
    return float(mass @ (ndtr((-edge - mean) / spread) + ndtr((mean - edge) / spread)))


def _carried(density: _Density | None, information: float, critical: float, drift: float = 0.0) -> _Density:
    """The density one look on, cut off where that look crosses."""
    gained = information - (0.0 if density is None else density.information)
    if gained <= 0.0:
        raise ValueError("information must increase from look to look")
    root, step = sqrt(information), sqrt(gained)
    centre = drift * information
    low = max(-critical * root, centre - WIDEST * root)
    high = min(critical * root, centre + WIDEST * root)
    if high <= low:  # every path has crossed
        return _Density(information, np.zeros(1), np.zeros(1))
    nodes, weights = _rule(min(MOST_NODES, max(FEWEST_NODES, ceil(NODES_PER_STEP * (high - low) / step / 32.0) * 32)))
    at = 0.5 * (high + low) + 0.5 * (high - low) * nodes
    before, mass = (np.zeros(1), np.ones(1)) if density is None else (density.at, density.mass)
    moved = np.exp(-0.5 * ((at[:, None] - before[None, :] - drift * gained) / step) ** 2) @ mass
    return _Density(information, at, 0.5 * (high - low) * weights * moved / (step * sqrt(2.0 * np.pi)))


@cache
def _rule(nodes: int) -> tuple[Floats, Floats]:
    """Gauss-Legendre nodes and weights on (-1, 1)."""
    at, weights = roots_legendre(nodes)
    return np.asarray(at, dtype=np.float64), np.asarray(weights, dtype=np.float64)
