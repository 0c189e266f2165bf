"""Odds ratios at given covariates, and errors that hold with few clusters, against R and a known truth."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from ohio_wheeze import ohio
from oracle import assert_agrees, record

from models.cluster_robust import (
    WhitenedFit,
    bias_reduced,
    cluster_covariance,
    two_way_bias_reduced,
    two_way_covariance,
    whitened_logistic,
)
from models.conditional import conditional_odds_ratio
from models.logistic import expit, fit_logistic

TERMS = ("(Intercept)", "age", "smoke", "age:smoke")


def _whitened(design: np.ndarray, outcome: np.ndarray) -> WhitenedFit:
    fit = fit_logistic(design, outcome)
    return whitened_logistic(design, outcome, fit.probability, fit.information)


def test_the_odds_ratio_and_its_bias_reduced_error_agree_with_r() -> None:
    design, outcome, child = ohio()
    expected = record("H20-ohio-cluster-logit")["expected"]
    smoke = TERMS.index("smoke")
    found = conditional_odds_ratio(np.delete(design, smoke, axis=0), design[smoke], outcome, child)
    order = [*(t for t in TERMS if t != "smoke"), "smoke"]
    assert_agrees("H20-ohio-cluster-logit", dict(zip(order, found.coefficients, strict=True)), expected["coef"])
    assert_agrees("H20-ohio-cluster-logit", {"smoke": found.model_error}, expected["se_model"])
    assert_agrees("H20-ohio-cluster-logit", {"smoke": found.estimate.standard_error}, expected["se_CR2"])
    assert_agrees(
        "H20-ohio-cluster-logit",
        {"smoke": found.estimate.degrees_of_freedom},
        expected["satterthwaite_df_CR2"],
    )
    assert found.clusters == expected["G"]


def test_every_form_of_the_clustered_error_agrees_with_r() -> None:
    design, outcome, child = ohio()
    expected = record("H20-ohio-cluster-logit")["expected"]
    fit = _whitened(design, outcome)
    for correction, key in (("CR0", "se_HC0_nocadjust"), ("CR1", "se_HC0_cadjust"), ("CR1S", "se_HC1_cadjust")):
        errors = np.sqrt(np.diag(cluster_covariance(fit, child, correction)))
        assert_agrees("H20-ohio-cluster-logit", dict(zip(TERMS, errors, strict=True)), expected[key])
    reduced = {t: bias_reduced(fit, child, c) for t, c in zip(TERMS, np.eye(4), strict=True)}
    assert_agrees("H20-ohio-cluster-logit", {t: v.variance**0.5 for t, v in reduced.items()}, expected["se_CR2"])
    degrees = {t: v.degrees_of_freedom for t, v in reduced.items()}
    assert_agrees("H20-ohio-cluster-logit", degrees, expected["satterthwaite_df_CR2"])


def _slow_bias_reduced(fit: WhitenedFit, cluster: np.ndarray, contrast: np.ndarray) -> tuple[float, float]:
    """Bell & McCaffrey's definition written out with n x n matrices."""
    x, r = fit.matrix.T, fit.residual
    hat = x @ fit.bread @ x.T
    pulls, total = [], 0.0
    for j in np.unique(cluster):
        inside = cluster == j
        values, axes = np.linalg.eigh(np.eye(inside.sum()) - hat[np.ix_(inside, inside)])
        keep = values > 1e-8
        root = (axes[:, keep] / np.sqrt(values[keep])) @ axes[:, keep].T
        v = root @ x[inside] @ fit.bread @ contrast
        total += float(v @ r[inside]) ** 2
        pulls.append((np.eye(len(r)) - hat)[:, inside] @ v)
    omega = np.array(pulls) @ np.array(pulls).T
    return total, float(np.trace(omega) ** 2 / (omega**2).sum())


@pytest.mark.parametrize("clusters", [3, 9, 40, 150])
def test_large_and_small_clusters_give_what_the_definition_gives(clusters: int) -> None:
    generator = np.random.default_rng(4)
    n = 200
    cluster = np.sort(generator.integers(0, clusters, n)) * 2  # numbers left out are no clusters
    design = np.vstack([np.ones(n), generator.normal(size=(4, n)), (cluster == 0).astype(float)])
    outcome = generator.integers(0, 2, n).astype(float)
    fit = _whitened(design, outcome)
    for contrast in np.eye(6)[:5]:
        found = bias_reduced(fit, cluster, contrast)
        assert (found.variance, found.degrees_of_freedom) == pytest.approx(
            _slow_bias_reduced(fit, cluster, contrast), rel=1e-7
        )
    assert bias_reduced(fit, cluster, np.eye(6)[5]) is None  # that term is one cluster's own mark


def test_shuffling_the_lesions_changes_nothing() -> None:
    design, outcome, child = ohio()
    order = np.random.default_rng(1).permutation(len(outcome))
    smoke = TERMS.index("smoke")
    others = np.delete(design, smoke, axis=0)
    one = conditional_odds_ratio(others, design[smoke], outcome, child)
    other = conditional_odds_ratio(others[:, order], design[smoke][order], outcome[order], child[order])
    assert one.estimate.value == pytest.approx(other.estimate.value, abs=1e-10)
    assert one.estimate.variance == pytest.approx(other.estimate.variance, rel=1e-10)


