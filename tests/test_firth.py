"""Penalized odds ratios in sparse data against R, another program and a known truth."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from oracle import DATA, assert_agrees, record

from models.firth import firth_adjusted_odds_ratio
from models.intervals import TwoByTwo, firth_odds_ratio
from models.logistic import expit


def _endometrial():
    cases = pl.read_csv(DATA / "endometrial.csv")
    lines = {name: cases[name].to_numpy().astype(float) for name in ("NV", "PI", "EH")}
    return {"(Intercept)": np.ones(cases.height), **lines}, cases["HG"].to_numpy().astype(float)


def test_a_separated_odds_ratio_has_the_estimate_and_profile_limits_of_r() -> None:
    lines, grade = _endometrial()
    order = ["(Intercept)", "PI", "EH", "NV"]
    found = firth_adjusted_odds_ratio(np.stack([lines[t] for t in order[:-1]]), lines["NV"], grade, 0.95)
    expected = record("H30-endometrial-firth")["expected"]
    for term, value, error in zip(order, found.coefficients, found.errors, strict=True):
        assert_agrees("H30-endometrial-firth", {"coef": value, "se": error}, expected["coef"][term])
    limits = {"pl_lo": np.log(found.effect.lower), "pl_hi": np.log(found.effect.upper), "plr_p": found.effect.p_value}
    assert_agrees("H30-endometrial-firth", limits, expected["coef"]["NV"])
    assert_agrees("H30-endometrial-firth", {"pll": found.log_likelihood})


def test_profile_limits_agree_with_another_program_where_that_settles() -> None:
    """firthmodels 0.8.2, Venzon & Moolgavkar's search."""
    from firthmodels import FirthLogisticRegression

    generator = np.random.default_rng(5)
    n = 120
    z = generator.normal(size=(2, n))
    treated = (generator.random(n) < 0.25).astype(float)
    outcome = (generator.random(n) < expit(-2.5 + z[0] + 0.8 * treated)).astype(float)
    found = firth_adjusted_odds_ratio(np.vstack([np.ones(n), z]), treated, outcome, 0.9)
    peer = FirthLogisticRegression(gtol=1e-10, xtol=1e-10, max_iter=500)
    peer.fit(np.vstack([z, treated]).T, outcome)
    lower, upper = peer.conf_int(alpha=0.1, method="pl", features=2, max_iter=500, tol=1e-9)[2]
    assert found.coefficients[-1] == pytest.approx(peer.coef_[-1], abs=1e-7)
    assert np.log([found.effect.lower, found.effect.upper]) == pytest.approx([lower, upper], abs=1e-7)
    assert found.effect.p_value == pytest.approx(float(peer.lrt(2).lrt_pvalues_[2]), abs=1e-7)


@pytest.mark.parametrize(("a", "b", "c", "d"), [(0, 12, 9, 40), (5, 7, 3, 20), (8, 0, 30, 10)])
def test_without_covariates_it_is_the_two_by_two_form(a: int, b: int, c: int, d: int) -> None:
    treated = np.repeat([1.0, 1.0, 0.0, 0.0], [a, b, c, d])
    outcome = np.repeat([1.0, 0.0, 1.0, 0.0], [a, b, c, d])
    found = firth_adjusted_odds_ratio(np.ones((1, len(treated))), treated, outcome, 0.95)
    table = firth_odds_ratio(TwoByTwo(a, a + b, c, c + d), 0.95)
    got = (found.effect.estimate, found.effect.lower, found.effect.upper, found.effect.p_value)
    assert got == pytest.approx(table, rel=1e-7)


