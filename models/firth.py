"""The odds ratio of the approach in sparse data, by Firth's penalized likelihood with its profile interval.

Where an arm has no events, or a characteristic predicts the outcome perfectly, the maximum-likelihood odds ratio is infinite. Adding half the log determinant of the
information to the log likelihood takes out the leading bias and keeps the estimate finite (Firth 1993, Biometrika 80:27-38): the score of term r becomes
sum of [y - m + h(1/2 - m)] x_r, h the lesion's leverage. Limits are where the penalized likelihood, highest over the other coefficients, has fallen by half a chi-squared
quantile (Heinze & Schemper 2002, Stat Med 21:2409-2419), for Wald's are useless there. They are found by bracketing, which cannot fail to settle
as Newton's search for a limit can where the likelihood is lopsided.

That likelihood takes lesions as independent. With several lesions a patient the quantile is multiplied by the ratio of the clustered to the model's variance of the log
odds ratio, where that is above 1 (the first-order correction of a likelihood ratio under clustering: Rotnitzky & Jewell 1990, Biometrika 77:485-497), and is that of
Student's t squared with one degree of freedom less than there are patients.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from models.analysis_scale import ScaledEstimate, no_effect, t_quantile, two_sided
from models.cluster_robust import cluster_covariance, whitened_logistic
from models.logistic import expit
from models.outcome_model import NOT_INDEPENDENT, independent_terms
from models.results import Effect

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MOST_STEPS = 1000
SETTLED = 1e-16  # squared distance to the maximum, in standard errors
LONGEST_STEP = 2.0  # on the logit: from zero, full steps can overshoot
FARTHEST_LOGIT = 100.0


@dataclass(frozen=True, slots=True)
class FirthOddsRatio:
    """The approach's penalized log odds ratio, None in `estimate` when `withheld_because` says why.

    `effect` has the profile interval, which is not symmetric on any scale, and the p-value of the penalized likelihood ratio; `estimate` has the variance from the
    information times `inflation`, for pooling. `coefficients` and `errors` (p + 1,), the approach last, errors those of independent lesions. `inflation` (1 or
    more) is what clusters multiply the quantile by. `log_likelihood` is the penalized one.
    """

    estimate: ScaledEstimate | None
    effect: Effect
    withheld_because: str | None
    coefficients: Floats
    errors: Floats
    inflation: float
    log_likelihood: float | None


def firth_adjusted_odds_ratio(
    design: Floats, treated: Floats, outcome: Floats, level: float, cluster: Integers | None = None
) -> FirthOddsRatio:
    """Penalized odds ratio of the approach adjusted for a few covariates.

    `design` (p, n) with its constant row; `treated`, `outcome` (n,) of 0 and 1; `cluster` (n,) numbered from 0, None for independent lesions. An arm
    without events has finite limits; where no lesion had the outcome, or every one, there is nothing to compare.
    """
    matrix = np.vstack([design, treated])
    cannot = _cannot(matrix, treated, outcome)
    if cannot is not None:
        return _withheld(cannot)
    best = _highest(matrix, outcome, np.zeros(len(matrix)), held=None)
    if best is None:
        return _withheld("the penalized fit did not settle")
    covariance = np.asarray(np.linalg.inv(best.information), dtype=np.float64)
    inflation, freedom = (1.0, None) if cluster is None else _inflation(matrix, outcome, best, cluster)
    profile = _Profile(matrix, outcome, best, float(np.sqrt(covariance[-1, -1])))
    limits = profile.limits(t_quantile(level, freedom) ** 2 * inflation)
    if limits is None:
        return _withheld("the data set no limit to the odds ratio")
    root = float(np.sqrt(max(0.0, profile.fallen(0.0)) / inflation))
    value = float(best.at[-1])
    shown = np.exp([value, *limits])
    return FirthOddsRatio(
        ScaledEstimate("odds_ratio", value, float(covariance[-1, -1]) * inflation, freedom),
        Effect("odds_ratio", float(shown[0]), float(shown[1]), float(shown[2]), two_sided(root, freedom)),
        None,
        best.at,
        np.sqrt(np.diag(covariance)),
        inflation,
        best.height,
    )


def _cannot(matrix: Floats, treated: Floats, outcome: Floats) -> str | None:
    for arm, name in ((1, "retrograde"), (0, "antegrade")):
        if not (treated == arm).any():
            return f"no lesion was started {name}"
    if not outcome.any() or outcome.all():
        return "no lesion had the outcome" if not outcome.any() else "every lesion had the outcome"
    if matrix.shape[1] <= len(matrix) or not independent_terms(matrix):
        return NOT_INDEPENDENT
    return None


@dataclass(frozen=True, slots=True)
class _Point:
    """Coefficients, the penalized log likelihood there, the information, the penalized score and how fast that about falls.

    `bend` is the information with weights m(1 - m)(1 + h): the penalty's own curvature, but for how leverages change. With the information alone steps
    are twice too long for a lesion that is its own group, and go to and fro for ever.
    """

    at: Floats
    height: float
    information: Floats
    score: Floats
    bend: Floats


def _point(matrix: Floats, outcome: Floats, at: Floats) -> _Point | None:
    linear = at @ matrix
    fitted = expit(linear)
    root = np.sqrt(fitted * (1.0 - fitted))
    weighted = matrix * root
    information = weighted @ weighted.T
    try:
        factor = np.linalg.cholesky(information)
    except np.linalg.LinAlgError:
        return None
    leverage = (np.linalg.solve(factor, weighted) ** 2).sum(axis=0)
    height = float(outcome @ linear - np.logaddexp(0.0, linear).sum() + np.log(np.diag(factor)).sum())
    score = matrix @ (outcome - fitted + leverage * (0.5 - fitted))
    return _Point(at, height, information, score, (weighted * (1.0 + leverage)) @ weighted.T)


def _highest(matrix: Floats, outcome: Floats, start: Floats, held: float | None) -> _Point | None:
    """The maximum by scoring with step halving; the approach's coefficient stays at `held` where given."""
    free = slice(None) if held is None else slice(-1)
    now = _point(matrix, outcome, start if held is None else np.append(start[:-1], held))
    if now is None:
        return None
    for _ in range(MOST_STEPS):
        step = np.zeros(len(start))
        step[free] = np.linalg.solve(now.bend[free, free], now.score[free])
        if float(step @ now.score) < SETTLED:
            return now
        step /= max(1.0, float(np.max(np.abs(step))) / LONGEST_STEP)
        for _ in range(40):
            then = _point(matrix, outcome, now.at + step)
            if then is not None and then.height >= now.height - 1e-12 * abs(now.height):
                break
            step /= 2
        else:
            return None
        now = then
    return None


