"""Standardization: each lesion's outcome predicted after either first approach, averaged over one population (g-computation).

With an outcome model m(a, x) and population weights h (1 for all lesions, 1 for those started from below alone, e(1 - e) for the overlap population) the mean had
all been started by approach a is M_a = sum h m(a, x) / sum h (Robins 1986, Math Model 7:1393-1512; Hernan & Robins, Causal Inference: What If, chapter 13; overlap: Li, Morgan &
Zaslavsky 2018, JASA 113:390-400). It is right when the outcome model is. Model: logistic for yes/no, least squares for numbers; terms may act
differently by approach (all of them: one model per approach).

Intervals are those of the stacked estimating equations of outcome model, score (for overlap) and means (Stefanski & Boos 2002, Am Stat 56:29-38): lesion i contributes

    h_i (m_ai - M_a) / H + D_a' I^-1 x_i (Y_i - m_i) + E_a' I_e^-1 z_i (A_i - e_i),

D_a and E_a how M_a moves with the coefficients of the outcome model and of the score, summed within patients before squaring. Residuals are divided by sqrt(1 - leverage)
(HC2: MacKinnon & White 1985, J Econometrics 29:305-325), for they come out too small by what the lesion itself pulled the fit. Beside it stand the
two delta-method forms that hold the covariates fixed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.analysis_scale import ScaledEstimate, no_effect, t_quantile
from models.comparison import MOST_LEVERAGE
from models.logistic import expit
from models.outcome_model import FittedOutcome, OutcomeKind, fit_outcome_model, unusable
from models.propensity import Score
from models.results import Approach, ArmRisk, Effect, Measure

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

StandardPopulation = Literal["all", "treated", "overlap"]
SmallSample = Literal["none", "leverage"]
ByApproach = Literal["none", "all"] | tuple[int, ...]

SIDES: tuple[Approach, Approach] = ("retrograde", "antegrade")
MEASURES: tuple[Measure, ...] = ("risk_difference", "risk_ratio", "odds_ratio")


@dataclass(frozen=True, slots=True)
class StandardizedMeans:
    """The two standardized means, retrograde and antegrade, and their covariances (2, 2) in that order.

    `covariance` is the stacked one. `given_covariates_model` and `given_covariates_robust` hold the covariates (and h) fixed: the model's own and the clustered
    sandwich. `coefficients` of the outcome model: the design's terms, the approach, then the terms that act by approach. `degrees_of_freedom` of the
    stacked covariance, clusters less one.
    """

    mean_1: float
    mean_0: float
    covariance: Floats
    given_covariates_model: Floats
    given_covariates_robust: Floats
    coefficients: Floats
    degrees_of_freedom: float

    @property
    def difference(self) -> float:
        """Retrograde minus antegrade, in the outcome's unit."""
        return self.mean_1 - self.mean_0

    @property
    def difference_variance(self) -> float:
        """Variance of the difference."""
        return _squared(np.array([1.0, -1.0]), self.covariance)

    def difference_interval(self, level: float) -> tuple[float, float]:
        """Interval of the difference by Student's t."""
        half = t_quantile(level, self.degrees_of_freedom) * float(np.sqrt(self.difference_variance))
        return self.difference - half, self.difference + half


@dataclass(frozen=True, slots=True)
class StandardizedRisks:
    """Standardized risks by approach, with the three effects; what a comparison of the report is made of.

    `estimates` (difference, log ratio, log odds ratio with variance and degrees of freedom) are empty and the effects' numbers None when `withheld_because` says why.
    """

    retrograde: ArmRisk
    antegrade: ArmRisk
    effects: tuple[Effect, ...]
    estimates: tuple[ScaledEstimate, ...]
    means: StandardizedMeans | None
    withheld_because: str | None


