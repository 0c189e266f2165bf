"""Scores fitted for balance: exact balance, and intervals against delicatessen, statsmodels and a known truth."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from nhefs_study import nhefs
from scipy.stats import norm

from models.balance import contrast
from models.balancing_score import fit_balancing_score
from models.comparison import weighted_risks
from models.logistic import expit
from models.propensity import Design, Term, fit_score
from models.weights import balancing_weights

Z = norm.ppf(0.975)


def _design(matrix: np.ndarray) -> Design:
    return Design(tuple(Term(f"x{j}", f"x{j}", f"x{j}") for j in range(len(matrix))), matrix, ())


def _service(seed: int, patients: int):
    """Two lesions a patient with a shared frailty; the approach follows a logistic score of two traits."""
    rng = np.random.default_rng(seed)
    cluster = np.repeat(np.arange(patients), 2)
    n = len(cluster)
    x = np.vstack([np.ones(n), rng.normal(size=(2, n))])
    frailty = rng.normal(size=patients)[cluster]
    a = (rng.random(n) < expit(x.T @ [-0.4, 0.9, -0.5])).astype(float)
    y = (rng.random(n) < expit(-0.2 + 0.6 * a + 0.8 * x[1] + 0.6 * frailty)).astype(float)
    return cluster, a, y, _design(x)


@pytest.mark.parametrize("population", ["overlap", "all", "treated"])
def test_balancing_scores_leave_no_difference_in_any_term(population) -> None:
    study = nhefs()
    score = fit_balancing_score(study.score.design, study.treated, population)
    assert score.fit.failed_because is None
    weight = balancing_weights(score.probability, study.treated, population).weight
    left = [abs(contrast(line, study.treated, weight).smd) for line in score.design.matrix[1:]]
    assert max(left) < 1e-7
    if population != "overlap":  # the ordinary score does not do that
        plain = balancing_weights(study.score.probability, study.treated, population).weight
        assert max(abs(contrast(line, study.treated, plain).smd) for line in score.design.matrix[1:]) > 0.01


def test_for_overlap_weights_the_ordinary_score_is_the_balancing_score() -> None:
    """Li, Morgan & Zaslavsky 2018, theorem 3."""
    _, a, _, design = _service(2, 200)
    assert np.array_equal(fit_balancing_score(design, a, "overlap").probability, fit_score(design, a).probability)


def test_the_balancing_score_of_the_treated_weighs_as_entropy_balancing_does() -> None:
    """Zhao & Percival 2017. Reference: the dual of Hainmueller 2012, log sum exp(x'g) - mean_1'g, minimized by scipy."""
    from scipy.optimize import minimize
    from scipy.special import logsumexp, softmax

    _, a, _, design = _service(7, 200)
    x0, target = design.matrix[1:, a == 0], design.matrix[1:, a == 1].mean(1)
    dual = minimize(lambda g: logsumexp(g @ x0) - g @ target, np.zeros(2), method="BFGS", options={"gtol": 1e-10})
    score = fit_balancing_score(design, a, "treated")
    weight = balancing_weights(score.probability, a, "treated").weight[a == 0]
    assert weight / weight.sum() == pytest.approx(softmax(dual.x @ x0), rel=1e-5)


@pytest.mark.parametrize("population", ["all", "treated"])
def test_intervals_with_a_balancing_score_agree_with_a_general_m_estimation_library(population) -> None:
    """Reference: delicatessen 4.3, balance conditions and risks stacked, summed within patients."""
    from delicatessen import MEstimator

    cluster, a, y, design = _service(11, 250)
    x = design.matrix
    score = fit_balancing_score(design, a, population)

    def equations(theta: np.ndarray) -> np.ndarray:
        e = expit(theta[:3] @ x)
        w = balancing_weights(e, a, population).weight
        rows = np.vstack([x * (a * w - (1 - a) * w), a * w * (y - theta[3]), (1 - a) * w * (y - theta[4])])
        return np.vstack([np.bincount(cluster, row) for row in rows])

    ours = weighted_risks(a, y, cluster, population, score, small_sample="none")
    reference = MEstimator(equations, init=[*fit_score(design, a).fit.coefficients, 0.5, 0.5])
    reference.estimate(solver="lm", maxiter=5000, tolerance=1e-11)
    assert score.fit.coefficients == pytest.approx(reference.theta[:3], abs=1e-6)
    assert [ours.risk_1, ours.risk_0] == pytest.approx(reference.theta[3:], abs=1e-7)
    contrast_ = np.array([0, 0, 0, 1, -1])
    error = np.linalg.norm(ours.influence_1 - ours.influence_0)
    assert error == pytest.approx(np.sqrt(contrast_ @ reference.variance @ contrast_), rel=1e-5)


def test_the_weighted_difference_is_that_of_a_weighted_regression_with_or_without_the_traits() -> None:
    """Exact balance: adding the balanced traits to a weighted linear regression cannot change the difference. Reference: statsmodels WLS."""
    import statsmodels.api as sm

    study = nhefs()
    y = study.outcome(pl.col("wt82_71"))
    for population in ("all", "treated"):
        score = fit_balancing_score(study.score.design, study.treated, population)
        weight = balancing_weights(score.probability, study.treated, population).weight
        found = weighted_risks(study.treated, y, study.each_alone, population, score)
        adjusted = np.column_stack([study.treated, study.score.design.matrix.T])
        reference = sm.WLS(y, adjusted, weights=weight).fit().params[0]
        assert found.risk_1 - found.risk_0 == pytest.approx(reference, abs=1e-6)


def test_approaches_that_no_weights_can_make_alike_are_reported_not_fitted() -> None:
    x = np.vstack([np.ones(60), np.r_[np.linspace(-2, 1, 30), np.linspace(1.1, 3, 30)]])
    a = np.repeat([0.0, 1.0], 30)
    for population in ("all", "treated"):
        assert fit_balancing_score(_design(x), a, population).fit.failed_because is not None
    # Means of those started from below outside the reach of those from above, though the score itself can be fitted.
    rng = np.random.default_rng(1)
    shifted = np.r_[rng.uniform(0, 2, 40), rng.uniform(0, 2, 10), rng.uniform(2.5, 4, 30)]
    a = np.repeat([0.0, 1.0], 40)
    design = _design(np.vstack([np.ones(80), (shifted - shifted.mean()) / shifted.std()]))
    assert fit_score(design, a).fit.failed_because is None
    assert "no weights" in (fit_balancing_score(design, a, "treated").fit.failed_because or "")


def test_terms_that_depend_on_each_other_are_reported_not_fitted() -> None:
    _, a, _, design = _service(3, 100)
    doubled = _design(np.vstack([design.matrix, design.matrix[1]]))
    assert fit_balancing_score(doubled, a, "all").fit.failed_because is not None


@pytest.mark.parametrize("lesions", [300, 1000])
def test_intervals_with_a_balancing_score_hold_the_truth(lesions: int) -> None:
    """400 services. The true difference by Gauss-Hermite quadrature over trait and frailty."""
    points, mass = np.polynomial.hermite_e.hermegauss(40)
    one, two, three = np.meshgrid(points, points, points, indexing="ij")
    share = np.einsum("i,j,k->ijk", mass, mass, mass) / mass.sum() ** 3
    chance = {arm: expit(-0.2 + 0.6 * arm + 0.8 * one + 0.6 * two) for arm in (0, 1)}
    target = {"all": np.ones_like(one), "treated": expit(-0.4 + 0.9 * one - 0.5 * three)}
    truth = {name: float((share * h * (chance[1] - chance[0])).sum() / (share * h).sum()) for name, h in target.items()}
    found: dict[str, list[tuple[float, float]]] = {"all": [], "treated": []}
    for seed in range(400):
        cluster, a, y, design = _service(seed, lesions // 2)
        for population, into in found.items():
            score = fit_balancing_score(design, a, population)  # type: ignore[arg-type]
            if score.fit.failed_because is None:
                risks = weighted_risks(a, y, cluster, population, score)  # type: ignore[arg-type]
                into.append((risks.risk_1 - risks.risk_0, float(np.linalg.norm(risks.influence_1 - risks.influence_0))))
    for population, answers in found.items():
        estimate, error = np.array(answers).T
        assert len(estimate) >= 398
        assert abs(estimate.mean() - truth[population]) < 3 * estimate.std(ddof=1) / 20
        covered = (np.abs(estimate - truth[population]) < Z * error).mean()
        assert 0.92 <= covered <= 0.98, (population, covered)  # 95 % with three simulation errors of 1.1 %
        assert error.mean() == pytest.approx(estimate.std(ddof=1), rel=0.1)
