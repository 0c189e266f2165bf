"""Bounds for a trait that was not recorded: printed values, plain regressions, and services whose hidden trait is known."""

from __future__ import annotations

import numpy as np
import pytest
from hidden_trait import HiddenScenario, HiddenTruth, drawn, residuals
from scipy.stats import norm

from models.comparison import weighted_risks
from models.logistic import expit
from models.measured_strengths import measured_strengths, strength_relative_to, strongest, times_needed
from models.omitted_bias import Strength, averaged, bias_scale, bounded_interval, imbens_manski, robustness_value
from models.propensity import Design, Term, fit_score

# Cinelli & Hazlett 2020, section 5 (violence in Darfur): estimate, standard error and degrees of freedom of their regression.
DARFUR = {"estimate": 0.09732, "error": 0.02326, "df": 783}
# Their table of traits 1, 2 and 3 times as strong as "female": partial R squared with treatment and outcome, adjusted estimate (from memory).
DARFUR_FEMALE = {1: (0.0092, 0.1246, 0.0752), 2: (0.0183, 0.2493, 0.0529), 3: (0.0275, 0.3741, 0.0304)}

SCENARIOS = (
    HiddenScenario("against", 1.5, -0.25),
    HiddenScenario("for", 1.5, 0.25),
    HiddenScenario("rare trait", 2.0, -0.15, share=0.2),
    HiddenScenario("logistic, uneven effect", 1.5, -0.12, logistic=True),
    HiddenScenario("very strong with approach", 3.0, 0.1, share=0.5, logistic=True),
)


def test_robustness_values_agree_with_the_printed_ones() -> None:
    """Cinelli & Hazlett 2020, table 1: 13.9 % and, at 5 %, 7.6 %."""
    scale = DARFUR["error"] * np.sqrt(DARFUR["df"])
    half = 1.963 * DARFUR["error"]
    found = robustness_value(scale, DARFUR["estimate"], DARFUR["estimate"] - half, DARFUR["estimate"] + half)
    assert (found.estimate, found.limit) == pytest.approx((0.139, 0.076), abs=0.0006)
    turned = robustness_value(scale, -DARFUR["estimate"], -DARFUR["estimate"] - half, -DARFUR["estimate"] + half)
    assert turned == found
    assert robustness_value(scale, 0.01, -0.02, 0.04).limit == 0


@pytest.mark.parametrize("times", DARFUR_FEMALE)
def test_traits_as_strong_as_a_measured_one_agree_with_the_printed_table(times: int) -> None:
    approach, outcome, adjusted = DARFUR_FEMALE[times]
    bias = DARFUR["error"] * np.sqrt(DARFUR["df"]) * Strength(approach, outcome).bias_factor
    assert DARFUR["estimate"] - bias == pytest.approx(adjusted, abs=2e-4)
    once = DARFUR_FEMALE[1]
    own_approach = once[0] / (
        1 + once[0]
    )  # the covariate's own strength, back from the printed bound for once as strong
    shared = own_approach**2 / (1 - own_approach) ** 2
    ratio = once[1] * (1 - shared) / (1 + np.sqrt(shared)) ** 2
    found = strength_relative_to(own_approach, ratio / (1 + ratio), times, times)
    assert (found.approach, found.outcome) == pytest.approx((approach, outcome), abs=6e-4)


def _regressed(rng: np.random.Generator, n: int = 2000):
    """A number with a curve, a category of three levels and a flag, with their product."""
    number, level, flag = rng.normal(size=n), rng.integers(0, 3, n), (rng.random(n) < 0.4).astype(float)
    rows = [np.ones(n), number, number**2, level == 1, level == 2, flag, flag * number]
    groups = ("constant", "length", "length", "calcium", "calcium", "bypass", "bypass x length")
    matrix = np.vstack(rows).astype(float)
    a = (rng.random(n) < expit(-0.5 + 0.5 * number + 0.7 * (level == 2) - 0.4 * flag)).astype(float)
    y = (rng.random(n) < np.clip(0.5 + 0.1 * a - 0.1 * number - 0.15 * (level == 2), 0, 1)).astype(float)
    return matrix, groups, a, y


