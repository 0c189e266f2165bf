"""Intervals from bootstrap replicates of two risks: percentile, basic and normal, for the three measures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.adjustment_results import BootstrapInterval
from models.bootstrap import Replicates
from models.intervals import z_value
from models.results import Measure

Floats = NDArray[np.float64]

IntervalKind = Literal["percentile", "basic", "normal"]

# Replicates without an answer (an arm empty, a ratio to no events) above which no interval is given: those left are then not a fair draw. Common
# practice, no source.
MOST_FAILED = 0.05
# Replicates that leave at least a few beyond each limit of a 95 % interval; 1,000 are usual (Efron & Tibshirani 1993, section 13.3).
FEWEST_DRAWS = 200


@dataclass(frozen=True, slots=True)
class Limits:
    """Lower and upper limit."""

    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class BootstrapEffect:
    """One measure: its estimate in the data, and what the replicates say of it.

    `standard_error` is the replicates' SD on the scale of analysis: the difference itself, the logarithm of a ratio. `failed` of `replicates` had no
    answer. All None when `withheld_because` says why.
    """

    measure: Measure
    estimate: float | None
    standard_error: float | None
    percentile: Limits | None
    basic: Limits | None
    normal: Limits | None
    replicates: int
    failed: int
    withheld_because: str | None


def bootstrap_effects(found: Replicates, level: float) -> tuple[BootstrapEffect, BootstrapEffect, BootstrapEffect]:
    """Risk difference, risk ratio and odds ratio with intervals at `level`.

    Percentile: quantiles of the replicates; basic: the estimate less the quantiles of (replicate - estimate); normal: the estimate and z times the
    replicates' SD (Davison & Hinkley 1997, Bootstrap Methods, sections 2.4 and 5.2-5.3). Quantile k of B replicates in order is at (B + 1) times its probability. Basic and normal
    intervals of ratios are made on the log scale.
    """
    return (
        _effect("risk_difference", found, level),
        _effect("risk_ratio", found, level),
        _effect("odds_ratio", found, level),
    )


def reported(
    endpoint: str, method: str, effect: BootstrapEffect, kind: IntervalKind = "percentile"
) -> BootstrapInterval:
    """What the report shows of a measure, with the chosen kind of interval; `endpoint` and `method` as the report names them."""
    limits: Limits | None = getattr(effect, kind)
    return BootstrapInterval(
        endpoint,
        method,
        effect.measure,
        None if limits is None else limits.lower,
        None if limits is None else limits.upper,
        effect.standard_error,
        effect.replicates,
        effect.failed,
        effect.withheld_because,
    )


def _effect(measure: Measure, found: Replicates, level: float) -> BootstrapEffect:
    draws = len(found.risk_1)
    if found.withheld_because is not None:
        return _withheld(measure, 0, 0, found.withheld_because)
    estimate = float(_on_scale(measure, np.array([found.estimate_1]), np.array([found.estimate_0]))[0])
    values = _on_scale(measure, found.risk_1, found.risk_0)
    values = values[np.isfinite(values)]
    failed = draws - len(values)
    if not np.isfinite(estimate):
        return _withheld(measure, draws, failed, "an approach had the outcome in none or in all of its lesions")
    if draws < FEWEST_DRAWS:
        return _withheld(measure, draws, failed, f"fewer than {FEWEST_DRAWS} replicates were made")
    if failed > MOST_FAILED * draws:
        return _withheld(
            measure,
            draws,
            failed,
            f"more than {MOST_FAILED:.0%} of the replicates had no answer: patients or outcomes are too few",
        )
    low, high = (float(q) for q in np.quantile(values, [(1 - level) / 2, (1 + level) / 2], method="weibull"))
    error = float(values.std(ddof=1))
    half = z_value(level) * error
    return BootstrapEffect(
        measure,
        _shown(measure, estimate),
        error,
        _limits(measure, low, high),
        _limits(measure, 2 * estimate - high, 2 * estimate - low),
        _limits(measure, estimate - half, estimate + half),
        draws,
        failed,
        None,
    )


def _withheld(measure: Measure, draws: int, failed: int, reason: str) -> BootstrapEffect:
    return BootstrapEffect(measure, None, None, None, None, None, draws, failed, reason)


def _on_scale(measure: Measure, risk_1: Floats, risk_0: Floats) -> Floats:
    # Risks of 0 and 1 give infinite logs, which are counted as failed; rounding can put one just outside 0 to 1.
    with np.errstate(divide="ignore", invalid="ignore"):
        if measure == "risk_difference":
            return risk_1 - risk_0
        if measure == "risk_ratio":
            return np.asarray(np.log(risk_1) - np.log(risk_0), dtype=np.float64)
        return np.asarray(np.log(risk_1 / (1 - risk_1)) - np.log(risk_0 / (1 - risk_0)), dtype=np.float64)


def _limits(measure: Measure, lower: float, upper: float) -> Limits:
    return Limits(_shown(measure, lower), _shown(measure, upper))


def _shown(measure: Measure, value: float) -> float:
    return value if measure == "risk_difference" else float(np.exp(value))
