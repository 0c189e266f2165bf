"""A service without a true difference that looks each quarter for three years: how often the primary method ever claims one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl

from models.intervals import wilson
from models.repeated_looks import Look
from models.weights import balancing_weights, effective_clusters
from pipeline.derive import derive
from pipeline.estimate import estimate
from pipeline.plan import Plan
from synthetic_data.scenario import NULL
from synthetic_data.service import invent
from tests.validation.looks import QUARTERS, Claims, claims
from tests.validation.one_service import PLAN

# Nothing missing: the same estimator without its completed data sets, in a tenth of the time.
GROWING = replace(NULL, missing=0.0)
GROWING_LESIONS = 1500
GROWING_PLAN = PLAN.model_copy(
    update={"methods": ("crude", "doubly_robust"), "populations": ("overlap",), "endpoints": (PLAN.primary_endpoint,)}
)


@dataclass(frozen=True, slots=True)
class LooksLine:
    """Share (0-1) of services that claimed a difference at some look, with its Wilson interval."""

    method: str
    services: int
    ever: float
    lower: float
    upper: float


def history(seed: int, plan: Plan = GROWING_PLAN) -> list[Look]:
    """The primary difference of one service at the end of each quarter, on the lesions up to then."""
    lesions = derive(invent(GROWING_LESIONS, seed, GROWING).tables, plan).lesions
    return [_look(lesions.filter(pl.col("procedure_date") < end), plan) for end in quarter_ends()]


def quarter_ends() -> list[date]:
    """The first day after each quarter of the scenario's years."""
    first = GROWING.last_year - GROWING.years + 1
    starts = [date(year, month, 1) for year in range(first, first + GROWING.years) for month in (1, 4, 7, 10)]
    return [*starts[1:], date(GROWING.last_year + 1, 1, 1)]


def _look(lesions: pl.DataFrame, plan: Plan) -> Look:
    found = estimate(lesions, plan)
    pooled = found.answers[plan.primary_endpoint, plan.primary_method, plan.primary_population].pooled[0]
    study = found.study
    if pooled is None or study.model is None:
        return Look(lesions.height, 0.0, None, None)
    weight = balancing_weights(study.model.score.probability, study.treated, plan.primary_population).weight
    arms = [study.treated == arm for arm in (0, 1)]
    smaller = min(effective_clusters(weight[arm], study.patient[arm]) for arm in arms)
    return Look(lesions.height, smaller, pooled.difference.value, pooled.difference.standard_error)


def looks_lines(histories: list[list[Look]]) -> list[LooksLine]:
    """The chance of ever claiming a difference under the recommended schedule, and were each look taken by itself."""
    found: list[tuple[str, Claims]] = [
        ("open_ended", claims(histories, "open_ended", GROWING_LESIONS)),
        ("each look by itself", claims(histories, None, GROWING_LESIONS)),
    ]
    lines = []
    for method, one in found:
        lower, upper = wilson(round(one.ever[-1] * one.services), one.services, 0.95)
        lines.append(LooksLine(method, one.services, one.ever[-1], lower, upper))
    return lines


def given(histories: list[list[Look]]) -> list[int]:
    """In how many services there was an estimate, by look."""
    return [int(np.sum([h[k].estimate is not None for h in histories])) for k in range(QUARTERS)]