def test_measured_strengths_are_what_leaving_a_trait_out_of_two_regressions_shows() -> None:
    """Reference: sums of squares of statsmodels OLS with and without the trait's terms."""
    import statsmodels.api as sm

    matrix, groups, a, y = _regressed(np.random.default_rng(1))
    found = {m.name: m for m in measured_strengths(y, a, matrix, groups)}
    assert list(found) == ["length", "calcium", "bypass"]
    for name, strength in found.items():
        keep = [j for j, g in enumerate(groups) if name not in g.split(" x ")]
        full, short = sm.OLS(a, matrix.T).fit().ssr, sm.OLS(a, matrix[keep].T).fit().ssr
        assert strength.approach == pytest.approx(1 - full / short, rel=1e-8)
        long = sm.OLS(y, np.column_stack([a, matrix.T])).fit()
        reduced = sm.OLS(y, np.column_stack([a, matrix[keep].T])).fit()
        assert strength.outcome == pytest.approx(1 - long.ssr / reduced.ssr, rel=1e-8)
        assert strength.moves == pytest.approx(reduced.params[0] - long.params[0], rel=1e-8)
        assert strength.gap * strength.effect == pytest.approx(strength.moves)
    assert strongest(tuple(found.values())).name == "length"


def test_a_yes_no_trait_stands_on_the_surface_where_its_own_gap_and_effect_are() -> None:
    """For a flag of half the lesions, unrelated to the other traits, gap and effect are the two plain differences."""
    rng = np.random.default_rng(2)
    flag = np.tile([0.0, 1.0], 20_000)
    a = (rng.random(40_000) < 0.3 + 0.3 * flag).astype(float)
    y = (rng.random(40_000) < 0.3 + 0.1 * a + 0.2 * flag).astype(float)
    (found,) = measured_strengths(y, a, np.vstack([np.ones(40_000), flag]), ("constant", "flag"))
    assert found.effect == pytest.approx(0.2, abs=0.02)
    assert found.gap == pytest.approx(flag[a == 1].mean() - flag[a == 0].mean(), abs=0.01)


def test_a_hidden_twin_of_a_measured_trait_is_as_strong_as_its_bound_says() -> None:
    """Cinelli & Hazlett 2020, equations 12 and 15: exact with the approach for a twin, at least as large with the outcome."""
    rng = np.random.default_rng(3)
    n = 200_000
    seen, twin = rng.normal(size=(2, n))
    a = 0.6 * (seen + twin) + rng.normal(size=n)
    y = 0.2 * a + 0.5 * (seen + twin) + rng.normal(size=n)
    (measured,) = measured_strengths(y, a, np.vstack([np.ones(n), seen]), ("constant", "seen"))
    stated = measured.times(1.0)
    both = measured_strengths(y, a, np.vstack([np.ones(n), seen, twin]), ("constant", "seen", "twin"))
    hidden = next(m for m in both if m.name == "twin")
    assert stated.approach == pytest.approx(hidden.approach, rel=0.02)
    assert hidden.outcome < stated.outcome < 3 * hidden.outcome


def test_the_multiple_that_moves_the_answer_to_zero_does_so() -> None:
    matrix, groups, a, y = _regressed(np.random.default_rng(4))
    most = strongest(measured_strengths(y, a, matrix, groups))
    times = times_needed(most, 1.1, 0.08)
    assert 1.1 * most.times(times).bias_factor == pytest.approx(0.08)
    assert times_needed(most, 1.1, 0.0) == 0
    assert times_needed(measured_strengths(y, a, matrix, groups)[0], 1e-9, 0.5) is None


def test_no_trait_is_more_than_everything() -> None:
    assert strength_relative_to(0.4, 0.1, 2.0, 2.0) is None
    assert strength_relative_to(0.1, 0.6, 3.0, 3.0).outcome == 1.0


def test_the_partialled_out_difference_and_its_error_are_those_of_a_regression() -> None:
    """Reference: statsmodels OLS of outcome residual on approach residual with cluster-robust errors (no small-sample factor)."""
    import statsmodels.api as sm

    truth = HiddenScenario("for", 1.0, 0.1).truth()
    cell, a, y = drawn(truth, 1500, np.random.default_rng(5))
    outcome, approach = residuals(cell, a, y)
    cluster = np.arange(1500) // 2
    found = bias_scale(outcome, approach, cluster)
    fit = sm.OLS(outcome, approach).fit()
    robust = fit.get_robustcov_results("cluster", groups=cluster, use_correction=False)
    assert found.difference == pytest.approx(fit.params[0])
    assert np.linalg.norm(found.difference_influence) == pytest.approx(robust.bse[0])
    assert found.scale == pytest.approx(np.sqrt((fit.resid**2).mean() / (approach**2).mean()))


