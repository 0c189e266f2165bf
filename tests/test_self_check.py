"""The self-check passes a sound method, holds back broken ones, and calls detectable what is detected."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtri
from scipy.stats import multivariate_normal
from validation.plasmode import LEVEL, MARGIN, check, invent, overconfident, plain, simulated, sound

from models.checked_estimators import Answer, weighting_estimator
from models.self_check import SelfCheck, self_check
from models.simulated_outcomes import (
    Replicate,
    SimulatedService,
    draw,
    fitted_risk,
    patient_correlation,
    risk_from_below,
    subsample_patients,
    truth_weights,
)


@pytest.fixture(scope="module")
def made():
    return invent(3)


@pytest.fixture(scope="module")
def passed(made) -> SelfCheck:
    return check(made, sound(made), seed=1)


def test_a_sound_method_passes(passed: SelfCheck) -> None:
    assert passed.verdict == "pass"
    assert passed.reasons == ()
    assert passed.coverage is not None and passed.coverage_lower is not None and passed.coverage_upper is not None
    assert passed.coverage_lower <= 0.95 <= passed.coverage_upper
    assert [e.effect for e in passed.effects[:2]] == [0.0, MARGIN]
    for effect in passed.effects:
        assert abs(effect.bias) < 4 * effect.bias_error
        assert effect.mean_se == pytest.approx(
            effect.empirical_se, rel=0.25
        )  # three simulation errors of 66 replicates


def test_the_plain_difference_is_held_back_for_its_bias(made) -> None:
    found = check(made, plain(made), seed=1)
    assert found.verdict == "withhold"
    assert any("off by at least" in reason for reason in found.reasons)
    assert found.effects[0].bias < -0.08, "harder lesions are started from below"


def test_standard_errors_half_as_large_as_they_should_be_are_held_back(made) -> None:
    found = check(made, overconfident(made), seed=1)
    assert found.verdict == "withhold"
    assert "held the truth at most" in found.reasons[0]
    assert found.coverage == pytest.approx(0.673, abs=0.10)  # P(|Z| < 0.98), three simulation errors of 200 replicates


def test_a_score_that_misses_the_form_is_held_back() -> None:
    """Score and risk bend with the square of a trait that the score holds as a straight line: true bias is about -7 points."""
    bent = invent(4, curved=0.5)
    found = check(bent, sound(bent), seed=1)
    assert found.verdict == "withhold"
    assert found.effects[0].bias < -0.02


def test_a_method_that_seldom_answers_is_held_back(made) -> None:
    honest = sound(made)
    found = check(made, lambda r: honest(r) if r.number % 4 == 0 else None, seed=1)
    assert found.verdict == "withhold"
    assert "had an estimate" in found.reasons[0]
    assert found.answered < found.replicates == 200
    silent = check(made, lambda _: None, seed=1)
    assert (silent.verdict, silent.coverage, silent.detectable_difference) == ("withhold", None, None)


def test_the_detectable_difference_of_a_randomized_service_is_the_textbook_one() -> None:
    """Two proportions of one half in arms of half the lesions each, patients with one lesion: SE = sqrt(0.25 / n1 + 0.25 / n0)."""
    n = 1200
    rng = np.random.default_rng(8)
    treated = rng.permutation(np.repeat([0.0, 1.0], n // 2))
    service = SimulatedService(np.full(n, 0.5), np.full(n, 0.5), treated, np.arange(n), "overlap", 0.0)

    def difference(replicate: Replicate) -> Answer:
        p1, p0 = (float(replicate.outcome[replicate.treated == a].mean()) for a in (1, 0))
        se = float(np.sqrt((p1 * (1 - p1) + p0 * (1 - p0)) / (n / 2)))
        half = 1.959964 * se
        return Answer(p1 - p0, p1 - p0 - half, p1 - p0 + half, se)

    found = self_check(service, difference, level=LEVEL, margin=MARGIN, seed=2, replicates=2400)
    textbook = (1.959964 + 0.841621) * np.sqrt(0.5 / (n / 2))
    assert found.detectable_difference == pytest.approx(textbook, rel=0.06)  # three errors of an SD from 1,600
    assert found.power_found == pytest.approx(
        0.8, abs=0.06
    )  # the same error, through the slope of the power, and that of 800
    assert found.power_lower is not None and found.power_upper is not None
    assert found.power_lower < found.power_found < found.power_upper


def test_a_difference_detectable_over_looks_is_larger(made) -> None:
    found = self_check(
        simulated(made), sound(made), level=LEVEL, margin=MARGIN, seed=1, replicates=60, critical_value=2.61
    )
    assert found.detectable_over_looks is not None and found.detectable_difference is not None
    assert found.standard_error is not None
    assert found.detectable_over_looks == pytest.approx((2.61 + 0.8416212) * found.standard_error)
    assert found.detectable_over_looks > found.detectable_difference


def test_the_same_seed_gives_the_same_check_and_another_a_different_one(made, passed: SelfCheck) -> None:
    assert check(made, sound(made), seed=1) == passed
    assert check(made, sound(made), seed=2).effects[0].bias != passed.effects[0].bias


@pytest.mark.parametrize("approach", ["kept", "redrawn"])
@pytest.mark.parametrize("population", ["overlap", "all", "treated"])
def test_simulated_risks_differ_by_exactly_the_effect_in_the_population(made, population, approach) -> None:
    service = replace(simulated(made), population=population)
    below = risk_from_below(service, 0.07, approach)
    assert below is not None
    assert float(truth_weights(service, approach) @ (below - service.risk)) == pytest.approx(0.07, abs=1e-9)
    nothing = risk_from_below(service, 0.0, approach)
    assert nothing is not None and nothing == pytest.approx(service.risk)


def test_drawn_outcomes_have_the_risks_and_the_likeness_within_patients_that_were_asked_for() -> None:
    """Pairs of lesions: 20,000 patients, so that a share is right to 0.4 points (one error)."""
    patients = 20_000
    cluster = np.repeat(np.arange(patients), 2)
    n = 2 * patients
    service = SimulatedService(np.tile([0.7, 0.4], patients), np.full(n, 0.5), np.zeros(n), cluster, "all", 0.5)
    drawn = draw(service, service.risk, "kept", 0, (5,)).outcome.reshape(patients, 2)
    assert drawn.mean(axis=0) == pytest.approx([0.7, 0.4], abs=0.012)
    both = multivariate_normal([0, 0], [[1, 0.5], [0.5, 1]]).cdf(ndtri([0.7, 0.4]))
    assert (drawn[:, 0] * drawn[:, 1]).mean() == pytest.approx(both, abs=0.012)
    found = patient_correlation(drawn.ravel(), service.risk, cluster)
    assert found == pytest.approx(0.5, abs=0.04)


def test_lesions_of_different_patients_have_nothing_in_common() -> None:
    rng = np.random.default_rng(9)
    assert patient_correlation((rng.random(500) < 0.5) * 1.0, np.full(500, 0.5), np.arange(500)) == 0.0


def test_a_redrawn_approach_follows_the_score(made) -> None:
    service = simulated(made)
    shares = np.mean([draw(service, service.risk, "redrawn", r, (1,)).treated for r in range(400)], axis=0)
    assert shares == pytest.approx(service.score, abs=0.13)  # five errors of 400 draws
    assert draw(service, service.risk, "kept", 0, (1,)).treated is service.treated


def test_an_effect_that_the_risks_leave_no_room_for_is_turned_round(made) -> None:
    service = replace(simulated(made), risk=np.full(1500, 0.98))
    found = self_check(service, sound(made), level=LEVEL, margin=0.05, seed=1, replicates=30)
    assert [e.effect for e in found.effects][:2] == [0.0, -0.05]


def test_a_service_with_one_approach_or_one_outcome_is_answered_in_a_sentence(made) -> None:
    service = replace(simulated(made), treated=np.zeros(1500))
    found = self_check(service, sound(made), level=LEVEL, margin=MARGIN, seed=1, replicates=30)
    assert found.verdict == "withhold"
    assert "All lesions were started by one approach." in found.reasons
    assert fitted_risk(made.design, made.treated, np.ones(1500)) == pytest.approx(1500.5 / 1501)


def test_a_subsample_holds_whole_patients_and_its_errors_are_scaled() -> None:
    large = invent(6, patients=3000)
    rows = subsample_patients(large.cluster, 750, seed=1)
    assert len(np.unique(large.cluster[rows])) == 750
    assert not np.isin(large.cluster[~rows], large.cluster[rows]).any()
    _, cluster = np.unique(large.cluster[rows], return_inverse=True)
    design = replace(large.design, matrix=large.design.matrix[:, rows])
    part = replace(large, design=design, treated=large.treated[rows], cluster=cluster, outcome=large.outcome[rows])
    scaled = self_check(
        simulated(part), sound(part), level=LEVEL, margin=MARGIN, seed=1, replicates=300, of_patients=3000
    )
    whole = check(large, sound(large), seed=1, replicates=300)
    assert scaled.scaled_by == 0.5
    assert scaled.standard_error == pytest.approx(whole.standard_error, rel=0.2)


def test_the_built_in_estimator_gives_no_answer_where_the_score_separates(made) -> None:
    perfect = (made.design.matrix[1] > 0).astype(float)
    estimator = weighting_estimator(made.design, made.cluster, "overlap", LEVEL, 5.0)
    assert estimator(Replicate(0, perfect, made.outcome)) is None


def test_two_hundred_replicates_of_1500_lesions_take_little_more_than_the_estimator_itself(made) -> None:
    service = simulated(made)
    honest = sound(made)
    spent = 0.0

    def timed(replicate: Replicate) -> Answer | None:
        nonlocal spent
        start = time.perf_counter()
        found = honest(replicate)
        spent += time.perf_counter() - start
        return found

    start = time.perf_counter()
    self_check(service, timed, level=LEVEL, margin=MARGIN, seed=1)
    assert time.perf_counter() - start - spent < 1.0  # 0.1 s alone; ten times that for a busy machine


def test_too_few_replicates_are_refused(made) -> None:
    with pytest.raises(ValueError, match="replicates"):
        check(made, sound(made), seed=1, replicates=5)