class _Profile:
    """How far the penalized log likelihood falls as the approach's coefficient is held elsewhere."""

    def __init__(self, matrix: Floats, outcome: Floats, best: _Point, error: float) -> None:
        self.matrix = matrix
        self.outcome = outcome
        self.best = best
        self.error = error
        self._near = {float(best.at[-1]): best.at}

    def fallen(self, held: float) -> float:
        """Twice the fall; infinite where nothing can be fitted any more."""
        start = self._near[min(self._near, key=lambda known: abs(known - held))]
        found = _highest(self.matrix, self.outcome, start, held)
        if found is None:
            return float("inf")
        self._near[held] = found.at
        return 2.0 * (self.best.height - found.height)

    def limits(self, quantile: float) -> tuple[float, float] | None:
        found = [self._limit(quantile, side) for side in (-1.0, 1.0)]
        lower, upper = found
        return None if lower is None or upper is None else (lower, upper)

    def _limit(self, quantile: float, side: float) -> float | None:
        value = float(self.best.at[-1])
        near, far = value, value + side * float(np.sqrt(quantile)) * self.error
        while (fall := self.fallen(far)) < quantile:
            near, far = far, value + 1.5 * (far - value)
            if abs(far) > FARTHEST_LOGIT:
                return None
        if not np.isfinite(fall):
            return None
        # Signed roots of the fall are nearly straight, which the search needs fewest steps for.
        return float(
            brentq(
                lambda held: np.sqrt(max(0.0, self.fallen(held))) - np.sqrt(quantile),
                near,
                far,
                xtol=1e-10,
                rtol=1e-12,
            )
        )


def _inflation(matrix: Floats, outcome: Floats, best: _Point, cluster: Integers) -> tuple[float, float | None]:
    clusters = int(np.count_nonzero(np.bincount(cluster)))
    if clusters < 2:
        return 1.0, None
    whitened = whitened_logistic(matrix, outcome, expit(best.at @ matrix), best.information)
    clustered = float(cluster_covariance(whitened, cluster, "CR1")[-1, -1])
    return max(1.0, clustered / float(whitened.bread[-1, -1])), clusters - 1.0


def _withheld(reason: str) -> FirthOddsRatio:
    none = np.zeros(0)
    return FirthOddsRatio(None, no_effect("odds_ratio"), reason, none, none, 1.0, None)