def test_the_influences_are_what_leaving_a_patient_out_changes() -> None:
    """The jackknife written out: leaving out patient g moves each number by minus its influence, to first order: 1 % allowed for
    the rest, which is of the order of the patient's leverage (at most 0.003 here)."""
    outcome, approach = residuals(*drawn(SCENARIOS[0].truth(), 2000, np.random.default_rng(15)))
    patient = np.arange(2000) // 2
    found = bias_scale(outcome, approach, patient)
    for g in range(20):
        rest = patient != g
        without = bias_scale(outcome[rest], approach[rest], np.arange(1998))
        assert without.scale - found.scale == pytest.approx(-found.scale_influence[g], rel=0.01, abs=2e-6)
        assert without.difference - found.difference == pytest.approx(
            -found.difference_influence[g], rel=0.01, abs=2e-6
        )
    assert np.abs(found.scale_influence[:20]).max() > 1e-4


def test_the_error_of_the_bias_scale_is_its_spread_over_services() -> None:
    truth, rng = SCENARIOS[0].truth(), np.random.default_rng(6)
    scales, errors = [], []
    for _ in range(400):
        found = bias_scale(*residuals(*drawn(truth, 1500, rng)), np.arange(1500))
        scales.append(found.scale)
        errors.append(np.linalg.norm(found.scale_influence))
    assert np.mean(errors) == pytest.approx(np.std(scales), rel=0.15)


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda s: s.name)
def test_the_bias_of_a_hidden_trait_stays_within_the_bound_of_its_true_strength(scenario: HiddenScenario) -> None:
    truth = scenario.truth()
    found = bias_scale(*residuals(*drawn(truth, 400_000, np.random.default_rng(7))), np.arange(400_000))
    assert found.difference == pytest.approx(truth.confounded, abs=0.008)
    bias = abs(truth.confounded - truth.difference)
    assert bias <= found.scale * truth.strength.bias_factor < 1.2 * bias  # and the bound wastes little


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda s: s.name)
def test_the_bounded_interval_covers_the_truth_when_the_stated_strength_is_the_true_one(scenario) -> None:
    """600 services of 1,500 lesions; 95 % stated, at least 90 % asked for, where the plain interval covers in far fewer."""
    truth, rng = scenario.truth(), np.random.default_rng(8)
    covered, plain = [], []
    for _ in range(600):
        scale = bias_scale(*residuals(*drawn(truth, 1500, rng)), np.arange(1500))
        bounded = bounded_interval(scale, truth.strength, 0.95)
        usual = bounded_interval(scale, Strength(0.0, 0.0), 0.95)
        covered.append(bounded.lower <= truth.difference <= bounded.upper)
        plain.append(usual.lower <= truth.difference <= usual.upper)
    assert np.mean(covered) >= 0.92
    assert np.mean(plain) < 0.65


def test_without_a_hidden_trait_the_interval_is_the_usual_one_and_covers() -> None:
    truth, rng = HiddenScenario("none", 0.0, 0.0).truth(), np.random.default_rng(9)
    covered = []
    for _ in range(400):
        scale = bias_scale(*residuals(*drawn(truth, 1500, rng)), np.arange(1500))
        found = bounded_interval(scale, Strength(0.0, 0.0), 0.95)
        error = np.linalg.norm(scale.difference_influence) * np.sqrt(1500 / 1499)
        assert found.upper - found.lower == pytest.approx(2 * norm.ppf(0.975) * error)
        covered.append(found.lower <= truth.difference <= found.upper)
    assert 0.91 <= np.mean(covered) <= 0.985


def test_a_hidden_trait_as_strong_as_the_strongest_measured_one_is_covered() -> None:
    """The hidden trait is a twin of the strongest measured one, and the plan states "once as strong", whose bound comes from the data."""
    rng = np.random.default_rng(10)
    n, weight = 1500, np.array([0.9, 0.4])
    covered, plain = [], []
    for _ in range(400):
        x = (rng.random((2, n)) < 0.5).astype(float)
        twin = (rng.random(n) < 0.5).astype(float)
        a = (rng.random(n) < expit(-0.9 + weight @ x + 0.9 * twin - 0.6)).astype(float)
        y = (rng.random(n) < 0.75 + 0.08 * a - 0.25 * x[0] - 0.05 * x[1] - 0.25 * twin).astype(float)
        cell = (2 * x[0] + x[1]).astype(int)
        scale = bias_scale(*residuals(cell, a, y), np.arange(n))
        measured = measured_strengths(y, a, np.vstack([np.ones(n), x]), ("constant", "calcium", "cap"))
        found = bounded_interval(scale, strongest(measured).times(1.0), 0.95)
        usual = bounded_interval(scale, Strength(0.0, 0.0), 0.95)
        covered.append(found.lower <= 0.08 <= found.upper)
        plain.append(usual.lower <= 0.08 <= usual.upper)
    assert np.mean(covered) >= 0.92
    assert np.mean(plain) < 0.5


