"""The primary comparison of a run, and the same made again on other lesions, other draws or another outcome."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.augmented import OutcomeModel, augmented_within
from models.comparison import Weighted, risks_within
from models.multiple_imputation import Imputations
from models.pooling import PooledComparison
from models.propensity import Covariate
from models.results import Comparison, Effect
from models.weights import balancing_weights
from pipeline.estimate import Estimates
from pipeline.profiles import Cell
from pipeline.score_model import Models, ScoreModel
from pipeline.studied import Asked, Question, Study, answer

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

NO_MODEL = "there is no model to weight by"


@dataclass(frozen=True, slots=True)
class Primary:
    """The primary comparison of one endpoint over all lesions; `model` are the service's models behind it."""

    endpoint: str
    comparison: Comparison
    pooled: PooledComparison
    study: Study
    model: ScoreModel

    @property
    def difference(self) -> Effect:
        """The risk difference with its interval, as the report shows it."""
        return self.comparison.effects[0]


def primaries(found: Estimates) -> tuple[dict[str, Primary], dict[str, str]]:
    """By endpoint: the primary comparison where it is given, and the reason where it is withheld."""
    plan, model = found.study.plan, found.study.model
    given: dict[str, Primary] = {}
    withheld: dict[str, str] = {}
    for name in plan.endpoints:
        answers = found.answers[name, plan.primary_method, plan.primary_population]
        one, pooled = answers.comparisons[0], answers.pooled[0]
        if model is None or pooled is None:
            withheld[name] = one.withheld_because or found.study.withheld_because or NO_MODEL
        else:
            given[name] = Primary(name, one, pooled, found.study, model)
    return given, withheld


def made_again(study: Study, model: ScoreModel) -> Mapping[str, PooledComparison]:
    """The primary comparison of every endpoint with other models of the same lesions (`study` has its lesions, `model` its models)."""
    plan = study.plan
    cell = Cell("all", "", "", (), study.everyone)
    question = Question(plan.primary_method, plan.primary_population, (Asked(cell, None, ()),))
    found = answer(replace(study, model=model, withheld_because=None), [question])
    made = {name: answers.pooled[0] for (name, _, _), answers in found.items()}
    return {name: pooled for name, pooled in made.items() if pooled is not None}


def moved_by(effect: Effect, offset: float) -> Effect:
    """A risk difference with its limits moved by `offset`, cut to what a difference can be; its p-value is no longer its own."""
    return Effect(
        effect.measure,
        None if effect.estimate is None else effect.estimate + offset,
        None if effect.lower is None else max(-1.0, effect.lower + offset),
        None if effect.upper is None else min(1.0, effect.upper + offset),
        None,
    )


def weighted(
    study: Study, models: Models, outcome: Floats, model: OutcomeModel | None, *, small_sample: bool = True
) -> Weighted:
    """The primary method's two risks of any `outcome` (n,) on one completed data set, with `model` of that outcome (None: weights alone).

    Influence functions are summed by patient; with `small_sample` they carry the method's own correction.
    """
    plan = study.plan
    population, everyone = plan.primary_population, [study.everyone]
    if plan.primary_method == "weighting" or model is None:
        score = models.plain if plan.primary_method == "weighting" else models.score
        weights = balancing_weights(score.probability, study.treated, population)
        correction = "leverage" if small_sample else "none"
        return next(risks_within(study.treated, outcome, study.patient, weights, score, everyone, correction))  # type: ignore[arg-type]
    return next(
        augmented_within(
            study.treated,
            outcome,
            study.patient,
            population,
            models.score,
            model,
            everyone,
            "jackknife" if small_sample else "none",
        )
    )


def restricted(study: Study, kept: Mask, most_data_sets: int) -> tuple[Study, ScoreModel] | str:
    """The lesions `kept` (n,) with their own models on at most so many completed data sets, or why there are none.

    Values drawn stay as they were; terms, scores and outcome models are fitted anew. Pairs of traits stay those that were chosen.
    """
    model = study.model
    if model is None:
        return study.withheld_because or NO_MODEL
    treated = study.treated[kept]
    if not 0.0 < treated.sum() < len(treated):
        return "no lesion is left that was started by one of the approaches"
    imputations = None if model.imputations is None else _imputations(model.imputations, kept, most_data_sets)
    recorded = _rows(model.recorded, kept)
    few = replace(
        model,
        treated=treated,
        outcomes={name: outcome[kept] for name, outcome in model.outcomes.items()},
        recorded=recorded,
        below_knee=_rows((model.below_knee,), kept)[0],
        imputations=imputations,
    )
    first = few.on(recorded if imputations is None else imputations.completed(0))
    failed = first.score.fit.failed_because or first.plain.fit.failed_because
    if failed is not None:
        return failed
    few = replace(few, first=first)
    lesions = study.lesions.filter(kept)
    return (
        replace(
            study,
            lesions=lesions,
            treated=treated,
            patient=study.patient[kept],
            operator=study.operator[kept],
            model=few,
        ),
        few,
    )


def _rows(covariates: tuple[Covariate, ...], kept: Mask) -> tuple[Covariate, ...]:
    return tuple(replace(c, values=c.values[kept]) for c in covariates)


def _imputations(whole: Imputations, kept: Mask, most: int) -> Imputations:
    place = np.cumsum(kept) - 1
    inside = {name: kept[rows] for name, rows in whole.lesions.items()}
    return Imputations(
        _rows(whole.recorded, kept),
        {name: place[rows[inside[name]]] for name, rows in whole.lesions.items()},
        {name: values[:most, inside[name]] for name, values in whole.drawn.items()},
        {},
        whole.carried,
        whole.never,
        min(most, whole.data_sets),
    )
