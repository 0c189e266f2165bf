"""The hidden scenario: how strong its trait truly is in an invented service, and the interval widened by just that."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.analysis_scale import ScaledEstimate
from models.logistic import expit
from models.omitted_bias import BoundedInterval, averaged, bias_scale, bounded_interval
from pipeline.studied import Study
from synthetic_data.crossing import HIDDEN_LOOK
from synthetic_data.lesions import HIDDEN_SHARE
from synthetic_data.scenario import Scenario
from tests.hidden_trait import HiddenTruth

Floats = NDArray[np.float64]


def hidden_truth(truth: pl.DataFrame, scenario: Scenario) -> HiddenTruth:
    """Each lesion's chances without the hidden look and with it, the rest of the lesion as it is; a cell a lesion.

    The look is there in HIDDEN_SHARE of lesions whatever else they are like. For scenarios with the designed effect (`effect` 1).
    """
    if scenario.effect != 1.0:
        raise ValueError("chances from below are taken apart for the designed effect only")
    here = truth["hidden_look"].to_numpy().astype(np.float64)
    access = 1.0 - truth["no_access_probability"].to_numpy()
    look = np.array([[0.0, 1.0]]) - here[:, None]

    def moved(chance: Floats, pull: float) -> Floats:
        return expit(_logit(chance)[:, None] + scenario.hidden * pull * look)

    score = moved(truth["probability_below"].to_numpy(), HIDDEN_LOOK.choice)
    above = moved(truth["first_if_above_probability"].to_numpy(), HIDDEN_LOOK.above)
    below = access[:, None] * moved(truth["first_if_below_probability"].to_numpy() / access, HIDDEN_LOOK.below)
    weight = np.broadcast_to(np.array([[1 - HIDDEN_SHARE, HIDDEN_SHARE]]) / len(here), look.shape)
    return HiddenTruth(weight, score, below, above)


def bounded(
    study: Study, name: str, difference: ScaledEstimate, truth: pl.DataFrame, scenario: Scenario
) -> BoundedInterval | None:
    """The interval of the pooled `difference` of endpoint `name`, widened for the true strength of the hidden look; None without models."""
    if study.model is None:
        return None
    outcome = study.outcome(name)
    scales = []
    for models in study.model.each():
        score, model = models.score.probability, models.outcomes[name]
        expected = score * model.below + (1.0 - score) * model.above
        scale = bias_scale(outcome - expected, study.treated - score, study.patient)
        if scale is None:
            return None
        scales.append(scale)
    strength = hidden_truth(truth, scenario).strength
    return bounded_interval(averaged(scales), strength, study.plan.level, difference.value, difference.standard_error)


def _logit(chance: Floats) -> Floats:
    return np.asarray(np.log(chance) - np.log1p(-chance), dtype=np.float64)