def standardized_risks(
    design: Floats,
    treated: Floats,
    outcome: Floats,
    cluster: Integers,
    population: StandardPopulation,
    level: float,
    *,
    score: Score | None = None,
    by_approach: ByApproach = "none",
    member: Mask | None = None,
    small_sample: SmallSample = "leverage",
) -> StandardizedRisks:
    """Standardized risks of a yes/no outcome with intervals at `level`.

    `design` (p, n) with its constant row first; `treated` (n,) of 0 and 1; `outcome` (n,) of 0 and 1, NaN where not recorded (the model is then fitted on the rest and
    averaged over all); `cluster` (n,) numbered from 0. `score` is needed for "overlap" and fitted on the same rows. `by_approach` tells which rows of the design act
    differently by approach. `member` (n,) picks the lesions averaged over (a profile), the models staying the service's.
    """
    found = standardized_means(
        design,
        treated,
        outcome,
        cluster,
        population,
        "yes_no",
        score=score,
        by_approach=by_approach,
        member=member,
        small_sample=small_sample,
    )
    inside = ~np.isnan(outcome) & (np.ones(len(treated), dtype=bool) if member is None else member)
    if isinstance(found, str):
        empty = tuple(no_effect(m) for m in MEASURES)
        arms = [_arm(side, None, None, inside, treated, outcome) for side in SIDES]
        return StandardizedRisks(arms[0], arms[1], empty, (), None, found)
    estimates = scaled_estimates(found, found.covariance, found.degrees_of_freedom)
    quantile = t_quantile(level, found.degrees_of_freedom)
    arms = [
        _arm(side, risk, float(np.sqrt(variance)) * quantile, inside, treated, outcome)
        for side, risk, variance in zip(SIDES, (found.mean_1, found.mean_0), np.diag(found.covariance), strict=True)
    ]
    effects = tuple(e.effect(level) for e in estimates)
    return StandardizedRisks(arms[0], arms[1], effects, estimates, found, None)


def scaled_estimates(
    means: StandardizedMeans, covariance: Floats, degrees_of_freedom: float | None
) -> tuple[ScaledEstimate, ...]:
    """Risk difference, log risk ratio and log odds ratio of two standardized risks under one of their covariances (2, 2)."""
    p1, p0 = means.mean_1, means.mean_0
    q1, q0 = p1 * (1 - p1), p0 * (1 - p0)
    values = (p1 - p0, np.log(p1 / p0), np.log(p1 / (1 - p1)) - np.log(p0 / (1 - p0)))
    slopes = ((1.0, -1.0), (1 / p1, -1 / p0), (1 / q1, -1 / q0))
    return tuple(
        ScaledEstimate(measure, float(value), _squared(np.array(slope), covariance), degrees_of_freedom)
        for measure, value, slope in zip(MEASURES, values, slopes, strict=True)
    )


def standardized_means(
    design: Floats,
    treated: Floats,
    outcome: Floats,
    cluster: Integers,
    population: StandardPopulation,
    kind: OutcomeKind,
    *,
    score: Score | None = None,
    by_approach: ByApproach = "none",
    member: Mask | None = None,
    small_sample: SmallSample = "leverage",
) -> StandardizedMeans | str:
    """Standardized means of a number (or of a yes/no outcome), or a sentence why there are none. Arguments as in `standardized_risks`.

    Raises ValueError for the overlap population without a score.
    """
    if population == "overlap" and score is None:
        raise ValueError("the overlap population needs a score")
    known = ~np.isnan(outcome)
    cannot = _cannot(treated, outcome, known, cluster, kind, score if population == "overlap" else None)
    if cannot is not None:
        return cannot
    weight = _population(treated, population, score, member)
    if weight.sum() <= 0:
        return "no lesion belongs to the population averaged over"
    varying = _varying(design, by_approach)
    stacked = np.vstack([design, treated, design[list(varying)] * treated])
    fitted = fit_outcome_model(stacked[:, known], outcome[known], kind)
    if isinstance(fitted, str):
        return fitted
    arms = [_Arm.of(arm, design, varying, fitted, weight, kind) for arm in (1.0, 0.0)]
    slopes = np.stack([arm.slope for arm in arms])
    pulls = slopes @ fitted.bread @ stacked[:, known]  # (2, known)
    residual = fitted.residual
    if small_sample == "leverage":
        residual = residual / np.sqrt(1.0 - np.minimum(fitted.leverage(stacked[:, known]), MOST_LEVERAGE))
    own = np.stack([weight * (arm.predicted - arm.mean) for arm in arms]) / weight.sum()
    own[:, known] += pulls * residual
    if population == "overlap" and score is not None:
        own += _score_part(arms, score, treated, weight, member, small_sample)
    influence = _by_cluster(own, cluster)
    clusters = int(np.count_nonzero(np.bincount(cluster)))
    factor = clusters / (clusters - 1) if small_sample == "leverage" else 1.0
    held = _by_cluster(pulls * fitted.residual, cluster[known])
    return StandardizedMeans(
        arms[0].mean,
        arms[1].mean,
        factor * (influence @ influence.T),
        fitted.dispersion * (slopes @ fitted.bread @ slopes.T),
        held @ held.T,
        fitted.coefficients,
        clusters - 1.0,
    )


