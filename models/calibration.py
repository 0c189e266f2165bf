"""How good a score is as a probability: whether those given 30 % are started from below in 30 of 100, and how well it tells the approaches apart.

A score judged on the lesions that it was fitted to is flattered: by maximum likelihood its slope there is 1 whatever it is worth. Judge
`cross_fitted_score`, in which no patient's lesions have a say in their own score.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from models.adjustment_results import CalibrationGroup, LearnerShare, ScoreQuality
from models.discrimination import discrimination
from models.intervals import wilson, z_value
from models.logistic import LogisticFit, expit, fit_logistic
from models.propensity import Design, fit_score, independent
from models.results import ScoreOverlap
from models.spline import natural_spline

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

GROUPS = 10
FOLDS = 10
CURVE_POINTS = 50
# A probability of exactly 0 or 1 has no logit.
SMALLEST_CHANCE = 1e-10


@dataclass(frozen=True, slots=True)
class WithInterval:
    """A number with its standard error and interval."""

    value: float
    standard_error: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """A score held against what happened; None with a reason in `remark`, "" when all is given.

    `slope` and `intercept` are those of a logistic regression on the score's logit (Cox 1958, Biometrika 45:562-565): 1 and 0 are perfect, a slope below 1 means scores
    too extreme. `in_the_large` is the intercept with the slope held at 1: what is wrong on average. `brier` is the mean squared error and `brier_scaled` its
    improvement on giving everyone the same. `integrated` is the mean distance of the score from its smoothed calibration curve (`curve`, points of
    score and share) and `integrated_90` its 90th percentile (Austin & Steyerberg 2019, Stat Med 38:4051-4065); chance alone makes them a little larger than 0.
    """

    n: int
    events: int
    c: WithInterval | None
    slope: WithInterval | None
    intercept: WithInterval | None
    in_the_large: WithInterval | None
    observed_over_expected: float | None
    brier: float | None
    brier_scaled: float | None
    log_loss: float | None
    integrated: float | None
    integrated_90: float | None
    curve: tuple[tuple[float, float], ...]
    groups: tuple[CalibrationGroup, ...]
    remark: str


def calibration(
    probability: Floats, outcome: Floats, level: float, cluster: Integers | None = None, groups: int = GROUPS
) -> Calibration:
    """Calibration and discrimination of `probability` (n,) for `outcome` (n,) of 0 and 1 (the approach, for a propensity score).

    Intervals at `level` sum contributions by `cluster` (n,); without it lesions are independent and the recalibration's errors are those of its model.
    """
    n, events = len(outcome), int(outcome.sum())
    if not 0 < events < n:
        return _nothing(n, events, "one of the approaches has no lesions")
    held = np.clip(probability, SMALLEST_CHANCE, 1 - SMALLEST_CHANCE)
    logit = np.log(held / (1 - held))
    plain = float(np.mean((outcome - probability) ** 2))
    share = events / n
    c = discrimination(probability, outcome, level, cluster)
    slope, intercept, remark = _recalibrated(logit, outcome, level, cluster)
    smoothed = None if slope is None else _smoothed(logit, outcome)
    distance = None if smoothed is None else np.abs(smoothed[0] - held)
    return Calibration(
        n,
        events,
        WithInterval(c.c, float(np.sqrt(c.variance)), c.lower, c.upper),
        slope,
        intercept,
        _in_the_large(logit, outcome, level, cluster),
        events / float(probability.sum()),
        plain,
        1 - plain / (share * (1 - share)),
        -float(np.mean(outcome * np.log(held) + (1 - outcome) * np.log1p(-held))),
        None if distance is None else float(distance.mean()),
        None if distance is None else float(np.quantile(distance, 0.9)),
        () if smoothed is None else smoothed[1],
        calibration_groups(probability, outcome, level, cluster, groups),
        remark,
    )


def _nothing(n: int, events: int, remark: str) -> Calibration:
    return Calibration(n, events, None, None, None, None, None, None, None, None, None, None, (), (), remark)


def _recalibrated(
    logit: Floats, outcome: Floats, level: float, cluster: Integers | None
) -> tuple[WithInterval | None, WithInterval | None, str]:
    if logit.std() < 1e-9:
        return None, None, "the score is the same for all lesions"
    # Centred and of unit SD for Newton's steps, and turned back.
    centre, spread = float(logit.mean()), float(logit.std())
    design = np.stack([np.ones_like(logit), (logit - centre) / spread])
    fit = fit_logistic(design, outcome)
    if fit.failed_because is not None:
        return None, None, "the score tells the approaches apart perfectly"
    back = np.array([[1.0, -centre / spread], [0.0, 1.0 / spread]])
    value = back @ fit.coefficients
    error = np.sqrt(np.diag(back @ _covariance(design, outcome, fit, cluster) @ back.T))
    return _estimated(value[1], error[1], level), _estimated(value[0], error[0], level), ""


def _covariance(design: Floats, outcome: Floats, fit: LogisticFit, cluster: Integers | None) -> Floats:
    bread = np.linalg.inv(fit.information)
    if cluster is None:
        return np.asarray(bread, dtype=np.float64)
    parts = np.stack([np.bincount(cluster, line * (outcome - fit.probability)) for line in design])
    clusters = len(np.unique(cluster))
    factor = clusters / (clusters - 1) if clusters > 1 else 1.0
    return np.asarray(factor * bread @ (parts @ parts.T) @ bread, dtype=np.float64)


def _in_the_large(logit: Floats, outcome: Floats, level: float, cluster: Integers | None) -> WithInterval:
    """Newton's method for the one coefficient of a constant beside the logit."""
    shift = 0.0
    for _ in range(100):
        fitted = expit(logit + shift)
        curve = float((fitted * (1 - fitted)).sum())
        step = float((outcome - fitted).sum()) / max(curve, 1e-12)
        shift += float(np.clip(step, -2.0, 2.0))
        if abs(step) < 1e-12:
            break
    variance = 1 / curve
    if cluster is not None:
        by_cluster = np.bincount(cluster, outcome - fitted)
        clusters = len(np.unique(cluster))
        variance = clusters / max(clusters - 1, 1) * float(by_cluster @ by_cluster) / curve**2
    return _estimated(shift, np.sqrt(variance), level)


