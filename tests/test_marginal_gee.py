"""Estimating equations with lesions of one patient exchangeable, against R, another program and a known truth."""

from __future__ import annotations

import numpy as np
import pytest
from ohio_wheeze import ohio
from oracle import assert_agrees, record

from models.logistic import expit
from models.marginal_gee import marginal_odds_ratio

TERMS = ("(Intercept)", "age", "smoke", "age:smoke")


def _smoke_last():
    design, outcome, child = ohio()
    smoke = TERMS.index("smoke")
    return np.delete(design, smoke, axis=0), design[smoke], outcome, child


def test_estimating_equations_agree_with_r() -> None:
    found = marginal_odds_ratio(*_smoke_last())
    expected = record("H21-ohio-gee-exch")["expected"]
    got = dict(zip([*(t for t in TERMS if t != "smoke"), "smoke"], found.coefficients, strict=True))
    assert_agrees("H21-ohio-gee-exch", got, expected["coef"])
    assert_agrees("H21-ohio-gee-exch", {"smoke": found.robust_error}, expected["se_robust"])
    assert_agrees("H21-ohio-gee-exch", {"alpha": found.correlation})
    # R's gee has the same moment estimate of the correlation; the record gives it a tolerance of 1e-6.
    package = expected["gee_package"]
    for term, value in package["coef"].items():
        assert got[term] == pytest.approx(value, abs=1e-6)
    assert found.robust_error == pytest.approx(package["se"]["smoke"], abs=1e-6)
    assert found.correlation == pytest.approx(package["alpha"], abs=1e-6)


def _service(seed: int, patients: int, alike: float = 1.0):
    generator = np.random.default_rng(seed)
    sizes = generator.integers(1, 5, patients)
    patient = np.repeat(np.arange(patients), sizes)
    n = len(patient)
    z = generator.normal(size=n)
    treated = (generator.random(n) < expit(0.8 * z - 0.4)).astype(float)
    outcome = (
        generator.random(n) < expit(0.4 * treated - 0.7 * z + alike * generator.normal(size=patients)[patient])
    ).astype(float)
    return np.vstack([np.ones(n), z]), treated, outcome, patient


def test_patients_with_one_to_four_lesions_agree_with_another_program() -> None:
    """statsmodels 0.15, GEE with Exchangeable, iterated until it stands still."""
    from statsmodels.genmod.cov_struct import Exchangeable
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_estimating_equations import GEE

    design, treated, outcome, patient = _service(7, 150)
    peer = GEE(outcome, np.vstack([design, treated]).T, groups=patient, family=Binomial(), cov_struct=Exchangeable())
    fit = peer.fit(maxiter=200, ctol=1e-12)
    found = marginal_odds_ratio(design, treated, outcome, patient)
    assert found.coefficients == pytest.approx(fit.params, abs=1e-7)
    assert found.robust_error == pytest.approx(fit.bse[-1], rel=1e-6)
    assert found.correlation == pytest.approx(float(fit.cov_struct.dep_params), abs=1e-7)


def test_with_one_lesion_a_patient_it_is_plain_logistic_regression() -> None:
    from models.conditional import conditional_odds_ratio

    design, treated, outcome, _ = _service(7, 80)
    everyone = np.arange(len(outcome))
    found = marginal_odds_ratio(design, treated, outcome, everyone)
    plain = conditional_odds_ratio(design, treated, outcome, everyone)
    assert found.correlation is None
    assert found.estimate.value == pytest.approx(plain.estimate.value, abs=1e-8)
    assert found.estimate.variance == pytest.approx(plain.estimate.variance, rel=1e-6)


def test_intervals_hold_with_sixteen_patients_of_eight_lesions() -> None:
    """500 services; outcomes share a patient's threshold, and the approach is drawn once a patient, where clusters matter most."""
    services, patients, size = 500, 16, 8
    generator = np.random.default_rng(21)
    patient = np.repeat(np.arange(patients), size)
    n, truth = len(patient), 0.6
    reduced = plain = usable = 0
    for _ in range(services):
        treated = (np.arange(patients) % 2 == 0)[patient].astype(float)
        probability = expit(-0.3 + truth * treated)  # marginal by construction: half of the draws are the patient's own
        own = generator.random(n)
        draw = np.where(generator.random(n) < 0.5, generator.random(patients)[patient], own)
        outcome = (draw < probability).astype(float)
        found = marginal_odds_ratio(np.ones((1, n)), treated, outcome, patient)
        if found.estimate is None:
            continue
        usable += 1
        interval = found.estimate.effect(0.95)
        reduced += interval.lower <= np.exp(truth) <= interval.upper
        plain += abs(found.estimate.value - truth) <= 1.959964 * found.robust_error
    print(f"coverage with 16 patients: CR2 {reduced / usable:.3f}, robust and normal {plain / usable:.3f}")
    assert usable == services
    assert 0.93 <= reduced / usable <= 0.97  # 95 % within 2 simulation errors of 1 point
    assert plain < reduced


def test_no_lesion_from_below_gets_a_reason() -> None:
    design, treated, outcome, patient = _service(7, 30)
    found = marginal_odds_ratio(design, 0 * treated, outcome, patient)
    assert found.estimate is None
    assert found.withheld_because == "no lesion was started retrograde"


def test_shuffling_the_lesions_changes_nothing() -> None:
    design, treated, outcome, patient = _service(7, 60)
    order = np.random.default_rng(1).permutation(len(outcome))
    one = marginal_odds_ratio(design, treated, outcome, patient)
    other = marginal_odds_ratio(design[:, order], treated[order], outcome[order], patient[order])
    assert one.estimate.value == pytest.approx(other.estimate.value, abs=1e-9)
    assert one.estimate.variance == pytest.approx(other.estimate.variance, rel=1e-9)
