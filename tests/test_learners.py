"""Stacked learners and the cross-fitted comparison: held-out patients, exact identities, and simulation with a known truth."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.optimize import minimize

from models.augmented import augmented_risks, fit_outcome_by_arm
from models.cross_fitted import (
    cross_fitted_risks,
    learned_outcome,
    learned_score,
    learner_shares,
    the_learners,
)
from models.learners import Learner, cannot_fold, folds_of, penalized_logistic, stack_weights, stacked
from models.logistic import expit
from models.propensity import Covariate, build_design, fit_score


def _service(seed: int, patients: int, bend: float = 0.0):
    """Two lesions a patient; `bend` makes choice and outcome follow a combination that no single trait tells. No effect on the bend's own scale but the shift."""
    rng = np.random.default_rng(seed)
    patient = np.repeat(np.arange(patients), 2)
    x, z = rng.normal(size=(2, 2 * patients))
    own = rng.normal(size=patients)[patient]
    e = expit(-0.3 + 0.6 * x + bend * (x * z))
    treated = (rng.random(2 * patients) < e).astype(float)
    chances = [expit(0.2 + 0.7 * a + 0.6 * x + bend * (x * z) + 0.4 * own) for a in (1, 0)]
    outcome = (rng.random(2 * patients) < np.where(treated == 1, *chances)).astype(float)
    return patient, x, z, treated, outcome, e, chances


def _truth(bend: float) -> float:
    """The overlap population's risk difference, by quadrature over x, z and the patient's own intercept."""
    nodes, mass = np.polynomial.hermite_e.hermegauss(40)
    x, z, own = np.meshgrid(nodes, nodes, nodes, indexing="ij")
    share = np.einsum("i,j,k->ijk", mass, mass, mass)
    e = expit(-0.3 + 0.6 * x + bend * (x * z))
    below, above = (expit(0.2 + 0.7 * a + 0.6 * x + bend * (x * z) + 0.4 * own) for a in (1, 0))
    h = share * e * (1 - e)
    return float((h * (below - above)).sum() / h.sum())


def _learners(x, z, treated):
    covariates = (Covariate("x", "x", "number", x, straight=True), Covariate("z", "z", "number", z, straight=True))
    plain = build_design(covariates, treated)
    return the_learners(plain, plain)


def _nuisances(learners, treated, outcome, fold):
    score = learned_score(learners, treated, fold)
    return score, learned_outcome(score, treated, outcome)


def test_lesions_of_one_patient_are_held_out_together_and_folds_are_of_like_size() -> None:
    patient = np.repeat(np.arange(103), [1 + k % 3 for k in range(103)])
    fold = folds_of(patient, 7)
    assert all(len(np.unique(fold[patient == p])) == 1 for p in range(103))
    sizes = np.bincount([fold[patient == p][0] for p in range(103)])
    assert sizes.max() - sizes.min() <= 1
    assert (fold == folds_of(patient, 7)).all()
    assert (fold != folds_of(patient, 8)).any()


def test_no_lesion_is_predicted_by_a_model_that_has_seen_its_patient() -> None:
    patient, x, z, treated, outcome, *_ = _service(1, 100)
    fold = folds_of(patient, 3)
    learners = _learners(x, z, treated)
    here = fold == 2
    turned = np.where(here, 1 - outcome, outcome)
    before, after = ([stacked((one,), y, fold).predicted[0] for one in learners] for y in (outcome, turned))
    for was, now in zip(before, after, strict=True):
        assert (was[here] == now[here]).all(), "its own outcome must not count"
        assert (was[~here] != now[~here]).any()


@pytest.mark.parametrize("seed", range(6))
def test_stack_weights_make_the_squared_error_smallest_among_shares(seed: int) -> None:
    """Against scipy's sequential quadratic programming, which works on the error itself."""
    rng = np.random.default_rng(seed)
    truth = rng.random(400)
    outcome = (rng.random(400) < truth).astype(float)
    predicted = np.clip(truth + rng.normal(0, [[0.05], [0.2], [0.6]], (3, 400)) + [[0.1], [0.0], [-0.1]], 0, 1)

    def error(w):
        return float(((w @ predicted - outcome) ** 2).mean())

    ours = stack_weights(predicted, outcome)
    theirs = minimize(
        error,
        np.full(3, 1 / 3),
        bounds=[(0, 1)] * 3,
        constraints={"type": "eq", "fun": lambda w: w.sum() - 1},
        options={"ftol": 1e-14},
    ).x
    assert ours.sum() == pytest.approx(1)
    assert (ours >= 0).all()
    assert ours == pytest.approx(theirs, abs=2e-4)
    assert error(ours) <= error(theirs) + 1e-9


def test_a_learner_that_knows_the_chances_gets_the_whole_weight_and_the_stack_is_no_worse_than_any() -> None:
    patient, x, _, treated, _, e, _ = _service(5, 1000, bend=1.0)
    fold = folds_of(patient, 1)
    lines = np.vstack([np.ones_like(x), np.log(e / (1 - e))])
    knows = Learner("knows", lines, penalized_logistic)
    guesses = Learner(
        "guesses", np.vstack([np.ones_like(x), np.random.default_rng(1).normal(size=len(x))]), penalized_logistic
    )
    found = stacked((guesses, knows), treated, fold)
    assert found.weights[1] > 0.95
    assert found.loss <= found.losses.min() + 1e-12
    shares = learner_shares("score", found)
    assert [one.learner for one in shares] == ["guesses", "knows"]
    assert sum(one.weight for one in shares) == pytest.approx(1)


