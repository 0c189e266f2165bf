"""Many invented services with a known truth: what the pipeline's own estimate step gets right, and how often."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context

import numpy as np

from pipeline.derive import derive
from pipeline.estimate import estimate
from pipeline.plan import Plan
from pipeline.plan_parts import Imputation
from synthetic_data.scenario import Scenario
from synthetic_data.service import invent
from tests.validation.run import one_thread_each

ENDPOINTS = ("first_approach_crossed", "crossed_in_session")
FIRST_SEED = 1
COMPLETE = "overlap, complete cases"  # held against the truth of all lesions of the overlap population
# For time five completed data sets instead of up to twenty, and of the other methods those held against the truth; everything else as users have it.
PLAN = Plan(imputation=Imputation(datasets=5), methods=("crude", "doubly_robust", "weighting", "complete_case"))


@dataclass(frozen=True, slots=True)
class Answer:
    """One estimate beside its truth; `estimate` None when withheld. Risk differences as fractions."""

    endpoint: str
    population: str
    profile: str
    truth: float
    crude: float | None
    estimate: float | None
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True)
class Summary:
    """Over many services, in percentage points: `bias` with its simulation error, coverage (0-1), and what was withheld."""

    services: int
    withheld: int
    truth: float
    crude: float
    bias: float
    bias_error: float
    spread: float
    mean_error: float
    coverage: float


def answers(
    scenario: Scenario, lesions: int, services: int, first_seed: int = FIRST_SEED, plan: Plan = PLAN
) -> list[list[Answer]]:
    """The primary method's answers of each service, seeds in order; two processes."""
    jobs = [(scenario, lesions, seed, plan) for seed in range(first_seed, first_seed + services)]
    # Spawned, not forked: polars keeps threads that a fork would leave locked.
    with one_thread_each(), ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        return list(pool.map(_one_service, jobs, chunksize=5))


def _one_service(job: tuple[Scenario, int, int, Plan]) -> list[Answer]:
    scenario, lesions, seed, plan = job
    service = invent(lesions, seed, scenario)
    found = estimate(derive(service.tables, plan).lesions, plan)
    crude = {(c.endpoint, c.profile): c for c in found.comparisons if c.method == "crude"}
    made = []
    for c in found.comparisons:
        if c.method not in (plan.primary_method, "complete_case") or c.profile.startswith("glass_stage"):
            continue
        plain = crude[c.endpoint, c.profile]
        effect = c.effects[0] if c.effects else None
        made.append(
            Answer(
                c.endpoint,
                COMPLETE if c.method == "complete_case" else c.population,
                c.profile,
                service.truth_summary.difference(c.endpoint, c.population, c.profile),
                plain.effects[0].estimate if plain.effects else None,
                effect.estimate if effect else None,
                effect.lower if effect else None,
                effect.upper if effect else None,
            )
        )
    return made


def summarize(found: list[Answer]) -> Summary:
    """What a list of answers to the same question amounts to."""
    given = [a for a in found if a.estimate is not None and np.isfinite(a.truth)]
    error = np.array([a.estimate - a.truth for a in given])
    halves = np.array([(a.upper - a.lower) / 2 / 1.959964 for a in given])
    return Summary(
        services=len(found),
        withheld=len(found) - len(given),
        truth=100 * float(np.mean([a.truth for a in given])),
        crude=100 * float(np.mean([a.crude for a in given if a.crude is not None])),
        bias=100 * float(error.mean()),
        bias_error=100 * float(error.std(ddof=1) / np.sqrt(len(error))),
        spread=100 * float(error.std(ddof=1)),
        mean_error=100 * float(halves.mean()),
        coverage=float(np.mean([a.lower <= a.truth <= a.upper for a in given])),
    )


HEADING = (
    "| scenario | gaps | lesions | endpoint | population | truth | crude | bias (simulation error) | SD | mean SE | coverage | withheld |\n"
    "|---|---|---|---|---|---|---|---|---|---|---|---|"
)


def line(scenario: Scenario, lesions: int, endpoint: str, population: str, s: Summary) -> str:
    """One row of the table that `make validate` prints; points, and per cent for coverage."""
    return (
        f"| {scenario.name} | {scenario.missing:g} | {lesions:,} | {endpoint} | {population} | {s.truth:+.2f} | {s.crude:+.2f} "
        f"| {s.bias:+.2f} ({s.bias_error:.2f}) | {s.spread:.2f} | {s.mean_error:.2f} | {100 * s.coverage:.1f} % | {s.withheld} of {s.services} |"
    )