def _estimated(value: float, error: float, level: float) -> WithInterval:
    half = z_value(level) * float(error)
    return WithInterval(float(value), float(error), float(value) - half, float(value) + half)


def _smoothed(logit: Floats, outcome: Floats) -> tuple[Floats, tuple[tuple[float, float], ...]] | None:
    """The outcome's share smoothed over the score: a natural spline of its logit, at each lesion and at points for drawing; None if it cannot be fitted."""
    basis = natural_spline(logit)
    spread = basis.std(axis=1, keepdims=True)
    usable = spread[:, 0] > 1e-9
    lines = (basis[usable] - basis[usable].mean(axis=1, keepdims=True)) / spread[usable]
    fit = fit_logistic(np.vstack([np.ones_like(logit), lines]), outcome)
    if fit.failed_because is not None:
        return None
    places = np.unique(np.round(np.linspace(0, len(logit) - 1, CURVE_POINTS)).astype(np.int64))
    order = np.argsort(logit, kind="stable")[places]
    return fit.probability, tuple(zip(expit(logit[order]).tolist(), fit.probability[order].tolist(), strict=True))


def calibration_groups(
    probability: Floats, outcome: Floats, level: float, cluster: Integers | None = None, groups: int = GROUPS
) -> tuple[CalibrationGroup, ...]:
    """Lesions in groups of the score of like size, limits at its quantiles, each but the first open below.

    Shares have Wilson's interval, at the size that gives their clustered variance where `cluster` is given (Korn & Graubard 1998).
    """
    place, edges = _grouped(probability, groups)
    found = []
    for j in range(len(edges) - 1):
        here = place == j
        n = int(here.sum())
        if n == 0:
            continue
        events = float(outcome[here].sum())
        share = events / n
        size = float(n)
        if cluster is not None:
            inside = cluster[here]
            size = float(len(np.unique(inside)))
            gaps = np.bincount(inside, outcome[here] - share)
            variance = float(gaps @ gaps) / n**2 * size / max(size - 1, 1)
            if 0 < share < 1 and variance > 0:
                size = min(float(n), share * (1 - share) / variance)
        lower, upper = wilson(share * size, size, level)
        found.append(
            CalibrationGroup(
                float(edges[j]),
                float(edges[j + 1]),
                n,
                int(events),
                float(probability[here].mean()),
                share,
                lower,
                upper,
            )
        )
    return tuple(found)


def hosmer_lemeshow(probability: Floats, outcome: Floats, groups: int = GROUPS) -> tuple[float, float]:
    """Hosmer & Lemeshow's (1980) chi-squared over groups of the score, and its p-value with as many degrees of freedom as groups.

    That many for a score from elsewhere; for one fitted to the same lesions it should be two fewer. It says that something is wrong, not how much; with many lesions it always does.
    """
    place, edges = _grouped(probability, groups)
    n = np.bincount(place, minlength=len(edges) - 1).astype(np.float64)
    observed = np.bincount(place, outcome, len(n))[n > 0]
    expected = np.bincount(place, probability, len(n))[n > 0]
    statistic = float(((observed - expected) ** 2 / (expected * (1 - expected / n[n > 0]))).sum())
    return statistic, float(chdtrc(int((n > 0).sum()), statistic))


def _grouped(probability: Floats, groups: int) -> tuple[Integers, Floats]:
    edges = np.unique(np.quantile(probability, np.linspace(0, 1, groups + 1)))
    if len(edges) == 1:
        edges = np.repeat(edges, 2)
    inner = edges[1:-1]
    return np.searchsorted(inner, probability, side="left"), edges


def cross_fitted_score(
    design: Design, treated: Floats, cluster: Integers, seed: int, folds: int = FOLDS
) -> Floats | str:
    """Each lesion's score from a fit without its patient's fold, (n,), or a sentence why there is none.

    Patients, `cluster` (n,) numbered from 0, are dealt into `folds` of like number by `seed` and their number, so that the order of rows does not matter. Terms that a
    fold's absence leaves without variation are dropped from its fit.
    """
    patients = int(cluster.max()) + 1
    dealt = np.random.default_rng(seed).permutation(patients) % folds
    found = np.empty(len(treated))
    for fold in range(folds):
        out = dealt[cluster] == fold
        if not out.any():
            continue
        kept = independent(Design(design.terms, design.matrix[:, ~out], design.pooled))
        score = fit_score(kept, treated[~out])
        if score.fit.failed_because is not None:
            return score.fit.failed_because
        names = {term.name for term in kept.terms}
        rows = [j for j, term in enumerate(design.terms) if term.name in names]
        found[out] = expit(score.fit.coefficients @ design.matrix[rows][:, out])
    return found


def score_quality(
    overlap: ScoreOverlap, found: Calibration, *, cross_fitted: bool, learners: tuple[LearnerShare, ...] = ()
) -> ScoreQuality | None:
    """What the report shows of a score; None when an arm was empty."""
    if found.c is None:
        return None
    slope = found.slope
    return ScoreQuality(
        overlap,
        found.c.value,
        None if slope is None else slope.value,
        None if slope is None else slope.lower,
        None if slope is None else slope.upper,
        None if found.intercept is None else found.intercept.value,
        found.groups,
        learners,
        cross_fitted,
        found.remark,
    )
