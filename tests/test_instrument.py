"""Operators' preference as an instrument: a plain two-stage fit, a plain search of the Anderson-Rubin set, and a known truth."""

from __future__ import annotations

import numpy as np
import pytest

from models.instrument import anderson_rubin, estimate_by_preference, operator_preference
from models.logistic import expit


def _service(rng: np.random.Generator, habit: float, operators: int = 15, lesions: int = 1500):
    """A hidden trait sways approach and outcome; starting from below adds 10 points; habits differ by `habit` on the logit scale."""
    operator = rng.choice(operators, lesions, p=rng.dirichlet(np.full(operators, 5.0)))
    prefers = habit * rng.normal(size=operators)
    patient = rng.integers(0, 2 * lesions // 3, lesions)
    x, hidden = rng.normal(size=(2, lesions)), rng.normal(size=lesions)
    a = (rng.random(lesions) < expit(-0.7 + prefers[operator] + 0.5 * x[0] + 1.5 * hidden)).astype(float)
    chance = 0.45 + 0.1 * a + 0.04 * x[0] + 0.04 * x[1] - 0.1 * hidden
    y = (rng.random(lesions) < np.clip(chance, 0, 1)).astype(float)
    return operator, patient, np.vstack([np.ones(lesions), x]), a, y


def test_preference_is_the_share_among_the_operators_other_lesions_of_other_patients() -> None:
    a = np.array([1.0, 0.0, 1.0, 1.0, 0.0, 1.0, 0.0])
    operator = np.array([0, 0, 0, 0, 1, 2, -1])
    patient = np.array([0, 0, 1, 2, 3, 3, 4])
    found = operator_preference(a, operator, patient)
    assert found.known.tolist() == [True, True, True, True, False, False, False]
    assert found.share[:4] == pytest.approx([1.0, 1.0, 2 / 3, 2 / 3])


def test_preference_of_earlier_days_leaves_out_the_same_day_and_the_future() -> None:
    a = np.array([1.0, 0.0, 1.0, 1.0, 0.0])
    found = operator_preference(a, np.zeros(5, int), np.array([0, 1, 2, 0, 4]), day=np.array([3, 5, 5, 9, 9]))
    assert found.known.tolist() == [False, True, True, True, True]
    assert found.share[1:] == pytest.approx([1.0, 1.0, 0.5, 2 / 3])  # the fourth without its own patient's first day


@pytest.mark.parametrize("by_day", [False, True])
def test_the_quick_sums_agree_with_counting_every_other_lesion(by_day: bool) -> None:
    rng = np.random.default_rng(1)
    a, operator, patient = (rng.random(120) < 0.4).astype(float), rng.integers(-1, 6, 120), rng.integers(0, 60, 120)
    day = rng.integers(0, 30, 120)
    found = operator_preference(a, operator, patient, day if by_day else None)
    for j in range(120):
        others = (operator == operator[j]) & (operator[j] >= 0) & (patient != patient[j])
        if by_day:
            others &= day < day[j]
        assert found.known[j] == others.any()
        assert found.share[j] == pytest.approx(a[others].mean() if others.any() else 0.0)


def test_two_stage_least_squares_agrees_with_statsmodels() -> None:
    from statsmodels.sandbox.regression.gmm import IV2SLS

    operator, patient, x, a, y = _service(np.random.default_rng(3), habit=1.0)
    preference = operator_preference(a, operator, patient)
    found = estimate_by_preference(y, a, preference, x, operator, 0.95)
    use = preference.known
    first = np.column_stack([a, x.T])[use]
    instruments = np.column_stack([preference.share, x.T])[use]
    reference = IV2SLS(y[use], first, instruments).fit()
    assert found.estimate == pytest.approx(reference.params[0], abs=1e-9)
    stage = np.linalg.lstsq(instruments, a[use], rcond=None)[0]
    assert found.first_stage == pytest.approx(stage[0], abs=1e-9)


def test_the_errors_are_those_of_leaving_out_each_operator() -> None:
    """The jackknife written out with full fits (MacKinnon, Nielsen & Webb 2023, CV3)."""
    operator, patient, x, a, y = _service(np.random.default_rng(4), habit=1.0, operators=8, lesions=600)
    preference = operator_preference(a, operator, patient)
    found = estimate_by_preference(y, a, preference, x, operator, 0.95)
    z = np.column_stack([preference.share, x.T])

    def fit(keep: np.ndarray) -> np.ndarray:
        return np.linalg.lstsq(z[keep], np.column_stack([y, a])[keep], rcond=None)[0][0]

    whole = fit(preference.known)
    off = np.array([fit(preference.known & (operator != g)) - whole for g in range(8)])
    spread = 7 / 8 * off.T @ off
    assert found.first_stage_f == pytest.approx(whole[1] ** 2 / spread[1, 1])
    b = found.estimate
    error = np.sqrt(spread[0, 0] - 2 * b * spread[0, 1] + b**2 * spread[1, 1]) / whole[1]
    assert found.error == pytest.approx(error)


@pytest.mark.parametrize(
    ("rho", "pi", "spread", "shape"),
    [
        (0.1, 0.8, [[0.002, 0.001], [0.001, 0.004]], "interval"),
        (0.3, 0.1, [[0.002, 0.001], [0.001, 0.004]], "two rays"),
        (0.01, 0.05, [[0.002, 0.001], [0.001, 0.004]], "everything"),
    ],
)
def test_the_anderson_rubin_set_is_what_its_test_does_not_reject(rho, pi, spread, shape) -> None:
    spread = np.array(spread)
    found = anderson_rubin(rho, pi, spread, 2.1)
    assert found.shape == shape
    for b in np.linspace(-40, 40, 4001):
        passes = (rho - b * pi) ** 2 <= 2.1**2 * (spread[0, 0] - 2 * b * spread[0, 1] + b**2 * spread[1, 1])
        if shape == "everything":
            inside = True
        elif shape == "interval":
            inside = found.lower <= b <= found.upper
        else:
            inside = not found.lower < b < found.upper
        assert passes == inside


def _covers(result, truth: float) -> tuple[bool, bool]:
    own = result.lower <= truth <= result.upper
    ar = result.anderson_rubin
    if ar.shape == "everything":
        return own, True
    inside = ar.lower <= truth <= ar.upper
    return own, inside if ar.shape == "interval" else not ar.lower < truth < ar.upper


@pytest.mark.parametrize("operators", [8, 15])
def test_preference_finds_the_effect_that_a_hidden_trait_spoils(operators: int) -> None:
    rng = np.random.default_rng(5)
    covered, held, estimates, crude = [], [], [], []
    for _ in range(300):
        operator, patient, x, a, y = _service(rng, habit=1.0, operators=operators)
        found = estimate_by_preference(y, a, operator_preference(a, operator, patient), x, operator, 0.95)
        own, ar = _covers(found, 0.1)
        covered.append(own)
        held.append(ar)
        estimates.append(found.estimate)
        crude.append(y[a == 1].mean() - y[a == 0].mean())
    assert abs(np.median(estimates) - 0.1) < 0.025
    assert np.mean(crude) < 0.02  # the hidden trait hides the ten points
    assert np.mean(covered) >= 0.90
    assert np.mean(held) >= 0.90


def test_a_weak_preference_is_called_weak_and_the_anderson_rubin_set_still_covers() -> None:
    rng = np.random.default_rng(6)
    held, warned = [], []
    for _ in range(300):
        operator, patient, x, a, y = _service(rng, habit=0.1)
        found = estimate_by_preference(y, a, operator_preference(a, operator, patient), x, operator, 0.95)
        held.append(_covers(found, 0.1)[1])
        warned.append(found.warning is not None and found.warning.startswith("Weak instrument"))
    assert np.mean(held) >= 0.91
    assert np.mean(warned) > 0.9


def test_few_operators_or_no_preference_give_a_reason_and_no_number() -> None:
    operator, patient, x, a, y = _service(np.random.default_rng(7), habit=1.0)
    one = estimate_by_preference(
        y, a, operator_preference(a, np.zeros_like(operator), patient), x, np.zeros_like(operator), 0.95
    )
    assert one.estimate is None
    assert "operators" in one.withheld_because
    unknown = operator_preference(a, np.full_like(operator, -1), patient)
    assert estimate_by_preference(y, a, unknown, x, operator, 0.95).n == 0
    always = operator_preference(np.ones_like(a), operator, patient)
    assert "does not vary" in estimate_by_preference(y, np.ones_like(a), always, x, operator, 0.95).withheld_because


def test_an_outcome_without_failures_or_operators_without_exceptions_give_a_reason_and_no_number() -> None:
    rng = np.random.default_rng(8)
    operator, patient, constant = np.repeat(np.arange(4), 20), np.arange(80), np.ones((1, 80))
    a, y = (rng.random(80) < 0.5).astype(float), (rng.random(80) < 0.5).astype(float)
    sure = estimate_by_preference(np.ones(80), a, operator_preference(a, operator, patient), constant, operator, 0.95)
    assert sure.estimate is None
    assert "same in all lesions" in sure.withheld_because
    strict = np.repeat([1.0, 0.0, 1.0, 0.0], 20)
    found = estimate_by_preference(y, strict, operator_preference(strict, operator, patient), constant, operator, 0.95)
    assert found.estimate is None
    assert "habit" in found.withheld_because
