"""Random intercepts of operators against R's lme4 and against a known truth."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from ohio_wheeze import ohio
from oracle import DATA, assert_agrees, record
from scipy.special import gammaln

from models.logistic import expit
from models.operator_intercept import operator_intercept
from models.random_intercept import InterceptLikelihood


def _as_recorded(found, order: tuple[str, ...]) -> tuple[dict[str, float], dict[str, float]]:
    return dict(zip(order, found.coefficients, strict=True)), dict(zip(order, found.errors, strict=True))


@pytest.mark.parametrize(("nodes", "key"), [(1, "laplace"), (10, "nAGQ10"), (25, "nAGQ25")])
def test_coefficients_errors_and_spread_agree_with_lme4_for_children(nodes: int, key: str) -> None:
    design, outcome, child = ohio()
    found = operator_intercept(design[[0, 1, 3]], design[2], outcome, child, 0.95, nodes, within_operators=False)
    expected = record("H22-ohio-glmm")["expected"][key]
    coefficients, errors = _as_recorded(found, ("(Intercept)", "age", "age:smoke", "smoke"))
    assert_agrees("H22-ohio-glmm", coefficients, expected["coef"])
    assert_agrees("H22-ohio-glmm", errors, expected["se"])
    assert_agrees("H22-ohio-glmm", {"sd_random": found.operator_sd}, expected)
    assert_agrees("H22-ohio-glmm", {"deviance": -2 * found.log_likelihood}, expected)
    assert found.sd_lower < found.operator_sd < found.sd_upper


@pytest.mark.parametrize(("nodes", "key"), [(1, "laplace"), (10, "nAGQ10")])
def test_every_herds_own_intercept_agrees_with_lme4(nodes: int, key: str) -> None:
    counts = pl.read_csv(DATA / "cbpp.csv")
    sick = counts.select(pl.all().repeat_by("incidence").explode()).with_columns(y=1.0)
    well = counts.select(pl.all().repeat_by(pl.col("size") - pl.col("incidence")).explode()).with_columns(y=0.0)
    animals = pl.concat([sick, well])
    period = animals["period"].to_numpy()
    design = np.vstack([np.ones(len(period)), period == 2, period == 3]).astype(float)
    fourth = (period == 4).astype(float)
    sick_or_not, herd = animals["y"].to_numpy(), animals["herd"].to_numpy()
    found = operator_intercept(design, fourth, sick_or_not, herd, 0.95, nodes, within_operators=False)
    expected = record("H23-cbpp-glmm")["expected"][key]
    coefficients, errors = _as_recorded(found, ("(Intercept)", "period2", "period3", "period4"))
    assert_agrees("H23-cbpp-glmm", coefficients, expected["coef"])
    if nodes > 1:
        assert_agrees("H23-cbpp-glmm", errors, expected["se"])
    else:  # R stopped short of the maximum: its errors are of another place
        ways = float(
            (
                gammaln(counts["size"] + 1)
                - gammaln(counts["incidence"] + 1)
                - gammaln(counts["size"] - counts["incidence"] + 1)
            ).sum()
        )
        assert -2 * (found.log_likelihood + ways) < expected["deviance"] - 1e-8
    assert_agrees("H23-cbpp-glmm", {"sd_random": found.operator_sd}, expected)
    if "blup" in expected:
        herds = {str(h + 1): value for h, value in enumerate(found.intercepts)}
        assert_agrees("H23-cbpp-glmm", herds, expected["blup"])


def _service(generator, operators: int, each: int, sd: float, effect: float = 0.5):
    operator = np.repeat(np.arange(operators), each)
    n = len(operator)
    z = generator.normal(size=n)
    skill = generator.normal(size=operators)
    # Skilled operators start from below more often: without the intercepts the approach would take credit for them.
    treated = (generator.random(n) < expit(-0.5 + 0.6 * z + 0.7 * skill[operator])).astype(float)
    logit = 0.3 + effect * treated - 0.6 * z + sd * skill[operator]
    outcome = (generator.random(n) < expit(logit)).astype(float)
    return np.vstack([np.ones(n), z]), treated, outcome, operator


@pytest.mark.parametrize("nodes", [1, 3, 10])
def test_the_gradient_is_that_of_the_likelihood_that_is_maximized(nodes: int) -> None:
    design, treated, outcome, operator = _service(np.random.default_rng(3), 15, 6, 1.0)
    surface = InterceptLikelihood(np.vstack([design, treated]), outcome, operator, nodes)
    b, s, h = np.array([0.2, -0.4, 0.6]), 0.9, 1e-4
    _, slope, by_spread = surface.value_and_gradient(b, s)
    for j, e in enumerate(np.eye(3)):
        up, down = (surface.value_and_gradient(b + sign * h * e, s)[0] for sign in (1, -1))
        assert slope[j] == pytest.approx((up - down) / (2 * h), abs=1e-6)
    up, down = (surface.value_and_gradient(b, s + sign * h)[0] for sign in (1, -1))
    assert by_spread == pytest.approx((up - down) / (2 * h), abs=1e-6)


def test_the_likelihood_is_the_integral_over_each_operators_intercept() -> None:
    from scipy.integrate import quad

    design, treated, outcome, operator = _service(np.random.default_rng(3), 4, 12, 1.0)
    matrix = np.vstack([design, treated])
    b, s = np.array([0.2, -0.4, 0.6]), 0.9

    def density(u: float, j: int) -> float:
        z = b @ matrix[:, operator == j] + s * u
        y = outcome[operator == j]
        return float(np.exp((y * z - np.logaddexp(0, z)).sum() - u**2 / 2) / np.sqrt(2 * np.pi))

    expected = sum(np.log(quad(density, -8, 8, args=(j,), epsabs=0, epsrel=1e-11)[0]) for j in range(4))
    got, _, _ = InterceptLikelihood(matrix, outcome, operator, 20).value_and_gradient(b, s)
    assert got == pytest.approx(expected, abs=1e-9)


def test_the_spread_of_operators_and_the_odds_ratio_are_recovered() -> None:
    """100 services of 20 operators with 40 lesions each; skill raises both success and the choice of going from below."""
    generator = np.random.default_rng(8)
    truth, sd, services = 0.5, 0.8, 100
    within, alone, spreads, held, held_sd = [], [], [], 0, 0
    for _ in range(services):
        service = _service(generator, 20, 40, sd)
        found = operator_intercept(*service, 0.95, 5)
        interval = found.estimate.effect(0.95)
        within.append(found.estimate.value - truth)
        held += interval.lower <= np.exp(truth) <= interval.upper
        without = operator_intercept(*service, 0.95, 5, within_operators=False)
        alone.append(without.estimate.value - truth)
        spreads.append(without.operator_sd)
        held_sd += without.sd_lower <= sd <= without.sd_upper
    error = float(np.std(within) / np.sqrt(services))
    print(
        f"log OR bias {np.mean(within):+.3f} ({error:.3f}), without operators' shares {np.mean(alone):+.3f}; coverage {held / services:.3f}; "
        f"sd {np.mean(spreads):.3f} of {sd}, coverage {held_sd / services:.3f}"
    )
    assert abs(np.mean(within)) < 2.5 * error
    assert np.mean(alone) > 2.5 * error  # the intercepts alone leave some of the operators' skill to the approach
    assert 0.905 <= held / services <= 0.99  # 95 % within 2 simulation errors of 2.2 points
    assert 0.90 <= held_sd / services <= 0.99


def test_operators_alike_give_a_spread_whose_interval_reaches_zero() -> None:
    found = operator_intercept(*_service(np.random.default_rng(14), 12, 40, 0.0), 0.95)
    assert found.sd_lower == 0.0
    assert found.operator_sd < found.sd_upper < 1.0
    assert np.abs(found.intercepts).max() < 0.5


def test_shuffling_the_lesions_changes_nothing() -> None:
    design, treated, outcome, operator = _service(np.random.default_rng(2), 12, 30, 0.6)
    order = np.random.default_rng(1).permutation(len(outcome))
    one = operator_intercept(design, treated, outcome, operator, 0.95)
    other = operator_intercept(design[:, order], treated[order], outcome[order], operator[order] * 3, 0.95)
    assert one.estimate.value == pytest.approx(other.estimate.value, abs=1e-5)
    assert one.operator_sd == pytest.approx(other.operator_sd, abs=1e-5)
    assert one.intercepts == pytest.approx(other.intercepts, abs=1e-5)


def test_operators_who_each_use_one_approach_get_a_reason() -> None:
    design, _, outcome, operator = _service(np.random.default_rng(2), 8, 40, 0.6)
    found = operator_intercept(design, (operator % 2).astype(float), outcome, operator, 0.95)
    assert found.estimate is None
    assert "no operator used both approaches" in found.withheld_because


def test_one_operator_gets_a_reason() -> None:
    design, treated, outcome, operator = _service(np.random.default_rng(2), 2, 40, 0.6)
    found = operator_intercept(design, treated, outcome, 0 * operator, 0.95)
    assert found.estimate is None
    assert "one operator only" in found.withheld_because


def test_three_operators_get_a_number_and_a_caution() -> None:
    found = operator_intercept(*_service(np.random.default_rng(2), 3, 60, 0.6), 0.95)
    assert found.estimate is not None
    assert "3 operators tell next to nothing" in found.remark


def test_an_arm_without_events_gets_a_reason_that_points_to_firth() -> None:
    design, treated, outcome, operator = _service(np.random.default_rng(2), 5, 20, 0.6)
    found = operator_intercept(design, treated, np.where(treated == 1, 0.0, outcome), operator, 0.95)
    assert found.estimate is None
    assert "Firth" in found.withheld_because
