"""Rubin's rules against mice, and what must hold whatever the data."""

from __future__ import annotations

from math import inf

import numpy as np
import pytest
from scipy import stats

from models.rubin import Pooled, all_zero, data_sets_needed, pool
from tests.oracle import DATA, assert_agrees, record

RUBIN = "H40-nhanes-rubin"
TERMS = ("(Intercept)", "age", "hyp", "chl")
COMPLETE_DF = 21  # 25 rows less 4 coefficients


def _inputs() -> tuple[np.ndarray, np.ndarray]:
    given = record(RUBIN)["inputs"]
    return tuple(np.array([given[part][term] for term in TERMS]).T for part in ("estimates", "within_variances"))


def _as_recorded(p: Pooled, j: int) -> dict[str, float]:
    return {
        "estimate": p.estimate[j],
        "ubar": p.within[j],
        "b": p.between[j],
        "t": p.total[j],
        "se": p.standard_error[j],
        "riv": p.relative_increase[j],
        "lambda": p.share_between[j],
        "df": p.degrees_of_freedom[j],
        "fmi": p.missing_information[j],
    }


@pytest.mark.parametrize("term", TERMS)
def test_pooled_estimates_agree_with_mice(term: str) -> None:
    pooled = pool(*_inputs(), COMPLETE_DF)
    assert_agrees(RUBIN, _as_recorded(pooled, TERMS.index(term)), record(RUBIN)["expected"]["pooled"][term])


@pytest.mark.parametrize("term", TERMS)
def test_with_endless_data_the_degrees_of_freedom_are_rubins_of_1987(term: str) -> None:
    pooled, j = pool(*_inputs(), inf), TERMS.index(term)
    expected = record(RUBIN)["expected"]
    got = {"df": pooled.degrees_of_freedom[j], "fmi": pooled.missing_information[j], "se": pooled.standard_error[j]}
    assert_agrees(RUBIN, got, expected["dfcom_infinite"][term])
    assert_agrees(RUBIN, {"df_rubin": pooled.degrees_of_freedom[j]}, expected["pooled"][term])


def _completed() -> list[np.ndarray]:
    rows = np.genfromtxt(DATA / "nhanes_imputed5.csv", delimiter=",", skip_header=1)
    return [rows[rows[:, 0] == j, 1:] for j in range(1, 6)]


def test_several_coefficients_are_tested_together_as_mice_does() -> None:
    estimates, covariances = [], []
    for age, bmi, hyp, chl in (data.T for data in _completed()):
        x = np.stack([np.ones(25), age, hyp, chl], axis=1)
        bread = np.linalg.inv(x.T @ x)
        coefficients = bread @ x.T @ bmi
        covariance = bread * ((bmi - x @ coefficients) ** 2).sum() / COMPLETE_DF
        estimates.append(coefficients[2:])
        covariances.append(covariance[2:, 2:])
    test = all_zero(np.array(estimates), np.array(covariances), COMPLETE_DF)
    got = {"F": test.f, "df1": test.df1, "df2": test.df2, "p": test.p_value, "riv": test.relative_increase}
    assert_agrees(RUBIN, got, record(RUBIN)["expected"]["D1"])


def test_one_estimate_tested_by_several_is_the_square_of_its_own_test() -> None:
    q, u = _inputs()
    alone = pool(q[:, 1], u[:, 1])
    test = all_zero(q[:, 1:2], u[:, 1:2, None])
    assert test.f == pytest.approx((alone.estimate[0] / alone.standard_error[0]) ** 2, rel=1e-12)


def test_an_interval_leaves_out_what_its_test_rejects_and_nothing_else() -> None:
    pooled = pool(*_inputs(), COMPLETE_DF)
    for level in (0.8, 0.95, 0.99):
        lower, upper = pooled.interval(level)
        assert ((pooled.p_value() < 1 - level) == ((lower > 0) | (upper < 0))).all()
        assert pooled.p_value(float(upper[1]))[1] == pytest.approx(1 - level, rel=1e-9)


def test_without_anything_imputed_the_answer_is_that_of_the_data() -> None:
    pooled = pool(np.full(20, 0.07), np.full(20, 0.0004), 500)
    lower, upper = pooled.interval(0.95)
    assert pooled.between[0] == 0
    assert pooled.chance_error[0] == 0
    # Barnard & Rubin's observed-data degrees of freedom with no missing information: (501/503) 500.
    assert pooled.degrees_of_freedom[0] == pytest.approx(501 / 503 * 500, rel=1e-3)
    assert upper[0] - lower[0] == pytest.approx(2 * stats.t.ppf(0.975, 498) * 0.02, rel=1e-4)
    assert pooled.missing_information[0] < 0.005


def test_a_scarce_answer_gets_no_more_degrees_of_freedom_than_its_patients_give() -> None:
    rng = np.random.default_rng(1)
    for patients in (5, 30, 400):
        pooled = pool(rng.normal(0, 0.01, 20), np.full(20, 0.0004), patients - 1)
        assert 0 < pooled.degrees_of_freedom[0] < patients - 1


def test_more_missing_information_widens_the_interval_and_asks_for_more_data_sets() -> None:
    spreads = [pool(np.array([-s, 0.0, s, 0.0]), np.full(4, 1.0), 1000) for s in (0.1, 0.5, 2.0)]
    widths = [float(p.interval(0.95)[1][0]) for p in spreads]
    shares = [float(p.missing_information[0]) for p in spreads]
    assert widths == sorted(widths)
    assert shares == sorted(shares)
    assert [data_sets_needed(s) for s in shares] == sorted(data_sets_needed(s) for s in shares)
    assert (spreads[2].relative_efficiency < spreads[0].relative_efficiency).all()


def test_the_number_of_data_sets_is_that_of_von_hippels_rule() -> None:
    # von Hippel 2020, Sociol Methods Res 49:699-718: 1 + (0.5 / 0.05)^2 / 2 = 51.
    assert data_sets_needed(0.5, 0.05) == 51
    assert data_sets_needed(0.0) == 2


def test_one_data_set_is_not_pooled() -> None:
    with pytest.raises(ValueError, match="at least two"):
        pool(np.array([0.1]), np.array([0.01]))
    with pytest.raises(ValueError, match="finite"):
        pool(np.array([0.1, np.nan]), np.array([0.01, 0.01]))


def test_pooled_intervals_cover_the_mean_of_a_normal_sample_with_values_missing() -> None:
    """A case with a known answer: draws from the exact posterior of a normal mean and variance (Rubin & Schenker 1986)."""
    rng = np.random.default_rng(11)
    runs, n, known, m = 4000, 40, 24, 5
    y = rng.normal(0.0, 1.0, (runs, known))
    mean, variance = y.mean(axis=1), y.var(axis=1, ddof=1)
    sigma2 = variance[:, None] * (known - 1) / rng.chisquare(known - 1, (runs, m))
    center = mean[:, None] + np.sqrt(sigma2 / known) * rng.normal(size=(runs, m))
    drawn = center[..., None] + np.sqrt(sigma2)[..., None] * rng.normal(size=(runs, m, n - known))
    whole = np.concatenate([np.repeat(y[:, None, :], m, axis=1), drawn], axis=2)
    pooled = pool(whole.mean(axis=2).T, whole.var(axis=2, ddof=1).T / n, n - 1)
    lower, upper = pooled.interval(0.95)
    covered = float(((lower <= 0) & (upper >= 0)).mean())
    # Three standard errors of a share of 0.95 in 4,000 runs.
    assert covered == pytest.approx(0.95, abs=0.0104)
