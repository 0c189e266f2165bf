"""What one completed data set says by methods that are no weighting, in the form that is pooled: see `models.pooling`."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.comparison import Arm
from models.matched_effects import shared_patient_variance
from models.matching import Matched
from models.pooling import LEAST_RISK, Moments
from models.standardization import StandardizedMeans, scaled_estimates

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


def matched_moments(matched: Matched, outcome: Floats, cluster: Integers) -> Moments:
    """Risks among the matched and their variances, pairs that share a patient varying together, as in `models.matched_effects`.

    `outcome` (n,) of 0 and 1; `cluster` (n,) the patient numbered from 0. There must be a matched pair. Variances carry G/(G-1) for G sets or retrograde patients,
    whichever are fewer.
    """
    pull = matched.share / matched.sets
    rows = (matched.retrograde, matched.antegrade)
    patients = (cluster[rows[0]], cluster[rows[1]])
    raw = [float(pull @ outcome[row]) for row in rows]
    p1, p0 = (min(max(risk, LEAST_RISK), 1 - LEAST_RISK) for risk in raw)
    u1, u0 = (pull * (outcome[row] - risk) for row, risk in zip(rows, raw, strict=True))
    groups = min(matched.sets, len(np.unique(patients[0])))
    factor = groups / (groups - 1) if groups > 1 else 1.0
    q1, q0 = p1 * (1 - p1), p0 * (1 - p0)
    lines = (u1 - u0, u1 / p1 - u0 / p0, u1 / q1 - u0 / q0)
    below, above = (Arm.of(np.unique(row), outcome, cluster, matched.weight) for row in rows)
    own = [factor * float((np.bincount(p, u) ** 2).sum()) for p, u in zip(patients, (u1, u0), strict=True)]
    return Moments(
        (p1, p0),
        (own[0], own[1]),
        np.array([p1 - p0, np.log(p1 / p0), np.log(p1 / (1 - p1)) - np.log(p0 / (1 - p0))]),
        np.array([factor * shared_patient_variance(line, *patients) for line in lines]),
        below,
        above,
        groups,
        all(LEAST_RISK < risk < 1 - LEAST_RISK for risk in raw),
    )


def standardized_moments(
    means: StandardizedMeans, treated: Floats, outcome: Floats, cluster: Integers, weight: Floats
) -> Moments:
    """Standardized risks and their variances; `weight` (n,), of the population averaged over, is only used to tell effective sizes."""
    estimates = scaled_estimates(means, means.covariance, means.degrees_of_freedom)
    below, above = (Arm.of(treated == arm, outcome, cluster, weight) for arm in (1, 0))
    return Moments(
        (means.mean_1, means.mean_0),
        (float(means.covariance[0, 0]), float(means.covariance[1, 1])),
        np.array([one.value for one in estimates]),
        np.array([one.variance for one in estimates]),
        below,
        above,
        int(means.degrees_of_freedom) + 1,
        all(LEAST_RISK < risk < 1 - LEAST_RISK for risk in (means.mean_1, means.mean_0)),
    )
