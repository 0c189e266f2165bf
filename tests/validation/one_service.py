"""One invented service through the pipeline's own steps: every method's answer beside the truth that it is an answer to."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.adjustment_results import SimulationRole
from models.analysis_scale import ScaledEstimate
from models.intervals import z_value
from models.matched_effects import compare_matched
from models.matching import caliper_width, logit_of, match_nearest
from models.results import Comparison
from models.rubin import pool
from models.standardization import standardized_risks
from pipeline.derive import derive
from pipeline.estimate import Estimates, estimate
from pipeline.plan import Plan
from pipeline.plan_parts import Imputation
from pipeline.profiles import Cell
from pipeline.score_model import Models
from pipeline.studied import Asked, Question, Study, answer
from synthetic_data.scenario import Scenario
from synthetic_data.service import Service, invent
from tests.validation.hidden import bounded

Floats = NDArray[np.float64]

PRIMARY = "doubly_robust"
ROLES: dict[str, SimulationRole] = {PRIMARY: "primary", "crude": "plain"}
WIDENED = "doubly_robust, widened"  # for the hidden trait, by its true strength
UNGATED = "doubly_robust, withheld or not"  # what would have been said, too, where the gate on balance withholds it
# Less than users get, for time: five completed data sets (users: up to twenty), one lesion profile, the overlap population.
PLAN = Plan(
    imputation=Imputation(datasets=5),
    populations=("overlap",),
    profiles=("in_stent",),
    methods=("crude", "doubly_robust", "weighting", "complete_case"),
)
LEVEL = PLAN.level


@dataclass(frozen=True, slots=True)
class Scored:
    """One method's answer on one endpoint and its truth, differences as fractions; all but `truth` None when withheld."""

    endpoint: str
    method: str
    truth: float
    estimate: float | None = None
    error: float | None = None
    lower: float | None = None
    upper: float | None = None

    @property
    def covers(self) -> bool | None:
        """Whether the interval holds the truth; None when withheld."""
        if self.lower is None or self.upper is None:
            return None
        return self.lower <= self.truth <= self.upper


def scored(scenario: Scenario, lesions: int, seed: int, *, comparators: bool, plan: Plan = PLAN) -> list[Scored]:
    """Every method's answer on every endpoint. `comparators`: standardization and matching, too."""
    service = invent(lesions, seed, scenario)
    found = estimate(derive(service.tables, plan).lesions, plan)
    made = [_of_comparison(one, found, service) for one in found.comparisons if one.profile == "all"]
    if comparators:
        for name in plan.endpoints:
            made += _compared(found.study, name, service)
    made += _ungated(found, service)
    if scenario.hidden:
        made.append(_widened(found, service, scenario, plan.primary_endpoint))
    return made


def _of_comparison(one: Comparison, found: Estimates, service: Service) -> Scored:
    # The plain figures and the complete cases are held against what is asked: the overlap population of all lesions.
    truth = service.truth_summary.difference(one.endpoint, "overlap")
    effect = one.effects[0] if one.effects else None
    if effect is None or effect.estimate is None or effect.lower is None or effect.upper is None:
        return Scored(one.endpoint, one.method, truth)
    answers = found.answers.get((one.endpoint, one.method, one.population))
    pooled = answers.pooled[0] if answers is not None else None
    # Complete cases are one data set with a normal interval, from which its error is read off.
    error = (
        pooled.difference.standard_error
        if pooled is not None
        else (effect.upper - effect.lower) / 2 / z_value(one.level)
    )
    return Scored(one.endpoint, one.method, truth, effect.estimate, error, effect.lower, effect.upper)


def _ungated(found: Estimates, service: Service) -> Iterator[Scored]:
    """The primary answer, made although a gate withholds it, wherever there are models to make it with."""
    study = found.study
    everyone = Asked(Cell("all", "", "", (), study.everyone), None, ())
    question = Question(PRIMARY, "overlap", (everyone,))
    withheld = study.withheld_because is not None
    answers = answer(study, [question]) if withheld and study.model is not None else found.answers
    for name in study.plan.endpoints:
        truth = service.truth_summary.difference(name, "overlap")
        pooled = answers[name, PRIMARY, "overlap"].pooled[0]
        if pooled is None:
            yield Scored(name, UNGATED, truth)
            continue
        effect = pooled.estimated.effects[0]
        yield Scored(
            name, UNGATED, truth, effect.estimate, pooled.difference.standard_error, effect.lower, effect.upper
        )


def _compared(study: Study, name: str, service: Service) -> Iterator[Scored]:
    """Standardization over the overlap population, and one-to-one matching, which is an answer for lesions like those started from below."""
    truths = {"standardization": "overlap", "matching": "treated"}
    outcome = study.outcome(name)
    sets: list[Models] = []
    if study.model is not None and study.withheld_because is None:
        sets = list(study.model.each())
    for method, population in truths.items():
        made = _standardized if method == "standardization" else _matched
        each = [one for one in (made(models, study, outcome) for models in sets) if one is not None]
        truth = service.truth_summary.difference(name, population)
        yield _together(name, method, truth, each, len(sets), int(study.patient.max()))


def _standardized(models: Models, study: Study, outcome: Floats) -> ScaledEstimate | None:
    found = standardized_risks(
        models.plain.design.matrix, study.treated, outcome, study.patient, "overlap", LEVEL, score=models.plain
    )
    return found.estimates[0] if found.estimates else None


def _matched(models: Models, study: Study, outcome: Floats) -> ScaledEstimate | None:
    logit = logit_of(models.plain.probability)
    pairs = match_nearest(logit, study.treated, caliper=caliper_width(logit, study.treated))
    found = compare_matched(pairs, outcome, study.patient, LEVEL, 0.0)
    if found.estimated is None or found.pair_error is None or found.estimated.effects[0].estimate is None:
        return None
    return ScaledEstimate("risk_difference", found.estimated.effects[0].estimate, found.pair_error**2, None)


def _together(name: str, method: str, truth: float, each: Sequence[ScaledEstimate], asked: int, freedom: int) -> Scored:
    if not each or len(each) < asked:
        return Scored(name, method, truth)
    one = each[0]
    if len(each) > 1:
        pooled = pool(np.array([e.value for e in each]), np.array([e.variance for e in each]), freedom)
        one = ScaledEstimate(
            "risk_difference", float(pooled.estimate[0]), float(pooled.total[0]), float(pooled.degrees_of_freedom[0])
        )
    effect = one.effect(LEVEL)
    return Scored(name, method, truth, effect.estimate, one.standard_error, effect.lower, effect.upper)


def _widened(found: Estimates, service: Service, scenario: Scenario, name: str) -> Scored:
    """The primary interval widened for a hidden trait exactly as strong as the one that is there."""
    truth = service.truth_summary.difference(name, "overlap")
    pooled = found.answers[name, PRIMARY, "overlap"].pooled[0]
    interval = None if pooled is None else bounded(found.study, name, pooled.difference, service.truth, scenario)
    if interval is None or pooled is None:
        return Scored(name, WIDENED, truth)
    difference = pooled.difference
    return Scored(name, WIDENED, truth, difference.value, difference.standard_error, interval.lower, interval.upper)
