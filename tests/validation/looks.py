"""How often a service without a true difference claims one in some quarter, and what is paid for never doing so.

    python -m tests.validation.looks            # the table of docs/methods.md, about four minutes
    python -m tests.validation.looks --services 200

Two processes: `normal_process`, estimates drawn from the canonical joint distribution, with standard errors known or estimated from few;
and `growing_services`, real estimates on an invented service's growing data, in which patients come back in later quarters.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from models.comparison import weighted_risks
from models.logistic import expit, fit_logistic
from models.propensity import Design, Term, fit_score
from models.repeated_looks import Look, LookInterval, LookMethod, valid_over_looks
from models.weights import balancing_weights, effective_clusters

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

METHODS: tuple[LookMethod, ...] = ("open_ended", "obrien_fleming", "pocock", "confidence_sequence")
QUARTERS = 12
PER_QUARTER = 125  # 1,500 lesions after three years
LEVEL = 0.95

Estimator = Callable[[Floats, Floats, Floats, Integers], tuple[float, float, float] | None]
"""(covariates (p, n), treated, outcome, cluster) -> estimate, standard error, effective patients of the smaller arm; None when withheld."""


@dataclass(frozen=True, slots=True)
class Claims:
    """Over many services: the share in which some look claimed a difference, and where looks stood.

    `ever` by look: share with a claim at or before it. `width`: mean half-width in the estimate's units by look, None where no
    service had an interval. `held`: share of services in which all intervals held the truth.
    """

    services: int
    ever: tuple[float, ...]
    width: tuple[float | None, ...]
    held: float


def normal_process(
    services: int, looks: int, seed: int, *, effect: float = 0.0, patients: int | None = None
) -> Iterator[list[Look]]:
    """Looks of services whose estimate is a difference of two running means of normal values with SD 1, `PER_QUARTER` more a look.

    `effect` is the true difference. With `patients` an arm has that many more a look and its spread is estimated (small services);
    otherwise the standard error is known.
    """
    rng = np.random.default_rng(seed)
    each = PER_QUARTER // 2 if patients is None else patients
    for _ in range(services):
        made: list[Look] = []
        values = rng.normal(size=(2, looks * each))
        values[1] += effect
        for k in range(1, looks + 1):
            seen = values[:, : k * each]
            variance = 2.0 / seen.shape[1] if patients is None else float(seen.var(axis=1, ddof=1).sum()) / seen.shape[1]
            df = float("inf")
            made.append(
                Look(2 * k * each, float(k * each), float(seen[1].mean() - seen[0].mean()), sqrt(variance), df)
            )
        yield made


def overlap_weighting(x: Floats, treated: Floats, outcome: Floats, cluster: Integers) -> tuple[float, float, float] | None:
    """The overlap difference by a logistic score, its standard error and the smaller arm's effective patients."""
    design = Design(tuple(Term(f"x{j}", f"x{j}", f"x{j}") for j in range(len(x) + 1)), np.vstack([np.ones(x.shape[1]), x]), ())
    score = fit_score(design, treated)
    if score.fit.failed_because is not None:
        return None
    found = weighted_risks(treated, outcome, cluster, "overlap", score)
    groups = int(cluster.max()) + 1
    gap = found.influence_1 - found.influence_0
    weight = balancing_weights(score.probability, treated, "overlap").weight
    smaller = min(effective_clusters(weight[treated == a], cluster[treated == a]) for a in (0, 1))
    return found.risk_1 - found.risk_0, sqrt(groups / (groups - 1) * float(gap @ gap)), smaller


def growing_services(
    services: int,
    looks: int,
    seed: int,
    *,
    effect: float = 0.0,
    per_quarter: int = PER_QUARTER,
    retrograde: float = 0.35,
    estimator: Estimator = overlap_weighting,
) -> Iterator[list[Look]]:
    """Looks of invented services: confounded approach, half of the patients with a second lesion, in any later quarter as likely as at once.

    `effect` moves the log odds of crossing for a start from below; `retrograde` is its share. The outcome has a patient's own part
    (SD 0.7 on the log odds), so that lesions of a patient are alike across looks.
    """
    rng = np.random.default_rng(seed)
    for _ in range(services):
        n = looks * per_quarter
        patients = round(n / 1.5)
        when = np.sort(rng.integers(0, n, size=n))
        first = np.arange(patients)
        owner = np.concatenate([first, rng.choice(first, size=n - patients, replace=False)])
        order = rng.permutation(n)  # any lesion may fall in any quarter
        owner = owner[order]
        _, cluster = np.unique(owner, return_inverse=True)
        frail = rng.normal(size=patients)
        x = rng.normal(size=(3, n)) * sqrt(0.7) + sqrt(0.3) * rng.normal(size=(3, patients))[:, owner]
        hard = 0.8 * x[0] + 0.5 * x[1] - 0.3 * x[2]
        treated = (rng.random(n) < expit(np.log(retrograde / (1 - retrograde)) + hard)).astype(np.float64)
        risk = expit(0.6 - 0.8 * hard + 0.7 * frail[owner] + effect * treated)
        outcome = (rng.random(n) < risk).astype(np.float64)
        made: list[Look] = []
        del when
        for k in range(1, looks + 1):
            m = k * per_quarter
            _, own = np.unique(cluster[:m], return_inverse=True)
            found = estimator(x[:, :m], treated[:m], outcome[:m], own)
            made.append(Look(m, 0.0, None, None) if found is None else Look(m, found[2], found[0], found[1]))
        yield made


def claims(
    histories: Sequence[Sequence[Look]], method: LookMethod | None, planned_n: int, truth: float = 0.0, first_effective_n: float | None = None
) -> Claims:
    """What `method` claims over `histories`; None for the fixed-look interval at every look."""
    ever = np.zeros(len(histories[0]))
    total = np.zeros(len(histories[0]))
    given = np.zeros(len(histories[0]))
    held = 0
    for history in histories:
        options = {} if first_effective_n is None else {"first_effective_n": first_effective_n}
        found = valid_over_looks(history, LEVEL, planned_n, method or "confidence_sequence", **options)
        claimed, all_hold = False, True
        for k, look in enumerate(found):
            lower, upper = _shown(look, fixed=method is None)
            if lower is not None and upper is not None:
                claimed |= not lower <= 0.0 <= upper
                all_hold &= lower <= truth <= upper
                total[k] += (upper - lower) / 2
                given[k] += 1
            ever[k] += claimed
        held += all_hold
    width = tuple(float(t / g) if g else None for t, g in zip(total, given, strict=True))
    return Claims(len(histories), tuple(ever / len(histories)), width, held / len(histories))


def _shown(look: LookInterval, *, fixed: bool) -> tuple[float | None, float | None]:
    if fixed:
        return look.fixed_lower, look.fixed_upper
    return look.lower, look.upper
