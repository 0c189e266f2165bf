"""Outcomes drawn for a service's own lesions with a known effect: the simulating half of the self-check.

A plasmode (Franklin, Schneeweiss, Polinski & Rassen 2014, Comput Stat Data Anal 72:219-226; Schreck, Slynko, Saadati & Benner 2024, Stat
Med 43:1804-1825): traits, approach, patients and gaps stay the service's own, and only the outcome is invented. So confounding is as
strong, overlap as thin and clusters as large as they really are, and yet the truth is known.

Lesions of a patient stay alike by a latent normal value with a part of the patient's own: Y = 1 if sqrt(r) b_patient + sqrt(1 - r) e_lesion <
Phi^-1(p). Each lesion's risk is then exactly p whatever r is (Emrich & Piedmonte 1991, Am Stat 45:302-304), so that the truth needs no
integral; r is taken from the service's own residuals.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import factorial
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import logit, ndtri

from models.logistic import expit
from models.propensity import Design
from models.results import Population
from models.single_thread import one_thread

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

ApproachDrawn = Literal["kept", "redrawn"]

LEAST_RISK = 1e-4  # a fitted risk nearer 0 or 1 than this is not one that a service's history can tell
MOST_CORRELATION = 0.9  # the series for it converges below 1 only
TERMS_OF_SERIES = 12  # of Mehler's series; at r = 0.6 the rest is below 1e-3
MOST_OF_REACH = 0.98  # share of the largest possible effect that is still simulated: beyond, risks are all 0 or 1
PENALTY = 1.0  # of the outcome model, per term of SD 1: as one lesion's worth of evidence for no effect
BOOSTS, BOOST_RATE = 60, 0.05  # of the boosted trees: shallow and few, so that they follow bends and not single lesions


@dataclass(frozen=True, slots=True)
class SimulatedService:
    """What outcomes are drawn from: arrays (n,) of the service's lesions.

    `risk` of the endpoint after a start from above; `score` the probability of a first approach from below; `treated` 0 or 1; `cluster`
    the patient, numbered from 0; `population` whose average difference is the truth; `correlation` of a patient's lesions on the latent
    scale, 0 to 0.9 (`patient_correlation`).
    """

    risk: Floats
    score: Floats
    treated: Floats
    cluster: Integers
    population: Population
    correlation: float


@dataclass(frozen=True, slots=True)
class Replicate:
    """One simulated history: `number` from 0 within its effect, `treated` and `outcome` (n,) of 0 and 1."""

    number: int
    treated: Floats
    outcome: Floats


def fitted_risk(design: Design, treated: Floats, outcome: Floats) -> Floats:
    """Each lesion's risk after a start from above, (n,), from models of the service's own outcomes on the score's terms.

    The mean of a ridge logistic model and of boosted trees (few and shallow), with the approach as a term that is then set to 0. A ridge
    model alone would draw a world without bends, in which a score without bends cannot fail; trees alone draw so much noise that sound
    methods are doubted; their mean shows about half of a true bend (`tests/validation/plasmode.py`). `design` as for the score: constant first,
    terms of SD 1. A service in which all outcomes are alike has one risk for all, with half an event either way.
    """
    events = float(outcome.sum())
    n = len(outcome)
    if not 0.0 < events < n or len(design.matrix) < 2:
        return np.full(n, (events + 0.5) / (n + 1.0))
    from sklearn.ensemble import HistGradientBoostingClassifier
    from sklearn.linear_model import LogisticRegression

    terms = np.vstack([design.matrix[1:], treated]).T
    models = (
        LogisticRegression(C=1.0 / PENALTY, solver="newton-cholesky", max_iter=200),
        HistGradientBoostingClassifier(
            max_iter=BOOSTS, learning_rate=BOOST_RATE, max_leaf_nodes=8, early_stopping=False, random_state=0
        ),
    )
    with one_thread():
        for model in models:
            model.fit(terms, outcome)
        terms[:, -1] = 0.0
        return np.asarray(np.mean([model.predict_proba(terms)[:, 1] for model in models], axis=0), dtype=np.float64)


def patient_correlation(outcome: Floats, risk: Floats, cluster: Integers) -> float:
    """Latent correlation of a patient's lesions beyond what `risk` explains, from 0 to 0.9, by the method of moments.

    The sum over pairs of a patient's lesions of (y - p)(y' - p') is set equal to its expectation, which by Mehler's series is sum_k r^k / k!
    sum over pairs of a_k a_k', a_k = phi(z) He_{k-1}(z), z = Phi^-1(p) (Pearson 1900, Phil Trans A 195:1-47). `risk` (n,) under the
    approach taken, best from a model that did not see the lesion: a model that did leaves residuals too small. 0 without pairs.
    """
    p = np.clip(risk, LEAST_RISK, 1 - LEAST_RISK)
    z = ndtri(p)
    observed = _over_pairs(outcome - p, cluster)
    density = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
    before, now = np.zeros_like(z), np.ones_like(z)  # Hermite polynomials He_{k-1}
    weights: list[float] = []
    for k in range(1, TERMS_OF_SERIES + 1):
        weights.append(_over_pairs(density * now, cluster) / factorial(k))
        before, now = now, z * now - (k - 1) * before
    series = np.array([0.0, *weights])

    def excess(r: float) -> float:
        return float(np.polynomial.polynomial.polyval(r, series)) - observed

    if observed <= 0.0 or weights[0] <= 0.0:
        return 0.0
    if excess(MOST_CORRELATION) <= 0.0:
        return MOST_CORRELATION
    return float(brentq(excess, 0.0, MOST_CORRELATION, xtol=1e-6))


def _over_pairs(values: Floats, cluster: Integers) -> float:
    """Sum over pairs of a cluster's members of the product of their values."""
    together = np.bincount(cluster, values)
    return float(together @ together - values @ values) / 2.0


