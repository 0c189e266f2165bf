"""The odds ratio of the approach from estimating equations in which lesions of one patient are alike (exchangeable correlation).

Generalized estimating equations (Liang & Zeger 1986, Biometrika 73:13-22) with working correlation R = (1 - a) I + a 11' within a patient, whose inverse
and square root are known in closed form:

    R^-1 = [I - a/(1 + (m - 1) a) 11'] / (1 - a),   R^-1/2 = [I - (1 - sqrt((1 - a)/(1 + (m - 1) a))) 11'/m] / sqrt(1 - a)

for m lesions. So sums by patient are all that is needed, and a fit takes seconds where a loop over patients takes minutes. a is the moment estimate from pairs of
Pearson residuals, with p taken off the number of pairs. Errors are the robust ones, corrected for few patients (CR2, `models.cluster_robust`).
Like all regression with covariates it answers for lesions alike in the covariates; unlike a random intercept it averages over patients.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.analysis_scale import ScaledEstimate
from models.cluster_robust import WhitenedFit, bias_reduced, cluster_covariance
from models.conditional import TOO_FEW_CLUSTERS, few_clusters
from models.logistic import SEPARATED_LOGIT, expit
from models.outcome_model import fit_outcome, unusable

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MOST_STEPS = 60
SETTLED = 1e-10  # of the step, in standard errors, squared
UNSETTLED = "the estimating equations did not settle"
ALIKE_AT_MOST = (
    0.95  # a working correlation of 1 would leave one lesion a patient; the robust error holds whatever is used
)


@dataclass(frozen=True, slots=True)
class MarginalOddsRatio:
    """The approach's log odds ratio by estimating equations, and how alike lesions of one patient are.

    `estimate` has the CR2 variance, None when `withheld_because` says why; `robust_error` is the plain robust standard error (CR0). `coefficients` (p + 1,), the approach
    last. `correlation` is the working one, None where too few patients have several lesions (lesions then count as independent in the weights,
    not in the errors). `remark` is "" or a caution.
    """

    estimate: ScaledEstimate | None
    withheld_because: str | None
    coefficients: Floats
    robust_error: float | None
    correlation: float | None
    clusters: int
    remark: str


def marginal_odds_ratio(design: Floats, treated: Floats, outcome: Floats, cluster: Integers) -> MarginalOddsRatio:
    """Estimating equations for a yes/no outcome, lesions of one patient exchangeable.

    `design` (p, n) with its constant row; `treated`, `outcome` (n,) of 0 and 1; `cluster` (n,) numbered from 0.
    """
    cannot = unusable(treated, outcome)
    if cannot is not None:
        return _withheld(cannot)
    matrix = np.vstack([design, treated])
    start = fit_outcome(matrix, outcome)
    if start.failed_because is not None:
        return _withheld(start.failed_because)
    groups = _Groups(cluster)
    beta = start.coefficients
    correlation: float | None = None
    for _ in range(MOST_STEPS):
        if float(np.max(np.abs(beta @ matrix))) > SEPARATED_LOGIT:  # the steps run away
            return _withheld(UNSETTLED)
        whitened, correlation = _whitened(matrix, outcome, beta, groups)
        step = whitened.bread @ (whitened.matrix @ whitened.residual)
        beta = beta + step
        if float(step @ np.linalg.solve(whitened.bread, step)) < SETTLED:
            break
    else:
        return _withheld(UNSETTLED)
    whitened, correlation = _whitened(matrix, outcome, beta, groups)
    approach = np.zeros(len(matrix))
    approach[-1] = 1.0
    found = bias_reduced(whitened, cluster, approach)
    if found is None:
        return _withheld(TOO_FEW_CLUSTERS)
    error = float(np.sqrt(cluster_covariance(whitened, cluster)[-1, -1]))
    estimate = ScaledEstimate("odds_ratio", float(beta[-1]), found.variance, found.degrees_of_freedom)
    return MarginalOddsRatio(estimate, None, beta, error, correlation, found.clusters, few_clusters(found))


class _Groups:
    """Patients: their number in each row, their sizes, and pairs of lesions of one patient."""

    def __init__(self, cluster: Integers) -> None:
        self.of = cluster
        self.sizes = np.bincount(cluster).astype(np.float64)
        self.largest = float(self.sizes.max())
        self.pairs = float((self.sizes * (self.sizes - 1)).sum()) / 2

    def sums(self, line: Floats) -> Floats:
        return np.bincount(self.of, line).astype(np.float64)


def _whitened(matrix: Floats, outcome: Floats, beta: Floats, groups: _Groups) -> tuple[WhitenedFit, float | None]:
    probability = expit(beta @ matrix)
    root = np.sqrt(np.maximum(probability * (1.0 - probability), np.finfo(float).tiny))
    residual = (outcome - probability) / root
    correlation = _correlation(residual, len(beta), groups)
    a = correlation or 0.0
    lean = (1.0 - np.sqrt((1.0 - a) / (1.0 + (groups.sizes - 1.0) * a))) / np.maximum(groups.sizes, 1.0)
    scale = 1.0 / np.sqrt(1.0 - a)

    def white(line: Floats) -> Floats:
        return np.asarray(scale * (line - (lean * groups.sums(line))[groups.of]), dtype=np.float64)

    rows = matrix * root
    if a:
        for line in rows:
            line[:] = white(line)
        residual = white(residual)
    bread = np.linalg.inv(rows @ rows.T)
    return WhitenedFit(rows, residual, np.asarray(bread, dtype=np.float64)), correlation


def _correlation(residual: Floats, terms: int, groups: _Groups) -> float | None:
    if groups.pairs <= terms:
        return None
    dispersion = float(residual @ residual) / (len(residual) - terms)
    together = (float((groups.sums(residual) ** 2).sum()) - float(residual @ residual)) / 2
    found = together / dispersion / (groups.pairs - terms)
    least = -0.95 / (groups.largest - 1.0)  # below -1/(m - 1) it is no correlation
    return float(np.clip(found, least, ALIKE_AT_MOST))


def _withheld(reason: str) -> MarginalOddsRatio:
    return MarginalOddsRatio(None, reason, np.zeros(0), None, None, 0, "")
