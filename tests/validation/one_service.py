"""One invented service through the pipeline's own steps: every method's answer beside the truth that it is an answer to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from models.adjustment_results import SimulationRole
from models.intervals import z_value
from models.results import Comparison
from pipeline.derive import derive
from pipeline.estimate import Estimates, estimate
from pipeline.plan import Plan
from pipeline.plan_parts import Imputation, Method, PrimaryMethod
from pipeline.profiles import Cell
from pipeline.studied import Asked, Question, answer
from synthetic_data.scenario import Scenario
from synthetic_data.service import Service, invent
from tests.validation.hidden import bounded

PRIMARY: PrimaryMethod = "doubly_robust"
ROLES: dict[str, SimulationRole] = {PRIMARY: "primary", "crude": "plain"}
WIDENED = "doubly_robust, widened"  # for the hidden trait, by its true strength
UNGATED = "doubly_robust, withheld or not"  # what would have been said, too, where the gate on balance withholds it
MATCHED = "matching"
LEARNED = "learners"
METHODS: tuple[Method, ...] = ("crude", PRIMARY, "weighting", "complete_case", "standardization", MATCHED, LEARNED)
# Less than users get, for time: five completed data sets (users: up to twenty), one lesion profile, two populations, and no learners.
PLAN = Plan(
    imputation=Imputation(datasets=5),
    populations=("overlap", "treated"),
    profiles=("in_stent",),
    methods=tuple(method for method in METHODS if method != LEARNED),
)
PLAN_WITH_LEARNERS = PLAN.model_copy(update={"methods": METHODS})


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


def scored(scenario: Scenario, lesions: int, seed: int, plan: Plan = PLAN) -> list[Scored]:
    """Every method's answer on every endpoint."""
    service = invent(lesions, seed, scenario)
    found = estimate(derive(service.tables, plan).lesions, plan)
    made = [_of_comparison(one, found, service) for one in found.comparisons if _asked(one)]
    made += _ungated(found, service)
    if scenario.hidden:
        made.append(_widened(found, service, scenario, plan.primary_endpoint))
    return made


def _asked(one: Comparison) -> bool:
    """Each method in one population: matching in that of lesions started from below, which it answers for, all others in the overlap population."""
    wanted = "treated" if one.method == MATCHED else "overlap"
    return one.profile == "all" and one.method in METHODS and (one.method == "crude" or one.population == wanted)


def _of_comparison(one: Comparison, found: Estimates, service: Service) -> Scored:
    # The plain figures and the complete cases are held against what is asked: the overlap population of all lesions.
    population = "treated" if one.method == MATCHED else "overlap"
    truth = service.truth_summary.difference(one.endpoint, population)
    effect = one.effects[0] if one.effects else None
    if effect is None or effect.estimate is None or effect.lower is None or effect.upper is None:
        return Scored(one.endpoint, one.method, truth)
    answers = found.answers.get((one.endpoint, one.method, one.population))
    pooled = answers.pooled[0] if answers is not None else None
    # Of the other methods only the interval is handed on: their error is read off it as if it were a normal one.
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


def _widened(found: Estimates, service: Service, scenario: Scenario, name: str) -> Scored:
    """The primary interval widened for a hidden trait exactly as strong as the one that is there."""
    truth = service.truth_summary.difference(name, "overlap")
    pooled = found.answers[name, PRIMARY, "overlap"].pooled[0]
    interval = None if pooled is None else bounded(found.study, name, pooled.difference, service.truth, scenario)
    if interval is None or pooled is None:
        return Scored(name, WIDENED, truth)
    difference = pooled.difference
    return Scored(name, WIDENED, truth, difference.value, difference.standard_error, interval.lower, interval.upper)
