"""Does the self-check pass what works and hold back what does not, and does the difference it calls detectable get detected?

    python -m tests.validation.plasmode                   # the table of docs/methods.md, about two minutes
    python -m tests.validation.plasmode --services 20

Each invented service has its own self-check, for a sound method and for broken ones; beside it stands what the same method does over
services with outcomes from the true risks.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from models.checked_estimators import Answer, Estimator, weighting_estimator
from models.logistic import expit
from models.propensity import Design, Term, fit_score
from models.self_check import SelfCheck, self_check
from models.simulated_outcomes import Replicate, SimulatedService, fitted_risk, patient_correlation

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

LEVEL = 0.95
MARGIN = 0.05
SPARSE_CELL = 5.0
CORRELATION = 0.3  # of a patient's lesions, latent
ANSWERS_PER_CHECK = 10  # services that only answer, for each that checks itself too


@dataclass(frozen=True, slots=True)
class Invented:
    """One invented service: the score's design, the approach, patients, an outcome without any effect, and the true risks."""

    design: Design
    treated: Floats
    cluster: Integers
    outcome: Floats
    risk: Floats


def invent(seed: int, patients: int = 1000, *, curved: float = 0.0, confounded: float = 1.0) -> Invented:
    """A service of 1.5 lesions a patient. `confounded` scales how far approach follows difficulty; 0 is a randomized service.

    `curved` bends both score and risk by the square of a trait that the design holds as a straight line only.
    """
    rng = np.random.default_rng(seed)
    n = patients * 3 // 2
    owner = np.concatenate([np.arange(patients), rng.choice(patients, n - patients, replace=False)])
    cluster = np.sort(owner)
    x = rng.normal(size=(4, n))
    bend = curved * (x[0] ** 2 - 1.0)
    score = expit(-0.6 + confounded * (0.8 * x[0] + 0.5 * x[1] - 0.3 * x[2] + bend))
    risk = expit(0.6 - 0.8 * x[0] - 0.4 * x[1] + 0.3 * x[3] - bend)
    treated = (rng.random(n) < score).astype(np.float64)
    latent = np.sqrt(CORRELATION) * rng.normal(size=patients)[cluster] + np.sqrt(1 - CORRELATION) * rng.normal(size=n)
    outcome = (latent < ndtri(risk)).astype(np.float64)
    terms = tuple(Term(f"x{j}", f"x{j}", f"x{j}") for j in range(5))
    return Invented(Design(terms, np.vstack([np.ones(n), x]), ()), treated, cluster, outcome, risk)


def simulated(made: Invented, risk: Floats | None = None) -> SimulatedService:
    """What the service's self-check draws from: risks fitted to its own outcomes, or those given."""
    fitted = fitted_risk(made.design, made.treated, made.outcome) if risk is None else risk
    score = fit_score(made.design, made.treated)
    alike = patient_correlation(made.outcome, fitted, made.cluster)
    return SimulatedService(fitted, score.probability, made.treated, made.cluster, "overlap", alike)


def sound(made: Invented) -> Estimator:
    """Overlap weighting."""
    return weighting_estimator(made.design, made.cluster, "overlap", LEVEL, SPARSE_CELL)


def plain(made: Invented) -> Estimator:
    """The plain difference, which takes no account of who was started from below."""
    return weighting_estimator(made.design, made.cluster, "observed", LEVEL, SPARSE_CELL)


def overconfident(made: Invented) -> Estimator:
    """Overlap weighting with intervals half as wide as they should be."""
    honest = sound(made)

    def answer(replicate: Replicate) -> Answer | None:
        found = honest(replicate)
        if found is None:
            return None
        quarter = (found.upper - found.lower) / 4
        return Answer(found.estimate, found.estimate - quarter, found.estimate + quarter, found.standard_error / 2)

    return answer


def check(
    made: Invented, estimator: Estimator, seed: int, replicates: int = 200, risk: Floats | None = None
) -> SelfCheck:
    """The self-check as a run makes it."""
    return self_check(simulated(made, risk), estimator, level=LEVEL, margin=MARGIN, seed=seed, replicates=replicates)


@dataclass(frozen=True, slots=True)
class Case:
    """One row of the table."""

    name: str
    method: Callable[[Invented], Estimator]
    patients: int = 1000
    curved: float = 0.0
    true_risks: bool = False


CASES = (
    Case("overlap weighting, 1,500 lesions", sound),
    Case("overlap weighting, 300 lesions", sound, patients=200),
    Case("plain difference, 1,500 lesions", plain),
    Case("standard errors halved, 1,500 lesions", overconfident),
    Case("score and risks curved, straight score, 1,500 lesions", sound, curved=0.5),
    Case("the same, with the true risks given", sound, curved=0.5, true_risks=True),
)


def row(case: Case, services: int) -> str:
    """The case's row: verdicts, what the self-checks say of coverage and error, and what is so over services without an effect."""
    verdicts: Counter[str] = Counter()
    checks: list[SelfCheck] = []
    for seed in range(1, services + 1):
        made = invent(seed, case.patients, curved=case.curved)
        found = check(made, case.method(made), seed, risk=made.risk if case.true_risks else None)
        verdicts[found.verdict] += 1
        checks.append(found)
    answers: list[Answer] = []
    for seed in range(1, ANSWERS_PER_CHECK * services + 1):
        made = invent(seed, case.patients, curved=case.curved)
        answer = case.method(made)(Replicate(0, made.treated, made.outcome))
        answers += [answer] if answer else []
    covered = np.mean([a.lower <= 0.0 <= a.upper for a in answers])
    spread = np.std([a.estimate for a in answers], ddof=1)
    return (
        f"| {case.name} | {verdicts['pass']} | {verdicts['caution']} | {verdicts['withhold']} "
        f"| {100 * _mean(c.coverage for c in checks):.1f} % | {100 * covered:.1f} % "
        f"| {100 * _mean(c.standard_error for c in checks):.2f} | {100 * spread:.2f} "
        f"| {100 * _mean(c.effects[0].bias for c in checks):+.2f} | {100 * np.mean([a.estimate for a in answers]):+.2f} "
        f"| {100 * _mean(c.detectable_difference for c in checks):.1f} | {100 * _mean(c.power_found for c in checks):.0f} % |"
    )


def _mean(values) -> float:
    return float(np.mean([v for v in values if v is not None]))


HEADING = (
    "| method and service | pass | caution | withheld | coverage, self-check | coverage, services | SE, self-check | SD, services "
    "| bias, self-check | bias, services | detectable | found |\n|---|" + "---:|" * 11
)


def main() -> None:
    """Print the table; differences in points."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--services", type=int, default=100)
    services = ask.parse_args().services
    print(HEADING)
    for case in CASES:
        print(row(case, services), flush=True)


if __name__ == "__main__":
    main()