def test_the_difference_is_the_regression_of_what_is_left_of_the_outcome_on_what_is_left_of_the_choice() -> None:
    """Robinson 1988; estimate and patient-clustered error by statsmodels' least squares, whatever the chances handed in."""
    patient, _, _, treated, outcome, _, _ = _service(2, 150)
    rng = np.random.default_rng(4)
    e, below, above = rng.uniform(0.1, 0.9, (3, len(treated)))
    found = cross_fitted_risks(treated, outcome, patient, e, below, above)
    left = outcome - (e * below + (1 - e) * above)
    fit = sm.OLS(left, treated - e).fit(
        cov_type="cluster", cov_kwds={"groups": patient, "use_correction": False}, use_t=False
    )
    influence = found.influence_1 - found.influence_0
    assert found.risk_1 - found.risk_0 == pytest.approx(fit.params[0], rel=1e-10)
    assert np.sqrt(influence @ influence) == pytest.approx(fit.bse[0], rel=1e-10)


def test_with_plain_logistic_models_and_no_folds_it_is_augmented_overlap_weighting_to_a_tenth_of_its_error() -> None:
    """The two differ by (A - e)^2 in place of e(1 - e), and by what the score's estimation does, both of second order."""
    patient, x, z, treated, outcome, *_ = _service(3, 1500)
    covariates = (Covariate("x", "x", "number", x, straight=True), Covariate("z", "z", "number", z, straight=True))
    score = fit_score(build_design(covariates, treated), treated)
    model = fit_outcome_by_arm(score.design.matrix, treated, outcome)
    theirs = augmented_risks(treated, outcome, patient, "overlap", score, model, small_sample="none")
    ours = cross_fitted_risks(treated, outcome, patient, score.probability, model.below, model.above)
    lines = [f.influence_1 - f.influence_0 for f in (ours, theirs)]
    errors = [float(np.sqrt(line @ line)) for line in lines]
    assert abs((ours.risk_1 - ours.risk_0) - (theirs.risk_1 - theirs.risk_0)) < 0.1 * errors[1]
    assert errors[0] == pytest.approx(errors[1], rel=0.01)


def test_its_interval_holds_the_truth_as_often_as_it_says_when_the_chances_are_known() -> None:
    truth = _truth(1.0)
    errors, halves = [], []
    for seed in range(800):
        patient, _, _, treated, outcome, e, (below, above) = _service(seed, 200, bend=1.0)
        found = cross_fitted_risks(treated, outcome, patient, e, below, above)
        line = found.influence_1 - found.influence_0
        errors.append(found.risk_1 - found.risk_0 - truth)
        halves.append(1.959964 * np.sqrt(line @ line * 200 / 199))
    covered = np.mean(np.abs(errors) < halves)
    assert abs(np.mean(errors)) < 3 * np.std(errors) / np.sqrt(800)
    assert 0.927 < covered < 0.973  # three simulation errors


@pytest.mark.parametrize("wrong", ["score", "outcome"])
def test_it_is_right_when_either_the_score_or_the_outcome_chances_are_wrong_by_a_little(wrong: str) -> None:
    """Neyman orthogonality: an error of size d in one set of chances alone moves the estimate by nothing (outcome) or by d squared (score)."""
    truth = _truth(1.0)
    found = []
    for seed in range(200):
        patient, x, _, treated, outcome, e, (below, above) = _service(seed, 500, bend=1.0)
        if wrong == "score":
            e = expit(np.log(e / (1 - e)) + 0.2 * x)
        else:
            below, above = expit(np.log(below / (1 - below)) - 0.5 * x), np.full_like(above, 0.5)
        risks = cross_fitted_risks(treated, outcome, patient, e, below, above)
        found.append(risks.risk_1 - risks.risk_0 - truth)
    assert abs(np.mean(found)) < 3 * np.std(found) / np.sqrt(200) + (0.003 if wrong == "score" else 0.0)


def test_trees_find_a_combination_that_no_single_trait_tells() -> None:
    """Invented: choice and outcome both follow x times z. Without it the comparison is off by more than six points."""
    truth = _truth(1.0)
    learned, straight = [], []
    for seed in range(12):
        patient, x, z, treated, outcome, *_ = _service(seed, 1000, bend=1.0)
        learners = _learners(x, z, treated)
        fold = folds_of(patient, seed)
        for chosen, kept in ((learners, learned), (learners[:1], straight)):
            score, chances = _nuisances(chosen, treated, outcome, fold)
            risks = cross_fitted_risks(treated, outcome, patient, score.probability, *chances.predicted)
            kept.append(risks.risk_1 - risks.risk_0 - truth)
    assert np.mean(straight) > 0.06
    assert abs(np.mean(learned)) < 0.35 * np.mean(straight)


def test_the_same_lesions_give_the_same_bytes() -> None:
    patient, x, z, treated, outcome, *_ = _service(9, 150, bend=1.0)
    fold = folds_of(patient, 5)
    first, again = (_nuisances(_learners(x, z, treated), treated, outcome, fold) for _ in range(2))
    assert first[0].probability.tobytes() == again[0].probability.tobytes()
    assert first[1].predicted[0].tobytes() == again[1].predicted[0].tobytes()


def test_an_outcome_that_hardly_varies_or_a_single_patient_gives_a_sentence() -> None:
    patient, x, z, treated, outcome, *_ = _service(9, 150)
    fold = folds_of(patient, 5)
    score = learned_score(_learners(x, z, treated), treated, fold)
    assert "too few lesions with the outcome" in learned_outcome(score, treated, np.ones_like(outcome))
    assert "too few patients" in learned_score(_learners(x, z, treated), treated, np.zeros_like(fold))
    one = np.zeros_like(outcome)
    one[0] = 1.0
    assert cannot_fold(fold, one) is not None, "the only event is held out once"
