"""E-values: how strong an unmeasured trait would have to be, with approach and with outcome alike, to explain the answer away.

On the risk ratio scale, given the measured traits (VanderWeele & Ding 2017, Ann Intern Med 167:268-274): a trait that multiplies both the chance of the
one approach and the chance of the outcome by less than E cannot by itself bring the estimate to no difference. 1 says that nothing
is needed, because the limit already includes no difference.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import brentq

from models.intervals import z_value

RatioKind = Literal["risk_ratio", "odds_ratio_common", "odds_ratio_rare", "hazard_ratio_common", "hazard_ratio_rare"]


@dataclass(frozen=True, slots=True)
class EValue:
    """E-value of the estimate and of the limit nearer to no difference; both at least 1.

    `risk_ratio`, `lower`, `upper` are what the ratio was taken to be on the risk ratio scale; for a risk difference `risk_ratio` is the bias
    factor that explains it away and the limits are None.
    """

    point: float
    limit: float
    risk_ratio: float
    lower: float | None
    upper: float | None


def e_value(risk_ratio: float) -> float:
    """E = RR + sqrt(RR (RR - 1)), a ratio below 1 turned round (VanderWeele & Ding 2017, equation 1)."""
    ratio = max(risk_ratio, 1 / risk_ratio)
    return float(ratio + np.sqrt(ratio * (ratio - 1)))


def as_risk_ratio(ratio: float, kind: RatioKind) -> float:
    """A ratio on the risk ratio scale (VanderWeele 2017, Biometrics 73:1238-1243; VanderWeele & Ding 2017, table 2).

    An odds ratio of a common outcome (above 15 %): its square root; a hazard ratio of one: (1 - 0.5^sqrt(HR)) / (1 - 0.5^sqrt(1/HR)); of a
    rare outcome: itself.
    """
    if kind == "odds_ratio_common":
        return float(np.sqrt(ratio))
    if kind == "hazard_ratio_common":
        return float((1 - 0.5 ** np.sqrt(ratio)) / (1 - 0.5 ** np.sqrt(1 / ratio)))
    return ratio


def e_value_of_ratio(estimate: float, lower: float, upper: float, kind: RatioKind = "risk_ratio") -> EValue:
    """E-values of a ratio with its interval; all three positive."""
    found, low, high = (as_risk_ratio(value, kind) for value in (estimate, lower, upper))
    nearer = low if found > 1 else high
    crosses = nearer <= 1 if found > 1 else nearer >= 1
    return EValue(e_value(found), 1.0 if crosses else e_value(nearer), found, low, high)


def e_value_of_standardized_difference(difference: float, error: float) -> EValue:
    """E-values of a difference in SD with its standard error: RR = exp(0.91 d), limits exp(0.91 d -+ 1.78 se) (VanderWeele & Ding 2017, table 2).

    The factor 1.78 makes a 95 % interval.
    """
    middle, half = 0.91 * difference, 1.78 * error
    return e_value_of_ratio(float(np.exp(middle)), float(np.exp(middle - half)), float(np.exp(middle + half)))


@dataclass(frozen=True, slots=True)
class Risks:
    """The two risks, their variances, and the share of lesions started from below with its variance (0 when it is fixed).

    In the overlap population the two weighted groups are equal: a share of 1/2, fixed.
    """

    risk_1: float
    risk_0: float
    variance_1: float
    variance_0: float
    share: float
    variance_share: float

    @classmethod
    def of_counts(cls, events_1: int, n_1: int, events_0: int, n_0: int) -> Risks:
        """Of a plain table of independent lesions."""
        p1, p0, share = events_1 / n_1, events_0 / n_0, n_1 / (n_1 + n_0)
        return cls(
            p1, p0, p1 * (1 - p1) / n_1, p0 * (1 - p0) / n_0, share, share * (1 - share) / (n_1 + n_0)
        )  # fmt: skip

    def turned(self) -> Risks:
        """The approaches swapped."""
        return Risks(
            self.risk_0, self.risk_1, self.variance_0, self.variance_1, 1 - self.share, self.variance_share
        )  # fmt: skip


def e_value_of_risk_difference(risks: Risks, level: float, true: float = 0.0) -> EValue | None:
    """E-values that bring a risk difference to `true` (Ding & VanderWeele 2016, Epidemiology 27:368-377, and their web appendix).

    A bias factor B leaves a difference of at least (p1 - p0 B) (f + (1-f)/B), f the share started from below; the one that leaves `true` solves
    a quadratic, and the limit's one sets the lower confidence limit of that expression (delta method) to `true`. A negative difference is
    turned round first. None where the lower of the two risks, or the share, is 0 or the share 1: no ratio can be formed.
    """
    if risks.risk_1 < risks.risk_0:
        risks, true = risks.turned(), -true
    p1, p0, f = risks.risk_1, risks.risk_0, risks.share
    if p0 <= 0 or not 0 < f < 1:
        return None
    if p1 - p0 <= true:
        return EValue(1.0, 1.0, 1.0, None, None)
    d = p0 * (1 - f) - p1 * f
    factor = float((np.sqrt((true + d) ** 2 + 4 * p1 * p0 * f * (1 - f)) - (true + d)) / (2 * p0 * f))
    z = z_value(level)

    def lowest(bias: float) -> float:
        left, reach = p1 - p0 * bias, f + (1 - f) / bias
        variance = (risks.variance_1 + risks.variance_0 * bias**2) * reach**2
        variance += left**2 * (1 - 1 / bias) ** 2 * risks.variance_share
        return float(left * reach - z * np.sqrt(variance) - true)

    limit = 1.0 if lowest(1.0) <= 0 else e_value(float(brentq(lowest, 1.0, factor, xtol=1e-12)))
    return EValue(e_value(factor), limit, factor, None, None)
