"""Operators' preference as an instrument: what the answer is when only who happened to operate decides the approach.

An operator's habit, told from their other lesions, sways the approach and, it is supposed, nothing else that bears on the outcome given the measured traits (Brookhart, Wang,
Solomon & Schneeweiss 2006, Epidemiology 17:268-275). It needs no record of the traits that sway the approach, but it does need that operators who
prefer one approach do not differ in skill or in the lesions sent to them, and it speaks only of lesions in which preference decides (a local effect:
Angrist, Imbens & Rubin 1996, J Am Stat Assoc 91:444-455, when no operator does the opposite of their habit). It is a check beside
the main answer, not a replacement: its interval is wide, and wrong where the instrument is weak.

With one instrument everything comes from two regressions on it and the covariates: of the outcome (rho) and of the approach (pi). Two-stage
least squares is rho/pi; the test of Anderson & Rubin (1949, Ann Math Stat 20:46-63) asks for which b rho - b pi is near zero, and holds its error however weak
the instrument is. Errors are clustered by operator by leaving out each operator in turn (jackknife, CV3: MacKinnon, Nielsen & Webb 2023, J Appl Econom
38:671-694), as services have few operators, with t quantiles.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

WEAK_F = 10.0  # Staiger & Stock 1997, Econometrica 65:557-586; Stock & Yogo 2005
# Below this F, two-stage least squares may be off by more than a tenth of the worst bias: Montiel Olea & Pflueger 2013, J Bus Econ Stat
# 31:358-369, table 1, one instrument, 5 % (from memory).
DOUBTFUL_F = 23.1
ROUNDING = 1e-20  # a variance of coefficients between 0 and 1 below this is rounding
FEWEST_OPERATORS = 3  # fewer leave the jackknife with nothing to compare

Shape = Literal["interval", "two rays", "everything"]


@dataclass(frozen=True, slots=True)
class Preference:
    """The instrument: `share` (n,) of retrograde starts among an operator's other lesions, 0 where not `known` (n,)."""

    share: Floats
    known: Mask


@dataclass(frozen=True, slots=True)
class AndersonRubin:
    """All differences that the Anderson-Rubin test does not reject.

    "interval": from `lower` to `upper`. "two rays": all but what lies between them. "everything": the data rule out nothing; both None.
    """

    shape: Shape
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True)
class InstrumentResult:
    """The difference by operators' preference, or why there is none.

    `lower`, `upper` belong to two-stage least squares; `anderson_rubin` is the one to read, and `p_value` its test of no difference. `first_stage` is the change in the chance of a
    retrograde start from an operator who never to one who always starts so; `first_stage_f` its cluster-robust F, with one instrument the effective F of Montiel
    Olea & Pflueger. `warning` is a plain sentence when the instrument is weak or doubtful.
    """

    estimate: float | None
    error: float | None
    lower: float | None
    upper: float | None
    anderson_rubin: AndersonRubin | None
    p_value: float | None
    first_stage: float | None
    first_stage_f: float | None
    n: int
    operators: int
    warning: str | None
    withheld_because: str | None


def operator_preference(
    treated: Floats, operator: Integers, patient: Integers, day: Integers | None = None
) -> Preference:
    """The share of retrograde starts among the operator's other lesions, without those of the same patient.

    `treated` (n,) of 0 and 1; `operator` (n,) numbered from 0, -1 where not recorded; `patient` (n,) numbered from 0. With `day` (n,) only lesions
    of earlier days count, which keeps the future out and loses each operator's first. Not known without another lesion.
    """
    n = len(treated)
    named = operator >= 0
    count, retrograde = np.zeros(n), np.zeros(n)
    if day is None:
        couple = _numbered(operator, patient)
        for total, value in ((count, named.astype(np.float64)), (retrograde, treated * named)):
            by_operator = np.bincount(np.where(named, operator, 0), value)
            total[:] = by_operator[np.where(named, operator, 0)] - np.bincount(couple, value)[couple]
    else:
        for total, value in ((count, named.astype(np.float64)), (retrograde, treated * named)):
            earlier = _before(_numbered(operator), day, value)
            total[:] = earlier - _before(_numbered(operator, patient), day, value)
    known = named & (np.rint(count) > 0)
    return Preference(np.where(known, retrograde / np.where(known, count, 1.0), 0.0), known)


def _numbered(*keys: Integers) -> Integers:
    """Rows numbered by their keys, from 0, in the keys' order."""
    joined = np.zeros(len(keys[0]), dtype=np.int64)
    for key in keys:
        places = np.unique(key, return_inverse=True)[1].astype(np.int64)
        joined = np.unique(joined * (len(key) + 1) + places, return_inverse=True)[1].astype(np.int64)
    return joined


def _before(group: Integers, day: Integers, value: Floats) -> Floats:
    """For each row the sum of `value` over rows of its group on earlier days."""
    order = np.lexsort((day, group))
    running = np.concatenate([[0.0], np.cumsum(value[order])])
    at = _numbered(group[order], day[order])  # in order: one number for each group and day
    _, first_of_day = np.unique(at, return_index=True)
    _, first_of_group = np.unique(group[order], return_index=True)
    start = first_of_group[_numbered(group[order])]
    found = np.empty(len(value))
    found[order] = running[first_of_day[at]] - running[start]
    return found


