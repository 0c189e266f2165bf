"""An estimate on the scale on which it is analyzed: the difference itself, or the logarithm of a ratio.

What pooling over imputed data sets needs is the estimate on that scale, its variance, and the degrees of freedom that it would have with nothing missing
(Rubin 1987, Multiple Imputation for Nonresponse in Surveys; Barnard & Rubin 1999, Biometrika 86:948-955).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr, stdtrit

from models.results import Effect, Measure


@dataclass(frozen=True, slots=True)
class ScaledEstimate:
    """A risk difference, log risk ratio or log odds ratio (`value`, retrograde against antegrade) and its `variance`.

    `degrees_of_freedom` of the variance; None where it counts as known (normal intervals).
    """

    measure: Measure
    value: float
    variance: float
    degrees_of_freedom: float | None

    @property
    def standard_error(self) -> float:
        """Square root of the variance."""
        return float(np.sqrt(self.variance))

    def effect(self, level: float) -> Effect:
        """The effect as a report shows it: ratios as themselves, an interval by Student's t, its two-sided p-value."""
        half = t_quantile(level, self.degrees_of_freedom) * self.standard_error
        limits = np.array([self.value, self.value - half, self.value + half])
        if self.measure != "risk_difference":
            limits = np.exp(limits)
        return Effect(self.measure, float(limits[0]), float(limits[1]), float(limits[2]), self.p_value)

    @property
    def p_value(self) -> float | None:
        """Two-sided p-value of no difference; None when the variance is zero."""
        if self.variance <= 0:
            return None
        return two_sided(self.value / self.standard_error, self.degrees_of_freedom)


def t_quantile(level: float, degrees_of_freedom: float | None) -> float:
    """Two-sided quantile of Student's t, of the normal where `degrees_of_freedom` is None."""
    return float(stdtrit(_known(degrees_of_freedom), 0.5 + level / 2))


def two_sided(statistic: float, degrees_of_freedom: float | None) -> float:
    """Two-sided p-value of a statistic with Student's t distribution, normal where `degrees_of_freedom` is None."""
    return float(2 * stdtr(_known(degrees_of_freedom), -abs(statistic)))


def _known(degrees_of_freedom: float | None) -> float:
    return np.inf if degrees_of_freedom is None else degrees_of_freedom


def no_effect(measure: Measure) -> Effect:
    """The effect of an estimate that is withheld."""
    return Effect(measure, None, None, None, None)
