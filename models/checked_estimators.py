"""What the self-check asks of an estimator, and the weighted comparison as one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from models.comparison import compare_risks
from models.intervals import z_value
from models.propensity import Design, Score, fit_score
from models.results import Population
from models.simulated_outcomes import Floats, Integers, Replicate


@dataclass(frozen=True, slots=True)
class Answer:
    """What an estimator says of one history: risk difference, its limits and its standard error."""

    estimate: float
    lower: float
    upper: float
    standard_error: float


Estimator = Callable[[Replicate], Answer | None]
"""The report's own method on a replicate; None when it withholds an estimate."""


def weighting_estimator(
    design: Design, cluster: Integers, population: Population, level: float, sparse_cell: float
) -> Estimator:
    """The weighted comparison of `models.comparison` as an estimator; the score is fitted once for as long as the approach stays the same.

    With `population` "observed" the plain comparison, without a score.
    """
    fitted: list[tuple[Floats, Score]] = []

    def scored(treated: Floats) -> Score | None:
        if population == "observed":
            return None
        if not fitted or not np.array_equal(fitted[0][0], treated):
            fitted[:] = [(treated, fit_score(design, treated))]
        return fitted[0][1]

    def answer(replicate: Replicate) -> Answer | None:
        treated, outcome = replicate.treated, replicate.outcome
        if not 0.0 < treated.mean() < 1.0:
            return None
        score = scored(treated)
        if score is not None and score.fit.failed_because is not None:
            return None
        found = compare_risks(treated, outcome, cluster, population, score, level, sparse_cell).effects[0]
        if found.estimate is None or found.lower is None or found.upper is None:
            return None
        return Answer(found.estimate, found.lower, found.upper, (found.upper - found.lower) / (2.0 * z_value(level)))

    return answer
