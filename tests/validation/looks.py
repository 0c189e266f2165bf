"""How often a service without a true difference claims one in some quarter, and what is paid for never doing so.

    python -m tests.validation.looks                      # the tables of docs/methods.md, some four minutes
    python -m tests.validation.looks --services 200

Two processes: `normal_process`, estimates drawn from the canonical joint distribution, with standard errors known or estimated from few
patients; and `growing_services`, real estimates on an invented service's growing data, in which patients come back in later quarters.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from models.comparison import weighted_risks
from models.logistic import expit
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
            variance = (
                2.0 / seen.shape[1] if patients is None else float(seen.var(axis=1, ddof=1).sum()) / seen.shape[1]
            )
            counts_for = np.inf if patients is None else float(k * each)
            made.append(Look(2 * k * each, counts_for, float(seen[1].mean() - seen[0].mean()), sqrt(variance)))
        yield made


def overlap_weighting(
    x: Floats, treated: Floats, outcome: Floats, cluster: Integers
) -> tuple[float, float, float] | None:
    """The overlap difference by a logistic score, its standard error and the smaller arm's effective patients."""
    design = Design(
        tuple(Term(f"x{j}", f"x{j}", f"x{j}") for j in range(len(x) + 1)), np.vstack([np.ones(x.shape[1]), x]), ()
    )
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
        first = np.arange(patients)
        owner = np.concatenate([first, rng.choice(first, size=n - patients, replace=False)])
        owner = rng.permutation(owner)  # any lesion may fall in any quarter
        frail = rng.normal(size=patients)
        x = rng.normal(size=(3, n)) * sqrt(0.7) + sqrt(0.3) * rng.normal(size=(3, patients))[:, owner]
        hard = 0.8 * x[0] + 0.5 * x[1] - 0.3 * x[2]
        treated = (rng.random(n) < expit(np.log(retrograde / (1 - retrograde)) + hard)).astype(np.float64)
        risk = expit(0.6 - 0.8 * hard + 0.7 * frail[owner] + effect * treated)
        outcome = (rng.random(n) < risk).astype(np.float64)
        made: list[Look] = []
        for k in range(1, looks + 1):
            m = k * per_quarter
            _, own = np.unique(owner[:m], return_inverse=True)
            found = estimator(x[:, :m], treated[:m], outcome[:m], own)
            made.append(Look(m, 0.0, None, None) if found is None else Look(m, found[2], found[0], found[1]))
        yield made


def claims(
    histories: Sequence[Sequence[Look]],
    method: LookMethod | None,
    planned_n: int,
    truth: float = 0.0,
    first_effective_n: float | None = None,
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


@dataclass(frozen=True, slots=True)
class Setting:
    """One table: how the looks come about, and where the clock stands at 1."""

    name: str
    histories: Callable[[int], Iterator[list[Look]]]
    planned_n: int
    looks: int
    share: float = 1.0  # of the services asked for


SETTINGS = (
    Setting("canonical, no effect", lambda s: normal_process(s, QUARTERS, 1), 1488, QUARTERS),
    Setting("canonical, no effect, 40 looks", lambda s: normal_process(s, 40, 2), 1488, 40, 0.125),
    Setting(
        "canonical, effect a single look finds in 80 %",
        lambda s: normal_process(s, QUARTERS, 3, effect=_found_in_80()),
        1488,
        QUARTERS,
    ),
    Setting("5 patients an arm a look, no effect", lambda s: normal_process(s, QUARTERS, 4, patients=5), 120, QUARTERS),
    Setting("services of 1,500 lesions, no effect", lambda s: growing_services(s, QUARTERS, 5), 1500, QUARTERS),
    Setting(
        "services of 1,500 lesions, effect",
        lambda s: growing_services(s, QUARTERS, 6, effect=0.45),
        1500,
        QUARTERS,
        0.5,
    ),
    Setting(
        "services of 300 lesions, no effect",
        lambda s: growing_services(s, QUARTERS, 7, per_quarter=25),
        300,
        QUARTERS,
        0.5,
    ),
    Setting(
        "services of 300 lesions, 12 % from below, no effect",
        lambda s: growing_services(s, QUARTERS, 8, per_quarter=25, retrograde=0.12),
        300,
        QUARTERS,
        0.5,
    ),
)


def _found_in_80() -> float:
    """The difference of two means that a two-sided 5 % test at the last of twelve looks finds with 80 % power."""
    return (1.959964 + 0.841621) * sqrt(2.0 / (QUARTERS * (PER_QUARTER // 2)))


def table(setting: Setting, services: int) -> str:
    """The setting's rows: share with a claim by looks 1, 4, 12 and the last, and the half-width relative to the fixed interval's."""
    histories = list(setting.histories(max(50, round(services * setting.share))))
    fixed = claims(histories, None, setting.planned_n)
    shown = sorted({1, 2, 4, QUARTERS, setting.looks})
    lines = [
        f"\n{setting.name} ({len(histories):,} services)\n",
        "| method | "
        + " | ".join(f"claim by look {k}" for k in shown)
        + " | "
        + " | ".join(f"width at {k}" for k in shown)
        + " |",
        "|---|" + "---:|" * (2 * len(shown)),
    ]
    for method in (None, *METHODS):
        found = fixed if method is None else claims(histories, method, setting.planned_n)
        ever = [f"{100 * found.ever[k - 1]:.1f} %" for k in shown]
        width = [_times(found.width[k - 1], fixed.width[k - 1]) for k in shown]
        lines.append(f"| {method or 'each look by itself'} | " + " | ".join(ever + width) + " |")
    return "\n".join(lines)


def _times(width: float | None, fixed: float | None) -> str:
    return "none" if width is None or fixed is None else f"{width / fixed:.2f} x"


def main() -> None:
    """Print every table."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--services", type=int, default=4000)
    services = ask.parse_args().services
    for setting in SETTINGS:
        print(table(setting, services), flush=True)


if __name__ == "__main__":
    main()
