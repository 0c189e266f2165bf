"""The sandwich, the propensity design and balance: against delicatessen, and their properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.balance import contrast, differences_within
from models.comparison import compare_risks, weighted_risks
from models.logistic import expit, fit_logistic
from models.propensity import Covariate, Design, Term, build_design, fit_score
from models.spline import natural_spline


def _invented(seed: int, patients: int = 300, members: int = 2):
    rng = np.random.default_rng(seed)
    cluster = np.repeat(np.arange(patients), members)
    n = len(cluster)
    x = np.vstack([np.ones(n), rng.normal(size=(2, n))])
    frailty = rng.normal(size=patients)[cluster]
    a = (rng.random(n) < expit(x.T @ [-0.5, 0.8, -0.4])).astype(float)
    y = (rng.random(n) < expit(0.3 + 0.5 * a + x[1] + 0.8 * frailty)).astype(float)
    design = Design(tuple(Term(f"x{j}", f"x{j}", f"x{j}") for j in range(3)), x, ())
    return cluster, a, y, fit_score(design, a)


@pytest.mark.parametrize("population", ["overlap", "all", "treated"])
@pytest.mark.parametrize("masked", [False, True])
def test_the_clustered_sandwich_agrees_with_a_general_m_estimation_library(population, masked: bool) -> None:
    """Reference: delicatessen 4.3, all equations stacked, scores summed within patients (Stefanski & Boos 2002)."""
    from delicatessen import MEstimator

    cluster, a, y, score = _invented(4)
    x = score.design.matrix
    member = (x[2] > 0).astype(float) if masked else np.ones(len(a))

    def equations(theta: np.ndarray) -> np.ndarray:
        e = expit(theta[:3] @ x)
        h = {"overlap": e * (1 - e), "all": np.ones_like(e), "treated": e}[population]
        rows = np.vstack(
            [
                x * (a - e),
                member * a * h / e * (y - theta[3]),
                member * (1 - a) * h / (1 - e) * (y - theta[4]),
                np.full_like(e, (theta[3] - theta[4] - theta[5]) / 2),
            ]
        )
        return np.vstack([np.bincount(cluster, row) for row in rows])

    reference = MEstimator(equations, init=[0, 0, 0, 0.5, 0.5, 0])
    reference.estimate(solver="lm", maxiter=5000, tolerance=1e-10)
    ours = weighted_risks(a, y, cluster, population, score, member == 1, small_sample="none")
    assert ours.risk_1 - ours.risk_0 == pytest.approx(reference.theta[5], abs=1e-8)
    error = float(np.linalg.norm(ours.influence_1 - ours.influence_0))
    assert error == pytest.approx(float(np.sqrt(reference.variance[5, 5])), rel=1e-5)


def test_lesions_of_one_patient_that_agree_widen_the_interval() -> None:
    cluster, a, y, score = _invented(8)
    wide = compare_risks(np.repeat(a, 3), np.repeat(y, 3), np.repeat(cluster, 3), "observed", None, 0.95, 5.0).effects[
        0
    ]
    plain = compare_risks(a, y, cluster, "observed", None, 0.95, 5.0).effects[0]
    naive = compare_risks(np.repeat(a, 3), np.repeat(y, 3), np.arange(3 * len(a)), "observed", None, 0.95, 5.0).effects[
        0
    ]
    assert wide.upper - wide.lower == pytest.approx(plain.upper - plain.lower, rel=1e-9)
    assert naive.upper - naive.lower < 0.7 * (plain.upper - plain.lower)
    assert score.fit.failed_because is None


def test_swapping_the_approaches_turns_the_difference_round() -> None:
    cluster, a, y, score = _invented(5)
    swapped = fit_score(score.design, 1 - a)
    there = compare_risks(a, y, cluster, "overlap", score, 0.95, 5.0)
    back = compare_risks(1 - a, y, cluster, "overlap", swapped, 0.95, 5.0)
    assert there.effects[0].estimate == pytest.approx(-back.effects[0].estimate, abs=1e-9)
    assert there.effects[0].lower == pytest.approx(-back.effects[0].upper, abs=1e-9)
    assert there.effects[2].estimate == pytest.approx(1 / back.effects[2].estimate, rel=1e-9)


def test_a_profile_with_no_failure_in_one_arm_keeps_a_finite_interval() -> None:
    cluster, a, _, score = _invented(6)
    y = np.where(a == 1, 1.0, (np.arange(len(a)) % 3 > 0).astype(float))
    found = compare_risks(a, y, cluster, "overlap", score, 0.95, 5.0)
    assert found.sparse
    for effect in found.effects:
        assert np.isfinite([effect.estimate, effect.lower, effect.upper]).all()
        assert effect.lower < effect.estimate < effect.upper
    assert found.effects[0].upper < 1


def test_an_approach_that_a_trait_predicts_perfectly_is_reported_not_fitted() -> None:
    x = np.vstack([np.ones(60), np.repeat([0.0, 1.0], 30)])
    assert fit_logistic(x, x[1]).failed_because is not None
    doubled = np.vstack([x, x[1]])
    a = (np.arange(60) % 3 == 0).astype(float)
    assert fit_logistic(doubled, a).failed_because is not None


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_logistic_fits_agree_with_statsmodels(seed: int) -> None:
    import statsmodels.api as sm

    rng = np.random.default_rng(seed)
    x = np.vstack([np.ones(200), rng.normal(size=(3, 200))])
    a = (rng.random(200) < expit(x.T @ rng.normal(scale=0.7, size=4))).astype(float)
    if min(a.sum(), 200 - a.sum()) < 30:
        return
    fit = fit_logistic(x, a)
    reference = sm.Logit(a, x.T).fit(disp=0, method="newton", maxiter=200)
    assert fit.coefficients == pytest.approx(reference.params, abs=1e-6)
    assert np.linalg.inv(fit.information) == pytest.approx(reference.cov_params(), rel=1e-5, abs=1e-8)


def test_the_spline_is_straight_beyond_its_outer_knots() -> None:
    """Harrell 2015, equation 2.25: linear tails."""
    values = np.linspace(0, 100, 401)
    basis = natural_spline(values)
    assert basis.shape == (3, 401)
    for line in basis:
        assert np.abs(np.diff(line[values > 96], 2)).max() < 1e-9
        assert np.abs(np.diff(line[values < 4], 2)).max() < 1e-9
    assert np.abs(np.diff(basis[1], 2)).max() > 1e-6


def _levels(values: list[float], levels: tuple[str, ...], name: str = "calcium") -> Covariate:
    return Covariate(name, name, "category", np.array(values), levels, levels)


def test_a_level_seen_by_one_approach_only_is_pooled_and_told() -> None:
    a = np.tile([0.0, 1.0], 50)
    values = np.where(np.arange(100) < 80, np.arange(100) // 40, np.where(a == 1, 2, 0)).astype(float)
    design = build_design((_levels(list(values), ("none", "mild", "severe")),), a)
    assert not any("severe" in term.name for term in design.terms)
    assert any("severe" in remark for remark in design.pooled)
    assert fit_score(design, a).fit.failed_because is None


def test_a_missing_value_is_an_indicator_and_never_a_level_of_its_own_value() -> None:
    rng = np.random.default_rng(2)
    a = np.tile([0.0, 1.0], 100)
    length = rng.normal(150, 40, 200)
    length[rng.random(200) < 0.2] = np.nan
    design = build_design((Covariate("length_mm", "length", "number", length),), a)
    names = [term.name for term in design.terms]
    assert "length_mm not recorded" in names
    assert np.isfinite(design.matrix).all()


def test_a_term_told_by_others_is_left_out_rather_than_breaking_the_fit() -> None:
    a = np.tile([0.0, 0.0, 1.0], 60)
    level = np.tile([0.0, 1.0, 2.0, 0.0], 45)
    below = (level > 0).astype(float)
    design = build_design((_levels(list(level), ("a", "b", "c")), _levels(list(below), ("no", "yes"), "below_knee")), a)
    assert fit_score(design, a).fit.failed_because is None
    assert any("left out" in remark for remark in design.pooled)


def test_the_leverage_is_that_of_a_regression_on_the_score_contributions() -> None:
    """Reference: the hat matrix of numpy's least squares, with the information as the cross product."""
    _, a, _, score = _invented(11, patients=60)
    contributions = (a - score.probability) * score.design.matrix
    hat = contributions.T @ np.linalg.inv(score.fit.information) @ contributions
    assert score.leverage == pytest.approx(np.diag(hat), rel=1e-9)


def test_the_small_sample_correction_widens_a_small_study_and_vanishes_in_a_large_one() -> None:
    gains = []
    for patients in (40, 4000):
        cluster, a, y, score = _invented(12, patients=patients)
        corrected, plain = (
            compare_risks(a, y, cluster, "overlap", score, 0.95, 0.0, small_sample=kind).effects[0]
            for kind in ("leverage", "none")
        )
        gains.append((corrected.upper - corrected.lower) / (plain.upper - plain.lower))
    assert gains[0] > 1.005
    assert 1 < gains[1] < 1.001


def test_a_trait_that_tells_the_approaches_apart_perfectly_is_a_large_difference_not_none() -> None:
    a = np.repeat([1.0, 0.0], [30, 70])
    ones = np.ones(100)
    apart, alike = contrast(a, a, ones), contrast(np.full(100, 3.0), a, ones)
    assert apart.smd == pytest.approx(1 / np.sqrt(0.3 * 0.7))
    assert alike.smd == 0
    inside = differences_within(np.vstack([2 * a - 0.6, np.full(100, 3.0), a]), a, ones, [ones == 1], 0.0)[0]
    assert inside == pytest.approx([apart.smd, 0.0, apart.smd])
