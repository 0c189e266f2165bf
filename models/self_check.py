"""The self-check: would this very method, on this very service, have found an effect that is known?

Outcomes are drawn for the service's own lesions (`models.simulated_outcomes`) with no effect, with an effect of the plan's margin, and with the
smallest effect that the history should be able to show. The estimator that the report uses answers each, and its answers are held
against the truth: bias, coverage, empirical against claimed standard error (measures and their simulation errors as in Morris, White &
Crowther 2019, Stat Med 38:2074-2102, table 6).

**The approach is kept as it was.** A redraw from the fitted score would make that score right by construction, and the check could not fail
where it is wrong; kept, whatever the score's form misses is still there to bias the answer. It is cheap too: cross-fitted scores stay as
they are and only what involves the outcome is fitted again. The price: nothing is learned of the variation that comes from which
lesions were started from below, so that the empirical standard error is a little too small, and coverage a little too high, where the
effect differs between lesions. `approach="redrawn"` is there for a check of that; the estimator must then fit the score again.

**Large services.** `subsample_patients` picks whole patients, and `of_patients` scales the standard errors: what is checked then is this
method on a smaller service like this one. **Missing values** stay where they are when the estimator is given its own completed traits
and `risk` comes from one completed set; the estimator may also blank and complete them again for each replicate.

**What it cannot see**: confounding by what no column records, an effect of another shape than one shift of the log odds, and a form of
risk that the model behind `risk` does not have. It says that the method works where the world is as the model says.

**Thresholds.** With 200 replicates the upper Wilson limit falls below 0.90 when at most 171 intervals hold the truth: by chance alone 3 in
10^7 at a true coverage of 95 %, 3 in 4 at 84 %, and always at 67 %, that of standard errors half of what they should be.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import sqrt

import numpy as np
from scipy.special import ndtri

from models.checked_estimators import Answer, Estimator
from models.intervals import wilson, z_value
from models.results import GateVerdict
from models.simulated_outcomes import ApproachDrawn, SimulatedService, draw, risk_from_below

LOWEST_COVERAGE = 0.90  # a 95 % interval that misses twice as often as it says; our choice, no source
LARGEST_STANDARDIZED_BIAS = (
    0.4  # standard errors; beyond, coverage falls below 93 % (Collins, Schafer & Kam 2001, Psychol Methods 6:330-351)
)
LEAST_ANSWERED = (
    0.5  # share of replicates with an estimate; fewer, and those that have one are a selection. Our choice, no source
)
SURE = 0.95  # level of the intervals for simulation error: a verdict is held back only where chance in the draws does not explain it
FEWEST_REPLICATES = 15


@dataclass(frozen=True, slots=True)
class EffectCheck:
    """The method under one known `effect` (risk difference). `bias_error` and `empirical_se_error` are simulation errors.

    `claimed`: share of the answers whose interval leaves out zero. Intervals for shares are Wilson's at 95 %.
    """

    effect: float
    replicates: int
    answered: int
    bias: float
    bias_error: float
    coverage: float
    coverage_lower: float
    coverage_upper: float
    empirical_se: float
    empirical_se_error: float
    mean_se: float
    mean_width: float
    claimed: float
    claimed_lower: float
    claimed_upper: float


@dataclass(frozen=True, slots=True)
class SelfCheck:
    """The whole check. `effects`: none, the margin, the smallest detectable, as far as they could be simulated.

    Coverage is pooled over them. `detectable_difference`: found with probability `power` by an interval of the plan's level;
    `detectable_over_looks` by the interval valid over all looks, None when not asked. `scaled_by`: what standard errors were multiplied by because
    only some of the patients were simulated, 1 when all were. `reasons`: sentences for a verdict other than "pass".
    """

    effects: tuple[EffectCheck, ...]
    replicates: int
    answered: int
    coverage: float | None
    coverage_lower: float | None
    coverage_upper: float | None
    standard_error: float | None
    detectable_difference: float | None
    detectable_over_looks: float | None
    power: float
    power_found: float | None
    power_lower: float | None
    power_upper: float | None
    correlation: float
    scaled_by: float
    verdict: GateVerdict
    reasons: tuple[str, ...]


def self_check(
    service: SimulatedService,
    estimator: Estimator,
    *,
    level: float,
    margin: float,
    seed: int,
    replicates: int = 200,
    power: float = 0.8,
    critical_value: float | None = None,
    approach: ApproachDrawn = "kept",
    lowest_coverage: float = LOWEST_COVERAGE,
    largest_standardized_bias: float = LARGEST_STANDARDIZED_BIAS,
    of_patients: int | None = None,
) -> SelfCheck:
    """Run `estimator` on `replicates` simulated histories (a third for each effect) and judge it.

    `margin`: the smallest difference that matters, a fraction. `critical_value`: of today's interval valid over looks, in standard errors.
    `of_patients`: how many the whole service has, when `service` holds a subsample of them (`subsample_patients`): standard errors
    and detectable differences are then scaled by the root of the ratio. What is checked in that case is the method on a smaller service like
    this one; bias that does not shrink with size would weigh more in the whole service than here, and that is not seen.

    The verdict is `withhold` when the upper limit of coverage (Wilson, 95 %) lies below `lowest_coverage`, when for some effect the bias
    exceeds `largest_standardized_bias` standard errors by more than simulation error, or when fewer than half of the replicates had an
    estimate; `caution` when coverage is below `level` beyond simulation error, or the mean bias over
    the effects is above that limit. ValueError below 15 replicates.
    """
    if replicates < FEWEST_REPLICATES:
        raise ValueError(f"at least {FEWEST_REPLICATES} replicates")
    each = [b - a for a, b in pairwise(replicates * j // 3 for j in range(4))]
    one_arm = float(service.treated.min()) == float(service.treated.max())
    runs = [_Run(0, 0, None, "All lesions were started by one approach.")] if one_arm else []
    if not one_arm:
        runs = [_run(service, estimator, e, each[j], (seed, j), approach) for j, e in enumerate((0.0, margin))]
    error = _pooled_error(runs)
    detectable = None if error is None else (z_value(level) + float(ndtri(power))) * error
    if detectable is not None:
        runs.append(_run(service, estimator, detectable, each[2], (seed, 2), approach))
    confirmed = runs[2].check if len(runs) > 2 else None
    answered = sum(run.answered for run in runs)
    held = sum(round(run.check.coverage * run.answered) for run in runs if run.check)
    limits = wilson(held, answered, SURE) if answered else (None, None)
    verdict, reasons = _judge(runs, limits[1], level, lowest_coverage, largest_standardized_bias)
    error = _pooled_error(runs)
    scaled_by = 1.0 if of_patients is None else sqrt((int(service.cluster.max()) + 1) / of_patients)
    scaled = None if error is None else error * scaled_by
    return SelfCheck(
        effects=tuple(run.check for run in runs if run.check),
        replicates=sum(run.asked for run in runs),
        answered=answered,
        coverage=held / answered if answered else None,
        coverage_lower=limits[0],
        coverage_upper=limits[1],
        standard_error=scaled,
        detectable_difference=None if detectable is None else detectable * scaled_by,
        detectable_over_looks=None
        if scaled is None or critical_value is None
        else (critical_value + float(ndtri(power))) * scaled,
        power=power,
        power_found=confirmed.claimed if confirmed else None,
        power_lower=confirmed.claimed_lower if confirmed else None,
        power_upper=confirmed.claimed_upper if confirmed else None,
        correlation=service.correlation,
        scaled_by=scaled_by,
        verdict=verdict,
        reasons=reasons,
    )


@dataclass(frozen=True, slots=True)
class _Run:
    """All replicates of one effect; `check` is None where fewer than two had an estimate or none could be drawn."""

    asked: int
    answered: int
    check: EffectCheck | None
    remark: str | None


def _run(
    service: SimulatedService,
    estimator: Estimator,
    effect: float,
    replicates: int,
    seed: tuple[int, int],
    approach: ApproachDrawn,
) -> _Run:
    """The check under one effect, or under its opposite where risks leave no room for it."""
    for truth in (effect, -effect):
        below = risk_from_below(service, truth, approach)
        if below is not None:
            break
    else:
        room = f"A difference of {100 * effect:.1f} points could not be simulated: the risks leave no room for it."
        return _Run(0, 0, None, room)
    histories = (draw(service, below, approach, number, seed) for number in range(replicates))
    answers = [answer for history in histories if (answer := estimator(history)) is not None]
    check = _measured(truth, replicates, answers) if len(answers) >= 2 else None
    return _Run(replicates, len(answers), check, None)


def _measured(truth: float, replicates: int, answers: list[Answer]) -> EffectCheck:
    estimates = np.array([a.estimate for a in answers])
    errors = np.array([a.standard_error for a in answers])
    lower, upper = np.array([a.lower for a in answers]), np.array([a.upper for a in answers])
    n = len(answers)
    spread = float(estimates.std(ddof=1))
    covers = int(((lower <= truth) & (truth <= upper)).sum())
    claims = int(((lower > 0.0) | (upper < 0.0)).sum())
    return EffectCheck(
        effect=truth,
        replicates=replicates,
        answered=n,
        bias=float(estimates.mean()) - truth,
        bias_error=spread / sqrt(n),
        coverage=covers / n,
        coverage_lower=wilson(covers, n, SURE)[0],
        coverage_upper=wilson(covers, n, SURE)[1],
        empirical_se=spread,
        empirical_se_error=spread / sqrt(2.0 * (n - 1)),
        mean_se=sqrt(float((errors**2).mean())),
        mean_width=float((upper - lower).mean()),
        claimed=claims / n,
        claimed_lower=wilson(claims, n, SURE)[0],
        claimed_upper=wilson(claims, n, SURE)[1],
    )


def _pooled_error(runs: list[_Run]) -> float | None:
    """Root mean square, over the effects, of the spread of the estimates; None where there is none."""
    found = [(run.answered - 1, run.check.empirical_se) for run in runs if run.check]
    if not found:
        return None
    error = sqrt(sum(df * spread**2 for df, spread in found) / sum(df for df, _ in found))
    return error if error > 0.0 else None


def _judge(
    runs: list[_Run], highest: float | None, level: float, lowest_coverage: float, largest_bias: float
) -> tuple[GateVerdict, tuple[str, ...]]:
    """The verdict and, worst first, the sentences that give its reasons. `highest`: upper limit of the pooled coverage."""
    remarks = tuple(run.remark for run in runs if run.remark)
    asked, answered = sum(run.asked for run in runs), sum(run.answered for run in runs)
    if highest is None or answered < LEAST_ANSWERED * asked:
        why = f"Only {answered} of {asked} simulated histories had an estimate."
        return "withhold", (why, *remarks)
    checks = [run.check for run in runs if run.check]
    shifts = [(check.answered, check.bias / check.empirical_se) for check in checks if check.empirical_se > 0.0]
    seen = abs(sum(n * shift for n, shift in shifts)) / max(1, sum(n for n, _ in shifts))
    bias = max((_sure_bias(check) for check in checks), default=0.0)
    covered = f"In simulated histories the interval held the truth at most {100 * highest:.0f} % of the time"
    shifted = f"In simulated histories the estimate was off by at least {bias:.1f} of its standard errors"
    held_back: list[str] = []
    doubts: list[str] = []
    if highest < lowest_coverage:
        held_back.append(f"{covered}; the plan asks for {100 * lowest_coverage:.0f} %.")
    elif highest < level:
        doubts.append(f"{covered}, which is less than the {100 * level:.0f} % that it claims.")
    if bias > largest_bias:
        held_back.append(f"{shifted}; the plan allows {largest_bias:g}.")
    elif seen > largest_bias:
        doubts.append(
            f"In simulated histories the estimate was off by {seen:.1f} of its standard errors, which may be chance."
        )
    if held_back:
        return "withhold", (*held_back, *doubts, *remarks)
    return ("caution" if doubts else "pass"), (*doubts, *remarks)


def _sure_bias(check: EffectCheck) -> float:
    """Bias in standard errors, less what simulation error (95 %) may have added; 0 where that is all of it."""
    if check.empirical_se <= 0.0:
        return 0.0
    return max(0.0, abs(check.bias) - z_value(SURE) * check.bias_error) / check.empirical_se
