"""The risk difference corrected for a yes/no trait that was not recorded, over a grid of how strong it might be.

Two ways to say how strong. As differences: the trait is commoner by `gap` among lesions started from below than among like lesions
started from above, and having it changes the risk by `effect` under either approach; the bias is gap x effect (Lin, Psaty & Kronmal 1998,
Biometrics 54:948-963; VanderWeele & Arah 2011, Epidemiology 22:42-52, equation 3). As ratios: having it multiplies the odds of a retrograde start
by one number and the risk by another (Schlesselman 1978, Am J Epidemiol 108:3-8). Given the measured traits in both, and the same in all lesions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from models.intervals import z_value


@dataclass(frozen=True, slots=True)
class Corrected:
    """The corrected difference at one point of the grid. All None, with a reason, where no such trait can exist."""

    approach: float
    outcome: float
    estimate: float | None
    lower: float | None
    upper: float | None
    reason: str | None


@dataclass(frozen=True, slots=True)
class BiasSurface:
    """One row for each strength with the approach, one entry for each strength with the outcome.

    `approach` are gaps of prevalence, or odds ratios; `outcome` risk differences, or risk ratios.
    """

    approach: tuple[float, ...]
    outcome: tuple[float, ...]
    cells: tuple[tuple[Corrected, ...], ...]


@dataclass(frozen=True, slots=True)
class ArmRisks:
    """The adjusted risks by approach with their standard errors and that of their difference."""

    risk_1: float
    risk_0: float
    error_1: float
    error_0: float
    error_difference: float

    @property
    def covariance(self) -> float:
        """Of the two risks, from the three errors."""
        return (self.error_1**2 + self.error_0**2 - self.error_difference**2) / 2


def surface_of_differences(
    estimate: float, lower: float, upper: float, gaps: Sequence[float], effects: Sequence[float]
) -> BiasSurface:
    """Corrected differences for each prevalence gap (-1 to 1) and each change of risk (-1 to 1); the interval shifts as the estimate does."""

    def corrected(gap: float, effect: float) -> Corrected:
        bias = gap * effect
        if abs(gap) > 1 or abs(effect) > 1 or abs(estimate - bias) > 1:
            return Corrected(gap, effect, None, None, None, "no trait can be so strong")
        return Corrected(gap, effect, estimate - bias, max(-1.0, lower - bias), min(1.0, upper - bias), None)

    cells = tuple(tuple(corrected(gap, effect) for effect in effects) for gap in gaps)
    return BiasSurface(tuple(gaps), tuple(effects), cells)


def prevalences(overall: float, odds_ratio: float, share: float) -> tuple[float, float]:
    """The trait's prevalence by approach, retrograde first.

    `overall` in all lesions, of which `share` start from below; `odds_ratio` of a retrograde start with the trait against without it, which is also
    that of the trait by approach. All strictly inside their ranges.
    """

    def below(above: float) -> float:
        odds = odds_ratio * above / (1 - above)
        return odds / (1 + odds)

    def excess(above: float) -> float:
        return share * below(above) + (1 - share) * above - overall

    above = float(brentq(excess, 1e-15, 1 - 1e-15, xtol=1e-15))
    return below(above), above


def corrected_by_ratio(
    risks: ArmRisks, prevalence_1: float, prevalence_0: float, ratio: float, target: float, level: float
) -> tuple[float, float, float] | None:
    """Difference with interval when the trait multiplies the risk by `ratio` under either approach.

    Each observed risk is divided by 1 + (ratio-1) of the arm's prevalence and multiplied by the same at `target`, the trait's prevalence in the
    population that the answer is about. None when a risk would leave 0 to 1, in the mean or among lesions with the trait.
    """
    factors = [(1 + (ratio - 1) * target) / (1 + (ratio - 1) * p) for p in (prevalence_1, prevalence_0)]
    without = [risk / (1 + (ratio - 1) * p) for risk, p in ((risks.risk_1, prevalence_1), (risks.risk_0, prevalence_0))]
    if max(w * max(1.0, ratio) for w in without) > 1:
        return None
    estimate = factors[0] * risks.risk_1 - factors[1] * risks.risk_0
    variance = (factors[0] * risks.error_1) ** 2 + (factors[1] * risks.error_0) ** 2
    variance -= 2 * factors[0] * factors[1] * risks.covariance
    half = z_value(level) * float(np.sqrt(max(variance, 0.0)))
    return estimate, max(-1.0, estimate - half), min(1.0, estimate + half)


def surface_of_ratios(
    risks: ArmRisks,
    odds_ratios: Sequence[float],
    risk_ratios: Sequence[float],
    *,
    prevalence: float,
    share: float,
    target_share: float,
    level: float,
) -> BiasSurface:
    """Corrected differences for each odds ratio with the approach and each risk ratio with the outcome, all positive.

    `prevalence` of the trait where `share` of the lesions start from below; `target_share` is how much of the population asked about
    is like those: 1 for the treated, 1/2 for the overlap population (its two weighted groups are equal), `share` for all lesions.
    """

    def corrected(odds_ratio: float, risk_ratio: float) -> Corrected:
        below, above = prevalences(prevalence, odds_ratio, share)
        target = target_share * below + (1 - target_share) * above
        found = corrected_by_ratio(risks, below, above, risk_ratio, target, level)
        if found is None:
            return Corrected(odds_ratio, risk_ratio, None, None, None, "a risk would be above 1")
        return Corrected(odds_ratio, risk_ratio, *found, None)

    cells = tuple(tuple(corrected(o, r) for r in risk_ratios) for o in odds_ratios)
    return BiasSurface(tuple(odds_ratios), tuple(risk_ratios), cells)
