"""A regression of a yes/no outcome on the approach and what was known before, and in words why it cannot be used."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.logistic import SEPARATED_LOGIT, LogisticFit, fit_logistic

Floats = NDArray[np.float64]

FIRTH_INSTEAD = "a penalized fit (Firth) can still be made"


def fit_outcome(design: Floats, outcome: Floats) -> LogisticFit:
    """Logistic fit of a yes/no outcome; `failed_because` speaks of the outcome. `design` (p, n), `outcome` (n,) of 0 and 1."""
    fit = fit_logistic(design, outcome)
    if fit.failed_because is None:
        return fit
    if float(np.max(np.abs(fit.coefficients @ design))) > SEPARATED_LOGIT:
        reason = f"some characteristic predicts the outcome perfectly; {FIRTH_INSTEAD}"
    elif np.linalg.matrix_rank(design @ design.T) < len(design):
        reason = "the terms of the outcome model are not independent of each other"
    else:
        reason = f"the outcome model did not settle; {FIRTH_INSTEAD}"
    return LogisticFit(fit.coefficients, fit.information, fit.probability, reason)


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


def arm_counts(treated: Floats, outcome: Floats) -> tuple[tuple[int, int], tuple[int, int]]:
    """Lesions and lesions with the outcome, retrograde then antegrade."""
    retrograde, antegrade = ((int((treated == a).sum()), int(outcome[treated == a].sum())) for a in (1, 0))
    return retrograde, antegrade