def estimate_by_preference(
    outcome: Floats,
    treated: Floats,
    preference: Preference,
    covariates: Floats,
    operator: Integers,
    level: float,
    weak_f: float = WEAK_F,
) -> InstrumentResult:
    """The risk difference by operators' preference, with the covariates in both stages.

    `covariates` (p, n) with a constant row and no term of the operator: operator terms would leave the instrument nothing. Lesions whose
    preference is not known are left out. `weak_f` is the first-stage F below which the instrument is called weak.
    """
    use = preference.known
    matrix, groups = np.vstack([preference.share[use], covariates[:, use]]), _numbered(operator[use])
    n, operators = int(use.sum()), int(groups.max()) + 1 if use.any() else 0
    if operators < FEWEST_OPERATORS:
        return _withheld(f"fewer than {FEWEST_OPERATORS} operators with other lesions of their own", n, operators)
    answers = np.vstack([outcome[use], treated[use]])
    found = _jackknifed(matrix, answers, groups, operators)
    if found is None:
        return _withheld("operators' preference does not vary beyond what the measured traits tell", n, operators)
    (rho, pi), spread = found
    if spread[1, 1] <= ROUNDING or pi == 0:
        return _withheld(
            "no operator departs from a habit, so how surely habits sway the approach cannot be told", n, operators
        )
    if spread[0, 0] <= ROUNDING:
        return _withheld("the outcome is the same in all lesions", n, operators)
    quantile = float(stdtrit(operators - 1, 0.5 + level / 2))
    estimate = rho / pi
    variance = spread[0, 0] - 2 * estimate * spread[0, 1] + estimate**2 * spread[1, 1]
    error = float(np.sqrt(max(variance, 0.0))) / abs(pi)
    strength = pi**2 / spread[1, 1]
    return InstrumentResult(
        estimate,
        error,
        estimate - quantile * error,
        estimate + quantile * error,
        anderson_rubin(rho, pi, spread, quantile),
        float(2 * stdtr(operators - 1, -abs(rho) / np.sqrt(spread[0, 0]))),
        pi,
        float(strength),
        n,
        operators,
        _warning(float(strength), pi, weak_f),
        None,
    )


def anderson_rubin(rho: float, pi: float, spread: Floats, quantile: float) -> AndersonRubin:
    """The differences b with (rho - b pi)^2 <= quantile^2 var(rho - b pi), a quadratic in b.

    `spread` (2, 2) is the covariance of (rho, pi). For one instrument never empty (rho/pi is in it).
    """
    c = quantile**2
    square = pi**2 - c * spread[1, 1]
    half = rho * pi - c * spread[0, 1]
    rest = rho**2 - c * spread[0, 0]
    inside = half**2 - square * rest
    if square == 0 or inside <= 0:
        return AndersonRubin("everything", None, None)
    roots = sorted(float((half + side * np.sqrt(inside)) / square) for side in (-1, 1))
    return AndersonRubin("interval" if square > 0 else "two rays", roots[0], roots[1])


def _jackknifed(
    matrix: Floats, answers: Floats, groups: Integers, count: int
) -> tuple[tuple[float, float], Floats] | None:
    """The instrument's two coefficients and their covariance, leaving out each operator in turn; None when it has nothing of its own."""
    gram, cross = matrix @ matrix.T, matrix @ answers.T
    whole = _first_coefficients(gram, cross)
    if whole is None:
        return None
    off = np.empty((count, 2))
    order = np.argsort(groups, kind="stable")
    ends = np.cumsum(np.bincount(groups, minlength=count))
    start = 0
    for g in range(count):
        rows = order[start : ends[g]]
        start = int(ends[g])
        own = matrix[:, rows]
        without = _first_coefficients(gram - own @ own.T, cross - own @ answers[:, rows].T)
        if without is None:  # without this operator all others are of one preference: nothing can be told of the spread
            return None
        off[g] = without - whole
    spread = (count - 1) / count * off.T @ off
    return (float(whole[0]), float(whole[1])), np.asarray(spread, dtype=np.float64)


def _first_coefficients(gram: Floats, cross: Floats) -> Floats | None:
    """The first row's coefficients for both answers after partialling out the others; None when they tell it fully."""
    others = np.linalg.lstsq(gram[1:, 1:], np.column_stack([gram[1:, 0], cross[1:]]), rcond=1e-12)[0]
    own = gram[0, 0] - gram[0, 1:] @ others[:, 0]
    if own <= 1e-9 * max(gram[0, 0], 1e-300):
        return None
    return np.asarray((cross[0] - gram[0, 1:] @ others[:, 1:]) / own, dtype=np.float64)


def _warning(strength: float, pi: float, weak_f: float) -> str | None:
    if strength < weak_f:
        return (
            f"Weak instrument: operators' preference hardly sways the approach (F = {strength:.1f}, below {weak_f:g}). The estimate leans "
            "toward the plain one and its own interval cannot be relied on; only the Anderson-Rubin interval holds."
        )
    if pi < 0:
        return "Operators start from below less often where their habit is to do so more: this is no preference, and the estimate means nothing."
    if strength < DOUBTFUL_F:
        return f"Not a strong instrument (F = {strength:.1f}, below {DOUBTFUL_F:g}): read the Anderson-Rubin interval, not the other."
    return None


def _withheld(reason: str, n: int, operators: int) -> InstrumentResult:
    return InstrumentResult(None, None, None, None, None, None, None, None, n, operators, None, reason)