def truth_weights(service: SimulatedService, approach: ApproachDrawn) -> Floats:
    """The tilting function h of the population whose average difference is the truth, (n,) summing to 1 (Li, Morgan & Zaslavsky 2018)."""
    e = service.score
    tilt = {
        "overlap": e * (1.0 - e),
        "all": np.ones_like(e),
        "observed": np.ones_like(e),
        # With the approach kept these very lesions are the treated; redrawn, they are treated with probability e.
        "treated": service.treated if approach == "kept" else e,
    }[service.population]
    return np.asarray(tilt / tilt.sum(), dtype=np.float64)


def risk_from_below(service: SimulatedService, effect: float, approach: ApproachDrawn) -> Floats | None:
    """Risks after a start from below, (n,), whose mean difference in the population is `effect`; None where no risks could give it.

    One shift of the log odds for all lesions, found by bisection; so an effect of 0 is none for any lesion.
    """
    p = np.clip(service.risk, LEAST_RISK, 1 - LEAST_RISK)
    if effect == 0.0:
        return p
    weights = truth_weights(service, approach)
    reach = float(weights @ (1.0 - p)) if effect > 0 else float(weights @ p)
    if abs(effect) > MOST_OF_REACH * reach:
        return None
    odds = logit(p)
    shift = brentq(lambda b: float(weights @ (expit(odds + b) - p)) - effect, -40.0, 40.0, xtol=1e-12)
    return expit(odds + shift)


def draw(
    service: SimulatedService, below: Floats, approach: ApproachDrawn, number: int, seed: tuple[int, ...]
) -> Replicate:
    """One history, its draws depending on `seed` and `number` alone."""
    rng = np.random.default_rng([*seed, number])
    n = len(service.risk)
    patients = int(service.cluster.max()) + 1
    treated = service.treated
    if approach == "redrawn":
        treated = (rng.random(n) < service.score).astype(np.float64)
    above = np.clip(service.risk, LEAST_RISK, 1 - LEAST_RISK)
    r = service.correlation
    latent = np.sqrt(r) * rng.standard_normal(patients)[service.cluster] + np.sqrt(1.0 - r) * rng.standard_normal(n)
    outcome = (latent < ndtri(np.where(treated == 1, below, above))).astype(np.float64)
    return Replicate(number, treated, outcome)


def subsample_patients(cluster: Integers, most: int, seed: int) -> NDArray[np.bool_]:
    """Rows (n,) of at most `most` patients drawn without replacement, whole patients only; all rows where there are no more."""
    patients = int(cluster.max()) + 1
    if patients <= most:
        return np.ones(len(cluster), dtype=bool)
    chosen = np.zeros(patients, dtype=bool)
    chosen[np.random.default_rng(seed).choice(patients, size=most, replace=False)] = True
    return chosen[cluster]
