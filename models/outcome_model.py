"""A regression of the outcome on the approach and what was known before, and in words why it cannot be used."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.logistic import SEPARATED_LOGIT, LogisticFit, fit_logistic

Floats = NDArray[np.float64]

OutcomeKind = Literal["yes_no", "number"]

NEARLY_TOLD = 1e-10  # least eigenvalue of the terms' correlations: below it errors would be rounding

FIRTH_INSTEAD = "a penalized fit (Firth) can still be made"
NOT_INDEPENDENT = "the terms of the outcome model are not independent of each other"


def independent_terms(design: Floats) -> bool:
    """Whether no term of `design` (p, n) is empty or told by the others, as far as its numbers can say."""
    gram = design @ design.T
    size = np.sqrt(np.diag(gram))
    if design.shape[1] < len(design) or not (size > 0).all():
        return False
    return bool(np.linalg.eigvalsh(gram / np.outer(size, size))[0] > NEARLY_TOLD)


def fit_outcome(design: Floats, outcome: Floats) -> LogisticFit:
    """Logistic fit of a yes/no outcome; `failed_because` speaks of the outcome. `design` (p, n), `outcome` (n,) of 0 and 1."""
    if not independent_terms(design):
        terms, rows = design.shape
        return LogisticFit(np.zeros(terms), np.zeros((terms, terms)), np.full(rows, 0.5), NOT_INDEPENDENT)
    fit = fit_logistic(design, outcome)
    if fit.failed_because is None:
        return fit
    if float(np.max(np.abs(fit.coefficients @ design))) > SEPARATED_LOGIT:
        reason = f"some characteristic predicts the outcome perfectly; {FIRTH_INSTEAD}"
    else:
        reason = f"the outcome model did not settle; {FIRTH_INSTEAD}"
    return LogisticFit(fit.coefficients, fit.information, fit.probability, reason)


@dataclass(frozen=True, slots=True)
class FittedOutcome:
    """A fitted outcome model: `residual` and `working` weights (n,), `bread` (p, p) the inverse information, `dispersion` that goes with it.

    For a yes/no outcome working weights are m(1 - m) and the dispersion is 1; for a number they are 1 and it is the residual variance.
    """

    coefficients: Floats
    residual: Floats
    working: Floats
    bread: Floats
    dispersion: float

    def leverage(self, design: Floats) -> Floats:
        """How much each lesion pulled its own fit, (n,), on the rows that were fitted: `design` (p, n)."""
        root = np.linalg.cholesky(self.bread)
        return np.asarray(self.working * ((root.T @ design) ** 2).sum(axis=0), dtype=np.float64)


def fit_outcome_model(design: Floats, outcome: Floats, kind: OutcomeKind) -> FittedOutcome | str:
    """Logistic regression of a yes/no outcome or least squares of a number, or a sentence why it cannot be used. (p, n) and (n,)."""
    if kind == "yes_no":
        fit = fit_outcome(design, outcome)
        if fit.failed_because is not None:
            return fit.failed_because
        working = fit.probability * (1.0 - fit.probability)
        bread = np.asarray(np.linalg.inv(fit.information), dtype=np.float64)
        return FittedOutcome(fit.coefficients, outcome - fit.probability, working, bread, 1.0)
    terms, rows = design.shape
    # By the triangle of the rows rather than their products: terms of unlike scale lose fewer digits.
    triangle = np.linalg.qr(design.T, mode="r")
    size = np.abs(np.diag(triangle))
    if rows <= terms or size.min() < 1e-10 * size.max():
        return NOT_INDEPENDENT
    inverse = np.linalg.inv(triangle)
    bread = np.asarray(inverse @ inverse.T, dtype=np.float64)
    coefficients = np.asarray(inverse @ (inverse.T @ (design @ outcome)), dtype=np.float64)
    residual = outcome - coefficients @ design
    coefficients = coefficients + bread @ (design @ residual)
    residual = outcome - coefficients @ design
    return FittedOutcome(coefficients, residual, np.ones(rows), bread, float(residual @ residual) / (rows - terms))


def unusable(treated: Floats, outcome: Floats) -> str | None:
    """Why no model of a yes/no outcome can compare the approaches, None when one may. Both (n,) of 0 and 1."""
    for arm, name in ((1, "retrograde"), (0, "antegrade")):
        of = outcome[treated == arm]
        if not len(of):
            return f"no lesion was started {name}"
        if not of.any() or of.all():
            which = "no" if not of.any() else "every"
            return f"{which} lesion started {name} had the outcome; {FIRTH_INSTEAD}"
    return None