def _shared_within_patients(rng: np.random.Generator, lesions: int):
    """Lesions in pairs of one patient; the hidden trait is the patient's. A measured number, and logistic chances with uneven effects."""
    patient = np.arange(lesions) // 2
    x = np.clip(rng.normal(size=lesions), -2.5, 2.5)
    hidden = np.array([[0.0, 1.0]])
    score = expit(-0.8 + 0.7 * x[:, None] + 1.5 * (hidden - 0.4))
    untreated = 0.3 - 0.6 * x[:, None] - 1.5 * (hidden - 0.4)
    truth = HiddenTruth(
        np.array([[0.6, 0.4]]) / lesions * np.ones((lesions, 1)), score, expit(untreated + 0.5), expit(untreated)
    )
    there = (rng.random(lesions // 2) < 0.4).astype(int)[patient]
    rows = np.arange(lesions)
    a = (rng.random(lesions) < score[rows, there]).astype(float)
    risk = np.where(a == 1, truth.risk_1[rows, there], truth.risk_0[rows, there])
    y = (rng.random(lesions) < risk).astype(float)
    return truth, patient, x, a, y


def test_the_bounded_interval_around_overlap_weighting_covers_when_lesions_share_the_hidden_trait() -> None:
    """The reported estimate with its own clustered influences; the strength is that of a population of 200,000 lesions."""
    population = _shared_within_patients(np.random.default_rng(12), 200_000)[0]
    strength, difference = population.strength, population.difference
    rng = np.random.default_rng(13)
    covered, plain = [], []
    for _ in range(400):
        _, patient, x, a, y = _shared_within_patients(rng, 1500)
        matrix = np.vstack([np.ones(1500), x, x**2, x**3])
        score = fit_score(Design(tuple(Term(n, n, n) for n in "0123"), matrix, ()), a)
        expected = matrix.T @ np.linalg.lstsq(matrix.T, y, rcond=None)[0]
        scale = bias_scale(y - expected, a - score.probability, patient)
        found = weighted_risks(a, y, patient, "overlap", score)
        estimate, influence = found.risk_1 - found.risk_0, found.influence_1 - found.influence_0
        bounded = bounded_interval(scale, strength, 0.95, estimate, influence=influence)
        usual = bounded_interval(scale, Strength(0.0, 0.0), 0.95, estimate, influence=influence)
        covered.append(bounded.lower <= difference <= bounded.upper)
        plain.append(usual.lower <= difference <= usual.upper)
    assert np.mean(covered) >= 0.92
    assert np.mean(plain) < 0.3


def test_the_scale_over_completed_data_sets_is_their_mean() -> None:
    rng = np.random.default_rng(14)
    scales = [bias_scale(*residuals(*drawn(SCENARIOS[0].truth(), 300, rng)), np.arange(300)) for _ in range(3)]
    found = averaged(scales)
    assert found.scale == pytest.approx(np.mean([s.scale for s in scales]))
    assert found.scale_influence[7] == pytest.approx(np.mean([s.scale_influence[7] for s in scales]))


def test_an_error_without_influences_gives_no_narrower_interval() -> None:
    truth = SCENARIOS[0].truth()
    scale = bias_scale(*residuals(*drawn(truth, 1500, np.random.default_rng(11))), np.arange(1500))
    error = float(np.linalg.norm(scale.difference_influence) * np.sqrt(1500 / 1499))
    full = bounded_interval(scale, truth.strength, 0.95)
    safe = bounded_interval(scale, truth.strength, 0.95, estimate=scale.difference, error=error)
    assert safe.lower <= full.lower
    assert safe.upper >= full.upper
    with pytest.raises(ValueError, match="standard error"):
        bounded_interval(scale, truth.strength, 0.95, estimate=0.1)


def test_the_quantile_goes_from_two_sided_where_bounds_meet_to_one_sided_where_they_lie_apart() -> None:
    """Imbens & Manski 2004, equation 7."""
    assert imbens_manski(0.0, 0.1, 0.95) == pytest.approx(norm.ppf(0.975))
    assert imbens_manski(5.0, 0.1, 0.95) == pytest.approx(norm.ppf(0.95), abs=1e-6)
    middle = imbens_manski(0.1, 0.1, 0.95)
    assert norm.cdf(middle + 1) - norm.cdf(-middle) == pytest.approx(0.95)


def test_nothing_left_to_explain_gives_no_scale() -> None:
    zeros, some = np.zeros(10), np.tile([0.5, -0.5], 5)
    assert bias_scale(some, zeros, np.arange(10)) is None
    assert bias_scale(zeros, some, np.arange(10)) is None
    assert measured_strengths(some, np.ones(10), np.vstack([np.ones(10), some]), ("constant", "x")) == ()