def test_intervals_hold_in_strata_of_fifty_lesions_and_few_events() -> None:
    """500 strata; in many of them ordinary logistic regression has no finite answer."""
    generator = np.random.default_rng(31)
    n, truth, strata = 50, 1.0, 500
    held = told = separated = 0
    for _ in range(strata):
        z = generator.normal(size=n)
        treated = (generator.random(n) < 0.3).astype(float)
        outcome = (generator.random(n) < expit(-2.2 + truth * treated + 0.5 * z)).astype(float)
        found = firth_adjusted_odds_ratio(np.vstack([np.ones(n), z]), treated, outcome, 0.95)
        if found.estimate is None:
            continue
        told += 1
        separated += outcome[treated == 1].sum() in (0, treated.sum()) or outcome[treated == 0].sum() == 0
        held += found.effect.lower <= np.exp(truth) <= found.effect.upper
    print(f"coverage {held / told:.3f} in {told} strata, {separated} of them separated")
    assert separated > 20
    assert 0.93 <= held / told <= 0.98  # 95 % less 2 simulation errors of 1 point; sparse tables make it cautious


def test_intervals_hold_where_lesions_of_a_patient_are_alike() -> None:
    """400 strata of 30 patients with four lesions and one approach each: lesions taken as independent would claim too much."""
    generator = np.random.default_rng(32)
    patients, each, truth, strata = 30, 4, 0.8, 400
    patient = np.repeat(np.arange(patients), each)
    n = len(patient)
    held = alone = told = 0
    for _ in range(strata):
        treated = (np.arange(patients) % 2 == 0)[patient].astype(float)
        draw = np.where(generator.random(n) < 0.7, generator.random(patients)[patient], generator.random(n))
        outcome = (draw < expit(-1.5 + truth * treated)).astype(float)
        found = firth_adjusted_odds_ratio(np.ones((1, n)), treated, outcome, 0.95, patient)
        plain = firth_adjusted_odds_ratio(np.ones((1, n)), treated, outcome, 0.95)
        if found.estimate is None:
            continue
        told += 1
        held += found.effect.lower <= np.exp(truth) <= found.effect.upper
        alone += plain.effect.lower <= np.exp(truth) <= plain.effect.upper
    print(f"coverage {held / told:.3f} with clusters, {alone / told:.3f} without")
    assert alone / told < 0.90
    assert 0.92 <= held / told <= 0.98


def test_a_single_lesion_from_below_gets_finite_limits() -> None:
    generator = np.random.default_rng(3)
    outcome = generator.integers(0, 2, 55).astype(float)
    treated = (np.arange(55) == 7).astype(float)
    design = np.vstack([np.ones(55), generator.normal(size=55)])
    found = firth_adjusted_odds_ratio(design, treated, outcome, 0.95)
    assert found.withheld_because is None
    assert 0 < found.effect.lower < 1 < found.effect.upper < np.inf


def test_shuffling_the_lesions_changes_nothing() -> None:
    lines, grade = _endometrial()
    order = np.random.default_rng(1).permutation(len(grade))
    design = np.stack([lines["(Intercept)"], lines["PI"], lines["EH"]])
    one = firth_adjusted_odds_ratio(design, lines["NV"], grade, 0.95)
    other = firth_adjusted_odds_ratio(design[:, order], lines["NV"][order], grade[order], 0.95)
    assert other.effect.upper == pytest.approx(one.effect.upper, rel=1e-7)


@pytest.mark.parametrize(
    ("treated", "outcome", "says"),
    [
        ([0, 0, 0, 0], [0, 1, 0, 1], "no lesion was started retrograde"),
        ([1, 1, 1, 1], [0, 1, 0, 1], "no lesion was started antegrade"),
        ([1, 0, 1, 0], [0, 0, 0, 0], "no lesion had the outcome"),
        ([1, 0, 1, 0], [1, 1, 1, 1], "every lesion had the outcome"),
    ],
)
def test_what_cannot_be_told_gets_a_reason(treated: list[int], outcome: list[int], says: str) -> None:
    found = firth_adjusted_odds_ratio(np.ones((1, 4)), np.array(treated, float), np.array(outcome, float), 0.95)
    assert found.estimate is None
    assert found.effect.estimate is None
    assert found.withheld_because == says


def test_terms_that_tell_the_same_get_a_reason() -> None:
    treated = np.array([1.0, 0, 1, 0, 1, 0])
    found = firth_adjusted_odds_ratio(np.vstack([np.ones(6), 1 - treated]), treated, treated[::-1], 0.95)
    assert "not independent" in found.withheld_because
