"""Weights that are stabilized, cut off, trimmed, or joined with weights for outcomes that are not known: against R and delicatessen."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from nhefs_study import Study, design, nhefs
from oracle import assert_agrees, record
from scipy.stats import norm

from models.comparison import compare_risks, weighted_risks
from models.logistic import expit
from models.observation_weights import joint_weights, observation_weights, observed_risks
from models.propensity import Design, Term, fit_score
from models.weights import (
    BalancingWeights,
    balancing_weights,
    common_support,
    effective_n,
    stabilized_weights,
    truncate,
    within_scores,
)

GAIN = pl.col("wt82_71")
Z = norm.ppf(0.975)


@pytest.fixture(scope="module")
def study() -> Study:
    return nhefs()


def _difference(found) -> tuple[float, float]:
    return found.risk_1 - found.risk_0, float(np.linalg.norm(found.influence_1 - found.influence_0))


def test_the_weighted_difference_of_a_number_agrees_with_r_and_with_the_published_one(study: Study) -> None:
    weights = balancing_weights(study.score.probability, study.treated, "all")
    y = study.outcome(GAIN)
    found = weighted_risks(study.treated, y, study.each_alone, "all", study.score, small_sample="none")
    known = weighted_risks(study.treated, y, study.each_alone, "all", None, weights=weights)
    diff, error = _difference(found)
    _, error_known = _difference(known)
    n = len(y)
    got = {
        "m1": found.risk_1,
        "m0": found.risk_0,
        "diff": diff,
        "se_stacked": error,
        "lo_stacked": diff - Z * error,
        "hi_stacked": diff + Z * error,
        "se_gee_fixedw": error_known,
        "lo_gee": diff - Z * error_known,
        "hi_gee": diff + Z * error_known,
        "se_svyglm": error_known * np.sqrt(n / (n - 1)),
        "w_min": weights.weight.min(),
        "w_mean": weights.weight.mean(),
        "w_max": weights.weight.max(),
        "w_sd": weights.weight.std(ddof=1),
        "ess_treated": effective_n(weights.weight[study.treated == 1]),
        "ess_control": effective_n(weights.weight[study.treated == 0]),
    }
    assert_agrees("H02-nhefs-ipw-ate", got)
    assert diff == pytest.approx(record("H02-nhefs-ipw-ate")["expected"]["published"]["diff"], abs=6e-4)


def test_stabilized_weights_agree_with_r_and_give_the_same_difference(study: Study) -> None:
    weights = stabilized_weights(study.score.probability, study.treated)
    w = weights.weight
    found = weighted_risks(
        study.treated, study.outcome(GAIN), study.each_alone, "all", study.score, small_sample="none", weights=weights
    )
    got = {"min": w.min(), "mean": w.mean(), "max": w.max(), "median": np.median(w)}
    got |= {f"q{100 * q:02.0f}": np.quantile(w, q) for q in (0.01, 0.25, 0.75, 0.99)}
    got["ipw_diff_same_as_unstabilised"] = _difference(found)[0]
    assert_agrees("H03-nhefs-stabilised-weights", got)
    assert _difference(found)[1] == pytest.approx(record("H02-nhefs-ipw-ate")["expected"]["se_stacked"], rel=1e-6)


def test_truncated_and_trimmed_differences_agree_with_r(study: Study) -> None:
    a, y, e = study.treated, study.outcome(GAIN), study.score.probability
    cut = truncate(balancing_weights(e, a, "all"))
    truncated = weighted_risks(a, y, study.each_alone, "all", study.score, weights=cut.weights)
    stay = within_scores(e)
    trimmed = weighted_risks(a, y, study.each_alone, "all", study.score, stay)
    again = fit_score(Design(study.score.design.terms, study.score.design.matrix[:, stay], ()), a[stay])
    refitted = weighted_risks(a[stay], y[stay], np.arange(stay.sum()), "all", again)
    support = common_support(e, a)
    assert support is not None
    got = {
        "trunc_lo": cut.lowest,
        "trunc_hi": cut.highest,
        "diff_truncated": _difference(truncated)[0],
        "crump_kept": stay.sum(),
        "crump_kept_treated": stay[a == 1].sum(),
        "crump_diff_ps_not_refitted": _difference(trimmed)[0],
        "crump_diff_ps_refitted": _difference(refitted)[0],
        "common_support_kept": support.member.sum(),
        "common_support_lo": support.lowest,
        "common_support_hi": support.highest,
    }
    assert_agrees("H04-nhefs-trim-truncate", got)
    assert cut.cut.sum() == ((cut.weights.weight == cut.lowest) | (cut.weights.weight == cut.highest)).sum()


def test_the_odds_ratio_of_inverse_probability_weighting_is_that_of_the_published_marginal_model(study: Study) -> None:
    """Hernan & Robins, program 12.5: weights taken as known, so the score is left out of the interval here."""
    weights = stabilized_weights(study.score.probability, study.treated)
    y = study.outcome(pl.col("death"))
    found = weighted_risks(study.treated, y, study.each_alone, "all", None, weights=weights)
    shown = compare_risks(study.treated, y, study.each_alone, "all", None, 0.95, 0.0, weights=weights).effects[2]
    p1, p0 = found.risk_1, found.risk_0
    u1, u0 = found.influence_1 / (p1 * (1 - p1)), found.influence_0 / (p0 * (1 - p0))
    error = float(np.linalg.norm(u1 - u0))
    got = {
        "intercept": np.log(p0 / (1 - p0)),
        "log_or": np.log(shown.estimate),
        "se_intercept_gee": np.linalg.norm(u0),
        "se_log_or_gee": error,
        "lo": np.log(shown.estimate) - Z * error,
        "hi": np.log(shown.estimate) + Z * error,
    }
    assert_agrees("H08-nhefs-death-msm-published", got)
    published = record("H08-nhefs-death-msm-published")["expected"]["published"]
    assert np.log(shown.estimate) == pytest.approx(published["log_or"], abs=6e-4)


@pytest.fixture(scope="module")
def everyone() -> tuple[Study, np.ndarray, object]:
    study = nhefs(weighed_again=False)
    observed = study.frame["wt82"].is_not_null().to_numpy().astype(float)
    return study, observed, fit_score(design(study.frame, "qsmk"), observed)


def test_joint_weights_for_approach_and_for_being_known_agree_with_r(everyone) -> None:
    study, observed, observation = everyone
    first = stabilized_weights(study.score.probability, study.treated)
    second = observation_weights(observation.probability, observed, study.treated)
    known = observed == 1
    weight = joint_weights(first, second)
    y = study.outcome(GAIN.fill_null(0.0))
    # Known weights, as in R's geeglm: given alone, without the scores behind them.
    given = BalancingWeights(weight[known], np.zeros(known.sum()))
    found = weighted_risks(study.treated[known], y[known], np.arange(known.sum()), "all", None, weights=given)
    diff, error = _difference(found)
    got = {
        "swa_max": first.weight.max(),
        "swa_min": first.weight.min(),
        "sw_mean": weight[known].mean(),
        "diff": diff,
        "se_gee": error,
        "lo": diff - Z * error,
        "hi": diff + Z * error,
    }
    assert_agrees("H09-nhefs-ipcw", got)
    stacked = observed_risks(study.treated, y, observed, study.each_alone, "all", study.score, observation)
    assert_agrees("H09-nhefs-ipcw", {"diff": _difference(stacked)[0]})


def _service(seed: int, patients: int, *, unknown: bool = False):
    """Patients of two lesions each with a shared frailty."""
    rng = np.random.default_rng(seed)
    cluster = np.repeat(np.arange(patients), 2)
    n = len(cluster)
    x = np.vstack([np.ones(n), rng.normal(size=(2, n))])
    frailty = rng.normal(size=patients)[cluster]
    a = (rng.random(n) < expit(x.T @ [-0.4, 0.9, -0.5])).astype(float)
    y = (rng.random(n) < expit(-0.2 + 0.6 * a + 0.8 * x[1] + 0.6 * frailty)).astype(float)
    seen = (rng.random(n) < expit(1.2 - 0.8 * x[1] + 0.7 * a)).astype(float) if unknown else np.ones(n)
    terms = tuple(Term(f"x{j}", f"x{j}", f"x{j}") for j in range(3))
    return cluster, a, y, seen, Design(terms, x, ())


def _true_difference() -> float:
    """In all lesions of `_service`: the trait and the frailty together are normal of variance 0.8^2 + 0.6^2 = 1; Gauss-Hermite quadrature."""
    points, mass = np.polynomial.hermite_e.hermegauss(60)
    return float((expit(0.4 + points) - expit(-0.2 + points)) @ mass / mass.sum())


@pytest.mark.parametrize("population", ["all", "treated", "overlap"])
def test_the_interval_of_truncated_weights_agrees_with_a_general_m_estimation_library(population) -> None:
    """Reference: delicatessen 4.3, the limits held fixed and the weights cut inside the equations."""
    from delicatessen import MEstimator

    cluster, a, y, _, made = _service(3, 250)
    score = fit_score(made, a)
    cut = truncate(balancing_weights(score.probability, a, population), 0.05, 0.95)
    assert cut.cut.sum() > 20

    def equations(theta: np.ndarray) -> np.ndarray:
        e = expit(theta[:3] @ made.matrix)
        w = np.clip(balancing_weights(e, a, population).weight, cut.lowest, cut.highest)
        rows = np.vstack([made.matrix * (a - e), a * w * (y - theta[3]), (1 - a) * w * (y - theta[4])])
        return np.vstack([np.bincount(cluster, row) for row in rows])

    ours = weighted_risks(a, y, cluster, population, score, small_sample="none", weights=cut.weights)
    # A tiny step for the derivative: weights have a corner at the limits.
    reference = MEstimator(equations, init=[*score.fit.coefficients, ours.risk_1, ours.risk_0])
    reference.estimate(solver="lm", maxiter=5000, dx=1e-9)
    assert [ours.risk_1, ours.risk_0] == pytest.approx(reference.theta[3:], abs=1e-7)
    contrast = np.array([0, 0, 0, 1, -1])
    error = float(np.sqrt(contrast @ reference.variance @ contrast))
    assert _difference(ours)[1] == pytest.approx(error, rel=1e-4)


def test_the_interval_of_joint_weights_agrees_with_a_general_m_estimation_library() -> None:
    from delicatessen import MEstimator

    cluster, a, y, seen, made = _service(5, 250, unknown=True)
    score = fit_score(made, a)
    wide = np.vstack([made.matrix, a])
    observation = fit_score(Design((*made.terms, Term("a", "a", "a")), wide, ()), seen)

    def equations(theta: np.ndarray) -> np.ndarray:
        e, known = expit(theta[:3] @ made.matrix), expit(theta[3:7] @ wide)
        rows = np.vstack(
            [
                made.matrix * (a - e),
                wide * (seen - known),
                a * seen / e / known * (y - theta[7]),
                (1 - a) * seen / (1 - e) / known * (y - theta[8]),
            ]
        )
        return np.vstack([np.bincount(cluster, row) for row in rows])

    unknown = np.where(seen == 1, y, np.nan)
    ours = observed_risks(a, unknown, seen, cluster, "all", score, observation, small_sample="none")
    start = [*score.fit.coefficients, *observation.fit.coefficients, ours.risk_1, ours.risk_0]
    reference = MEstimator(equations, init=start)
    reference.estimate(solver="lm", maxiter=5000)
    assert [ours.risk_1, ours.risk_0] == pytest.approx(reference.theta[7:], abs=1e-7)
    contrast = np.array([0] * 7 + [1, -1])
    assert _difference(ours)[1] == pytest.approx(np.sqrt(contrast @ reference.variance @ contrast), rel=1e-5)


def test_errors_of_truncated_and_joint_weights_match_the_spread_over_many_services() -> None:
    """400 services of 400 lesions."""
    truncated, joint = [], []
    for seed in range(400):
        cluster, a, y, seen, made = _service(seed, 200, unknown=True)
        score = fit_score(made, a)
        cut = truncate(stabilized_weights(score.probability, a), 0.01, 0.99)
        truncated.append(_difference(weighted_risks(a, y, cluster, "all", score, weights=cut.weights)))
        wide = Design((*made.terms, Term("a", "a", "a")), np.vstack([made.matrix, a]), ())
        observation = fit_score(wide, seen)
        joint.append(_difference(observed_risks(a, y, seen, cluster, "all", score, observation)))
    for found in (truncated, joint):
        estimate, error = np.array(found).T
        # The simulation error of an SD over 400 services is 3.5 %.
        assert error.mean() == pytest.approx(estimate.std(ddof=1), rel=0.09)
    estimate, error = np.array(joint).T
    truth = _true_difference()
    assert abs(estimate.mean() - truth) < 3 * estimate.std(ddof=1) / 20
    covered = np.abs(estimate - truth) < Z * error
    assert 0.92 <= covered.mean() <= 0.98


def test_truncation_at_no_quantile_changes_nothing(study: Study) -> None:
    plain = balancing_weights(study.score.probability, study.treated, "all")
    cut = truncate(plain, 0.0, 1.0)
    assert not cut.cut.any()
    assert np.array_equal(cut.weights.weight, plain.weight)
    assert np.array_equal(cut.weights.slope, plain.slope)


def test_approaches_whose_scores_never_meet_have_no_common_support() -> None:
    found = common_support(np.array([0.1, 0.2, 0.8, 0.9]), np.array([0.0, 0.0, 1.0, 1.0]))
    assert found is not None
    assert found.lowest > found.highest
    assert not found.member.any()
    assert common_support(np.array([0.1, 0.2]), np.zeros(2)) is None