def _crossed(seed: int, patients: int, operators: int, spread: float) -> tuple[np.ndarray, ...]:
    generator = np.random.default_rng(seed)
    n = 2 * patients
    patient = np.repeat(np.arange(patients), 2)
    operator = generator.integers(0, operators, n)
    z = generator.normal(size=n)
    lean = generator.normal(size=operators) * 0.8
    treated = (generator.random(n) < expit(-0.6 + 0.7 * z + lean[operator])).astype(float)
    skill = spread * generator.normal(size=operators)
    logit = 0.3 + 0.5 * treated - 0.6 * z + skill[operator]
    outcome = (generator.random(n) < expit(logit)).astype(float)
    return np.vstack([np.ones(n), z]), treated, outcome, patient, operator


def test_two_way_clustering_agrees_with_another_program() -> None:
    """statsmodels 0.15, Logit with cov_type "cluster" and two columns of groups: Cameron, Gelbach & Miller's sum."""
    from statsmodels.discrete.discrete_model import Logit

    design, treated, outcome, patient, operator = _crossed(3, 150, 12, 0.7)
    matrix = np.vstack([design, treated])
    groups = np.stack([patient, operator], axis=1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        peer = Logit(outcome, matrix.T).fit(
            disp=0, cov_type="cluster", cov_kwds={"groups": groups, "use_correction": True}, tol=1e-12
        )
    own = two_way_covariance(_whitened(matrix, outcome), patient, operator)
    assert own == pytest.approx(peer.cov_params(), rel=1e-6, abs=1e-9)


def test_two_way_errors_are_those_of_operators_when_each_patient_has_one_operator() -> None:
    design, treated, outcome, patient, _ = _crossed(5, 120, 10, 0.7)
    operator = patient % 10
    fit = _whitened(np.vstack([design, treated]), outcome)
    approach = np.array([0.0, 0.0, 1.0])
    both = two_way_bias_reduced(fit, patient, operator, approach)
    alone = bias_reduced(fit, operator, approach)
    within = bias_reduced(fit, patient, approach)
    assert both.variance == pytest.approx(max(alone.variance, within.variance), rel=1e-12)
    assert both.degrees_of_freedom == min(alone.degrees_of_freedom, within.degrees_of_freedom)


def test_intervals_hold_with_twelve_operators_as_clusters() -> None:
    """400 services of 12 operators who lean differently: the usual interval misses too often, the bias-reduced one does not."""
    services, operators, each, truth = 400, 12, 40, 0.5
    generator = np.random.default_rng(11)
    reduced = plain = 0
    for _ in range(services):
        n = operators * each
        operator = np.repeat(np.arange(operators), each)
        z = generator.normal(size=n)
        treated = (generator.random(n) < expit(-0.5 + 0.6 * z + generator.normal(size=operators)[operator])).astype(
            float
        )
        # The approach's effect differs between operators: what a random intercept would leave out.
        effect = truth + 0.5 * generator.normal(size=operators)
        outcome = (generator.random(n) < expit(0.2 + effect[operator] * treated - 0.5 * z)).astype(float)
        design = np.vstack([np.ones(n), z])
        found = conditional_odds_ratio(design, treated, outcome, operator)
        interval = found.estimate.effect(0.95)
        reduced += interval.lower <= np.exp(truth) <= interval.upper
        matrix = np.vstack([design, treated])
        error = np.sqrt(cluster_covariance(_whitened(matrix, outcome), operator)[2, 2])
        plain += abs(found.estimate.value - truth) <= 1.959964 * error
    print(f"coverage with 12 operators: CR2 {reduced / services:.3f}, CR0 and normal {plain / services:.3f}")
    assert 0.925 <= reduced / services <= 0.975  # 95 % within 2.3 simulation errors of 1.1 points
    assert plain / services < 0.925


def test_an_approach_without_events_gets_a_reason_and_no_number() -> None:
    n = 60
    treated = (np.arange(n) % 3 == 0).astype(float)
    outcome = np.where(treated == 1, 0.0, np.arange(n) % 2)
    found = conditional_odds_ratio(np.ones((1, n)), treated, outcome, np.arange(n))
    assert found.estimate is None
    assert "no lesion started retrograde had the outcome" in found.withheld_because


def test_a_characteristic_that_predicts_the_outcome_perfectly_gets_a_reason() -> None:
    generator = np.random.default_rng(2)
    z = generator.normal(size=80)
    treated = generator.integers(0, 2, 80).astype(float)
    found = conditional_odds_ratio(np.vstack([np.ones(80), z]), treated, (z > 0).astype(float), np.arange(80))
    assert found.estimate is None
    assert "predicts the outcome perfectly" in found.withheld_because


def test_an_approach_that_one_operator_alone_uses_gives_no_interval() -> None:
    design, treated, outcome, _, operator = _crossed(3, 60, 4, 0.0)
    found = conditional_odds_ratio(design, treated * (operator == 0), outcome, operator)
    assert found.estimate is None
    assert "one of them alone carries the comparison" in found.withheld_because


def test_one_operator_alone_gives_no_interval() -> None:
    design, treated, outcome, _, _ = _crossed(3, 60, 4, 0.0)
    found = conditional_odds_ratio(design, treated, outcome, np.zeros(len(outcome), dtype=np.int64))
    assert found.estimate is None
    assert "too few clusters" in found.withheld_because


def test_two_operators_give_a_number_with_a_caution() -> None:
    design, treated, outcome, _, operator = _crossed(3, 60, 2, 0.5)
    found = conditional_odds_ratio(design, treated, outcome, operator)
    assert found.estimate is None or "too few to be trusted" in found.remark
