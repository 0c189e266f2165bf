"""The run's check of itself: the primary method on outcomes simulated for this service's own lesions, with known effects.

The lesions are those of the first completed data set, with its score; what involves the outcome is fitted anew to each simulated history. Values are not drawn again and
pairs of traits not chosen again, so that the check is of weighting, outcome model and interval.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from models.augmented import fit_outcome
from models.checked_estimators import Answer, Estimator
from models.pooling import moments_of, pooled_comparison
from models.self_check import FEWEST_REPLICATES, SelfCheck, self_check
from models.sensitivity_results import EndpointSelfCheck
from models.simulated_outcomes import (
    Replicate,
    SimulatedService,
    fitted_risk,
    patient_correlation,
    subsample_patients,
)
from models.weights import balancing_weights
from pipeline.methods_primary import Primary, restricted, weighted
from pipeline.score_model import Models
from pipeline.studied import Study

Floats = NDArray[np.float64]

# Lesions that are simulated, in whole patients: more would only take time (the check is then of the method on a smaller service like this one).
MOST_LESIONS = 3_000


def checked(primary: Primary, critical_value: float | None) -> EndpointSelfCheck | str:
    """The self-check of one endpoint's primary comparison, or why there is none.

    `critical_value`: of today's interval valid over all looks, in standard errors; None without one.
    """
    plan = primary.study.plan
    wanted = plan.self_check.replicates
    if wanted < FEWEST_REPLICATES:
        return f"The plan asks for fewer than {FEWEST_REPLICATES} simulated services."
    study, models, of_patients = primary.study, primary.model.first, None
    if len(study.treated) > MOST_LESIONS:
        part = _part(primary)
        if isinstance(part, str):
            return part
        study, models = part
        of_patients = len(np.unique(primary.study.patient))
    service = _service(study, models, study.outcome(primary.endpoint))
    check = self_check(
        service,
        estimator(study, models),
        level=plan.level,
        margin=plan.margin(primary.endpoint),
        seed=plan.seed_for("self-check"),
        replicates=wanted,
        power=plan.self_check.power,
        critical_value=critical_value,
        lowest_coverage=plan.self_check.lowest_coverage,
        largest_standardized_bias=plan.self_check.largest_standardized_bias,
        of_patients=of_patients,
    )
    return EndpointSelfCheck(primary.endpoint, check, held_back(check))


def held_back(check: SelfCheck) -> bool:
    """Whether the report withholds the verdict: this very method, on this very service, missed a truth that was known."""
    return check.verdict == "withhold"


def estimator(study: Study, models: Models) -> Estimator:
    """The primary method with the score held, as the self-check asks for it."""
    plan = study.plan
    score = models.plain if plan.primary_method == "weighting" else models.score
    weight = balancing_weights(score.probability, study.treated, plan.primary_population).weight
    matrix = next(iter(models.outcomes.values())).design[:-1]

    def answer(replicate: Replicate) -> Answer | None:
        outcome = replicate.outcome
        model = None
        if plan.primary_method != "weighting":
            # Its ridge keeps it finite; as in the answer itself, a chance near 0 or 1 does not stop it.
            model = fit_outcome(matrix, study.treated, outcome)
        found = weighted(study, models, outcome, model)
        moments = moments_of(found, study.treated, outcome, study.patient, weight, study.everyone)
        pooled = pooled_comparison([moments], plan.level, plan.gates.sparse_cell)
        effect = pooled.estimated.effects[0]
        if effect.estimate is None or effect.lower is None or effect.upper is None:
            return None
        return Answer(effect.estimate, effect.lower, effect.upper, pooled.difference.standard_error)

    return answer


def _service(study: Study, models: Models, outcome: Floats) -> SimulatedService:
    design = models.score.design
    risk = fitted_risk(design, study.treated, outcome)
    # Over the lesions themselves the risk above stands for both approaches: what the approach adds is the same for all of a patient's lesions.
    alike = patient_correlation(outcome, risk, study.patient)
    return SimulatedService(
        risk, models.score.probability, study.treated, study.patient, study.plan.primary_population, alike
    )


def _part(primary: Primary) -> tuple[Study, Models] | str:
    """Whole patients with about MOST_LESIONS lesions, numbered anew, with models of their own."""
    study = primary.study
    patients = len(np.unique(study.patient))
    most = max(1, patients * MOST_LESIONS // len(study.treated))
    kept = subsample_patients(study.patient, most, study.plan.seed_for("self-check patients"))
    found = restricted(study, kept, 1)
    if isinstance(found, str):
        return found
    part, model = found
    return replace(part, patient=np.unique(part.patient, return_inverse=True)[1].astype(np.int64)), model.first