@dataclass(frozen=True, slots=True)
class _Arm:
    """All lesions after one approach: predicted means (n,), their average, and how it moves with the coefficients (q,)."""

    predicted: Floats
    mean: float
    slope: Floats

    @classmethod
    def of(
        cls,
        arm: float,
        design: Floats,
        varying: tuple[int, ...],
        fitted: FittedOutcome,
        weight: Floats,
        kind: OutcomeKind,
    ) -> _Arm:
        terms = len(design)
        of_design = fitted.coefficients[:terms].copy()
        of_design[list(varying)] += arm * fitted.coefficients[terms + 1 :]
        linear = of_design @ design + arm * fitted.coefficients[terms]
        predicted = expit(linear) if kind == "yes_no" else linear
        share = weight / weight.sum()
        steep = share * (predicted * (1.0 - predicted)) if kind == "yes_no" else share
        moved = design @ steep
        slope = np.concatenate([moved, [arm * steep.sum()], arm * moved[list(varying)]])
        return cls(np.asarray(predicted, dtype=np.float64), float(share @ predicted), slope)


def _score_part(
    arms: list[_Arm], score: Score, treated: Floats, weight: Floats, member: Mask | None, small_sample: SmallSample
) -> Floats:
    """What the estimated score adds: h = e(1 - e) moves by (1 - 2e) e(1 - e) x."""
    e = score.probability
    moves = (1.0 - 2.0 * e) * e * (1.0 - e)
    if member is not None:
        moves = moves * member
    slopes = np.stack([score.design.matrix @ (moves * (arm.predicted - arm.mean)) for arm in arms]) / weight.sum()
    part = np.linalg.solve(score.fit.information, slopes.T).T @ score.design.matrix * (treated - e)
    if small_sample == "leverage":
        part /= np.sqrt(1.0 - np.minimum(score.leverage, MOST_LEVERAGE))
    return np.asarray(part, dtype=np.float64)


def _cannot(
    treated: Floats, outcome: Floats, known: Mask, cluster: Integers, kind: OutcomeKind, score: Score | None
) -> str | None:
    if score is not None and score.fit.failed_because is not None:
        return score.fit.failed_because
    if np.count_nonzero(np.bincount(cluster)) < 2:
        return "there is one cluster only: nothing to tell how sure the difference is"
    if not known.any():
        return "the outcome is recorded of no lesion"
    if kind == "yes_no":
        return unusable(treated[known], outcome[known])
    for arm, name in ((1, "retrograde"), (0, "antegrade")):
        if not (treated[known] == arm).any():
            return f"no lesion was started {name}"
    return None


def _population(treated: Floats, population: StandardPopulation, score: Score | None, member: Mask | None) -> Floats:
    if population == "overlap" and score is not None:
        weight = score.probability * (1.0 - score.probability)
    else:
        weight = treated.astype(np.float64) if population == "treated" else np.ones(len(treated))
    return weight if member is None else weight * member


def _varying(design: Floats, by_approach: ByApproach) -> tuple[int, ...]:
    if by_approach == "none":
        return ()
    return tuple(range(1, len(design))) if by_approach == "all" else by_approach


def _by_cluster(lines: Floats, cluster: Integers) -> Floats:
    return np.stack([np.bincount(cluster, line) for line in lines]).astype(np.float64)


def _squared(slope: Floats, covariance: Floats) -> float:
    return float(slope @ covariance @ slope)


def _arm(
    approach: Approach, risk: float | None, half: float | None, inside: Mask, treated: Floats, outcome: Floats
) -> ArmRisk:
    """One approach's risk; its interval is symmetric on the logit, so that it stays between 0 and 1."""
    of = outcome[inside & (treated == (1 if approach == "retrograde" else 0))]
    if risk is None or half is None:
        return ArmRisk(approach, None, None, None, len(of), int(of.sum()), None)
    logit, wide = np.log(risk / (1 - risk)), half / (risk * (1 - risk))
    lower, upper = (float(v) for v in expit(np.array([logit - wide, logit + wide])))
    return ArmRisk(approach, risk, lower, upper, len(of), int(of.sum()), None)
