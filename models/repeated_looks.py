"""Intervals and verdicts that stay right although the report is made again and again on growing data.

A 95 % interval is wrong once in twenty at one look. A service that looks each quarter and speaks up the first time that zero is outside
is wrong far more often: 25 in 100 after 12 looks under no effect (`docs/methods.md`). Here an interval is given for every look such that all
of them together hold the truth with probability `level` (repeated confidence intervals: Jennison & Turnbull 1989, J R Stat Soc B
51:305-361): estimate -/+ critical value x standard error, with a critical value larger than 1.96. Four ways:

`open_ended` (recommended): spends error as lesions come in, half of it by the planned number, the rest over whatever follows; exact for the
looks that were made. `obrien_fleming` and `pocock`: all is spent at the planned number, and no later look can claim anything.
These three are in `models.spending_boundaries`. `confidence_sequence`: the asymptotic confidence sequence of Waudby-Smith, Arbour, Sinha, Kennedy &
Ramdas (2024, Ann Stat 52:2613-2640, theorem 2.2), from the normal mixture of Robbins (1970, Ann Math Stat 41:1397-1409):

    half-width / SE = sqrt( (x + 1) / x * log((x + 1) / alpha^2) ),   x = n rho^2,

tightest at the planned n when x + 1 = -W_{-1}(-alpha^2 / e) there (Howard, Ramdas, McAuliffe & Sekhon 2021, Ann Stat 49:1055-1080,
proposition 3). It needs no list of earlier looks and allows one after every lesion, which is what it charges for.

Chosen by simulation (`tests/validation/looks.py`; 4,000 processes, twelve quarterly looks of 125 lesions, planned for 1,500):

                          a claim by look 12           half-width as a multiple of the single look's
                          no effect   effect (*)       look 1    look 2    look 4    look 12   look 40
    each look by itself     19.9 %      86.7 %          1.00      1.00      1.00      1.00      1.00
    open_ended               2.8 %      64.2 %          1.83      1.67      1.51      1.33      1.50
    obrien_fleming           4.9 %      78.5 %          3.92      2.74      1.90      1.07      none
    pocock                   5.1 %      70.0 %          1.38      1.37      1.33      1.27      none
    confidence_sequence      1.2 %      48.1 %          2.04      1.76      1.61      1.55      1.59
    (*) one that a single look at the 12th finds in 80 %. Simulation error: 0.3 % without, 0.8 % with it.

A service does not stop reporting, so a schedule with an end would fall silent, or be renewed for another 5 %. Of the two that go on, the
open-ended schedule is the narrower at each of the first forty looks. Where the planned number is certain and the last look is the one
that matters, `obrien_fleming` is better. Where nothing is known of earlier looks, only `confidence_sequence` holds.

What holds for each: the estimand is one and the same at every look; the estimate is asymptotically linear. Small samples: a normal critical value is
exchanged for that of Student's t at the same tail probability (Pocock 1977, Biometrika 64:191-199; Jennison & Turnbull 2000, Group
Sequential Methods, section 3.8), with the effective patients of the smaller arm less one as degrees of freedom (Welch's
are never fewer), and no look is made below `first_effective_n`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, isfinite, sqrt
from typing import Literal

import numpy as np
from scipy.special import lambertw, ndtr, stdtrit

from models.intervals import z_value
from models.spending_boundaries import spending_critical_values, spent

LookMethod = Literal["open_ended", "obrien_fleming", "pocock", "confidence_sequence"]
LookVerdict = Literal["favors retrograde", "favors antegrade", "no clear difference"]

RECOMMENDED: LookMethod = "open_ended"
# Effective patients of the smaller arm, as the gate on effective size. With Student's t fewer held the error too (tests/validation/looks.py).
FIRST_EFFECTIVE_N = 10.0
FEWEST_FOR_A_SPREAD = 2.0  # below, Student's t has no degree of freedom left
# Lesions that grew by less are the same data again: a look at them costs nothing.
SMALLEST_GROWTH = 0.002
# 1 / variance is itself estimated and may fall although lesions came in. It is taken to grow by at least this share of the lesions' growth.
LEAST_GAIN = 0.5
# Where no number of lesions is planned: the first look's, times this. Our choice: of multiples from 1 to 12, critical values stay between
# 2.4 and 3.0 over twelve looks both for a service that starts from nothing and for one whose first report holds three years.
PLANNED_PER_FIRST = 3.0


@dataclass(frozen=True, slots=True)
class Look:
    """One report's estimate on the data up to then.

    `n`: lesions so far. `effective_n`: Kish's size of the smaller arm in patients (`models.weights.effective_clusters`).
    `estimate` and `standard_error` on a scale where the interval is symmetric (a risk difference, a log ratio). Both None when the
    estimate was withheld; `estimate` alone None for a look that was made but of which only the size is known (`looks_made_before`).
    `degrees_of_freedom` of the report's own interval: infinite for a normal one, Barnard & Rubin's after multiple imputation.
    """

    n: int
    effective_n: float
    estimate: float | None
    standard_error: float | None
    degrees_of_freedom: float = inf


@dataclass(frozen=True, slots=True)
class LookInterval:
    """One look's two intervals: `fixed_...` as if it were the only look, `lower` and `upper` valid over all looks.

    `critical_value`: half-width of the latter in standard errors. `spent`: error used up to this look, None for the confidence
    sequence. Where there is no interval, the limits are None, the verdict is "no clear difference" and `withheld_because` says why.
    """

    n: int
    estimate: float | None
    fixed_lower: float | None
    fixed_upper: float | None
    fixed_verdict: LookVerdict
    critical_value: float | None
    lower: float | None
    upper: float | None
    verdict: LookVerdict
    spent: float | None
    withheld_because: str | None


def valid_over_looks(
    looks: Sequence[Look],
    level: float,
    planned_n: int | None = None,
    method: LookMethod = RECOMMENDED,
    *,
    positive_favors: Literal["retrograde", "antegrade"] = "retrograde",
    first_effective_n: float = FIRST_EFFECTIVE_N,
) -> tuple[LookInterval, ...]:
    """Both intervals and verdicts for each of `looks`, in the order in which they were made (the last is today's).

    `level` (0.95 ...) is shared by all looks. `planned_n` lesions: where the confidence sequence is tightest and the clock of the spending
    schedules stands at 1; to be set before results are seen; None for `PLANNED_PER_FIRST` times the first look's. `positive_favors`: the approach that a positive estimate speaks for (antegrade
    for a complication). A look whose estimate was withheld, or with fewer than `first_effective_n` effective patients in an arm,
    claims nothing and uses up nothing. Adding a look changes none of the earlier ones. ValueError if level or planned_n is out of range.
    """
    if not 0.0 < level < 1.0 or (planned_n is not None and planned_n <= 0):
        raise ValueError("level lies between 0 and 1 and planned_n above 0")
    alpha = 1.0 - level
    refusals = [_refusal(look, first_effective_n) for look in looks]
    counted = [look for look, refusal in zip(looks, refusals, strict=True) if refusal is None]
    planned = float(planned_n or PLANNED_PER_FIRST * (counted[0].n if counted else 1))
    values = iter(_critical_values(counted, alpha, planned, method))
    made: list[LookInterval] = []
    furthest = 0
    for look, refusal in zip(looks, refusals, strict=True):
        critical = None if refusal is not None else next(values)
        furthest = max(furthest, look.n if refusal is None else 0)
        used = None if method == "confidence_sequence" else 0.0
        if method != "confidence_sequence" and furthest:
            used = spent(method, alpha, furthest / planned)
        made.append(_interval(look, refusal, critical, used, level, positive_favors))
    return tuple(made)


def looks_made_before(today: Look, sizes: Sequence[int]) -> tuple[Look, ...]:
    """Earlier looks of which only the lesions then are known: their standard errors and effective sizes are scaled from today's.

    Enough for today's interval, whose critical value depends on when looks were made and not on what they showed. `sizes` in order; only
    those below today's are used (a size as large is today's data). ValueError if today has no standard error.
    """
    if today.standard_error is None:
        raise ValueError("today's look has no standard error to scale from")
    return tuple(
        Look(n, today.effective_n * n / today.n, None, today.standard_error * sqrt(today.n / n))
        for n in sizes
        if 0 < n < today.n
    )


def mixture_critical_value(n: float, planned_n: float, alpha: float) -> float:
    """Half-width in standard errors of the asymptotic confidence sequence at `n` lesions, tightest at `planned_n`."""
    ratio = _best_mixture(alpha) * n / planned_n
    return sqrt((ratio + 1.0) / ratio * np.log((ratio + 1.0) / alpha**2))


def _best_mixture(alpha: float) -> float:
    """n rho^2 for which the boundary at n is lowest: the root of u = 1 + log(u / alpha^2), less 1."""
    return float(-lambertw(-(alpha**2) * exp(-1.0), -1).real) - 1.0


def _critical_values(looks: Sequence[Look], alpha: float, planned_n: float, method: LookMethod) -> list[float]:
    if method == "confidence_sequence":
        return [mixture_critical_value(look.n, planned_n, alpha) for look in looks]
    information: list[float] = []
    times: list[float] = []
    stage: list[int] = []  # at which step of the process each look stands
    reached = 0
    for look in looks:
        if look.n > reached * (1.0 + SMALLEST_GROWTH):
            known = 1.0 / float(look.standard_error or inf) ** 2
            growth = look.n / reached - 1.0 if reached else 0.0
            least = information[-1] * (1.0 + LEAST_GAIN * growth) if information else 0.0
            information.append(max(known, least))
            times.append(look.n / planned_n)
            reached = look.n
        stage.append(len(times) - 1)
    values = spending_critical_values(information, times, alpha, method)
    return [values[j] for j in stage]


def _refusal(look: Look, first_effective_n: float) -> str | None:
    if look.standard_error is None:
        return "There was no estimate at this look."
    if not (isfinite(look.estimate or 0.0) and isfinite(look.standard_error) and look.standard_error > 0.0):
        return "The estimate at this look has no usable standard error."
    fewest = max(first_effective_n, FEWEST_FOR_A_SPREAD)
    if look.effective_n < fewest:
        return f"Too early: the smaller arm counts for {look.effective_n:.1f} patients, and looks begin at {fewest:g}."
    return None


def _interval(
    look: Look,
    refusal: str | None,
    critical: float | None,
    used: float | None,
    level: float,
    positive_favors: Literal["retrograde", "antegrade"],
) -> LookInterval:
    fixed_half = half = lasting = None
    if refusal is None and look.estimate is None:
        refusal = "Of this earlier look only the size is known."
    if look.estimate is not None and look.standard_error is not None and isfinite(look.standard_error):
        fixed_half = student(z_value(level), look.degrees_of_freedom) * look.standard_error
        if critical is not None:
            if isfinite(critical):
                lasting = student(critical, min(look.degrees_of_freedom, look.effective_n - 1.0))
                half = lasting * look.standard_error
            else:
                refusal = "All of the error was spent at earlier looks; a new plan is needed before another claim."
    fixed_lower, fixed_upper = _limits(look.estimate, fixed_half)
    lower, upper = _limits(look.estimate, half)
    return LookInterval(
        n=look.n,
        estimate=look.estimate,
        fixed_lower=fixed_lower,
        fixed_upper=fixed_upper,
        fixed_verdict=_verdict(fixed_lower, fixed_upper, positive_favors),
        critical_value=lasting,
        lower=lower,
        upper=upper,
        verdict=_verdict(lower, upper, positive_favors),
        spent=used,
        withheld_because=refusal,
    )


def student(critical: float, degrees_of_freedom: float) -> float:
    """The t quantile with the tail probability that `critical` (> 0) has under the normal; `critical` itself for infinite degrees."""
    if not isfinite(degrees_of_freedom):
        return critical
    return float(-stdtrit(degrees_of_freedom, float(ndtr(-critical))))


def _limits(estimate: float | None, half: float | None) -> tuple[float | None, float | None]:
    if estimate is None or half is None:
        return None, None
    return estimate - half, estimate + half


def _verdict(
    lower: float | None, upper: float | None, positive_favors: Literal["retrograde", "antegrade"]
) -> LookVerdict:
    if lower is None or upper is None or lower <= 0.0 <= upper:
        return "no clear difference"
    return "favors retrograde" if (lower > 0.0) == (positive_favors == "retrograde") else "favors antegrade"
