"""The odds ratio of the approach at given covariates, from logistic regression, with errors that know the clusters.

A conditional odds ratio is not the overall one: with the same effect in every lesion it lies further from 1 than the odds ratio of the population's
risks (Gail, Wieand & Piantadosi 1984, Biometrika 71:431-444), so it stands beside the weighted comparison and is not to be compared digit by digit. It
takes the covariates' effects on the logit as additive and the approach's as the same for all lesions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.analysis_scale import ScaledEstimate
from models.cluster_robust import RobustVariance, bias_reduced, two_way_bias_reduced, whitened_logistic
from models.outcome_model import fit_outcome, unusable

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

# Below this Satterthwaite's t is no longer to be trusted: Tipton 2015, Psychol Methods 20:375-393.
FEWEST_DEGREES = 4.0

TOO_FEW_CLUSTERS = "too few clusters, or one of them alone carries the comparison: how the odds ratio varies between them cannot be told"


@dataclass(frozen=True, slots=True)
class ConditionalOddsRatio:
    """The approach's log odds ratio (retrograde over antegrade) at given covariates.

    `estimate` with the CR2 variance and its degrees of freedom, None when `withheld_because` says why. `coefficients` (p + 1,) in the order of the design, the
    approach last; `model_error` is the standard error that takes lesions as independent. `clusters` of the kind of which there are fewest.
    `remark` is "" or a caution.
    """

    estimate: ScaledEstimate | None
    withheld_because: str | None
    coefficients: Floats
    model_error: float | None
    clusters: int
    remark: str


def conditional_odds_ratio(
    design: Floats, treated: Floats, outcome: Floats, cluster: Integers, crossed_with: Integers | None = None
) -> ConditionalOddsRatio:
    """Logistic regression of the outcome on the approach and the design, errors by patient (CR2, Satterthwaite's t).

    `design` (p, n) with its constant row; `treated`, `outcome` (n,) of 0 and 1; `cluster` (n,) numbered from 0. `crossed_with` (n,) is a second kind of
    cluster, such as operators: errors then allow for both (Cameron, Gelbach & Miller 2011). For operators alone give them as `cluster`.
    """
    cannot = unusable(treated, outcome)
    if cannot is not None:
        return _withheld(cannot)
    matrix = np.vstack([design, treated])
    fit = fit_outcome(matrix, outcome)
    if fit.failed_because is not None:
        return _withheld(fit.failed_because)
    whitened = whitened_logistic(matrix, outcome, fit.probability, fit.information)
    approach = np.zeros(len(matrix))
    approach[-1] = 1.0
    found = (
        bias_reduced(whitened, cluster, approach)
        if crossed_with is None
        else two_way_bias_reduced(whitened, cluster, crossed_with, approach)
    )
    if found is None:
        return _withheld(TOO_FEW_CLUSTERS)
    estimate = ScaledEstimate("odds_ratio", float(fit.coefficients[-1]), found.variance, found.degrees_of_freedom)
    error = float(np.sqrt(whitened.bread[-1, -1]))
    return ConditionalOddsRatio(estimate, None, fit.coefficients, error, found.clusters, few_clusters(found))


def few_clusters(found: RobustVariance) -> str:
    """A caution where the degrees of freedom are too few for the interval to be trusted, "" otherwise."""
    if found.degrees_of_freedom >= FEWEST_DEGREES:
        return ""
    return (
        f"the interval rests on about {found.degrees_of_freedom:.1f} degrees of freedom, too few to be trusted: the approach hardly varies within "
        "clusters, or a few of them carry the comparison"
    )


def _withheld(reason: str) -> ConditionalOddsRatio:
    return ConditionalOddsRatio(None, reason, np.zeros(0), None, 0, "")
