"""Pairs of traits that enter the models: those that choice or crossing follow, and few others."""

from __future__ import annotations

import numpy as np
import pytest

from models.augmented import augmented_risks, fit_outcome
from models.pair_selection import ALONE, FEWEST_BOTH, TOGETHER, parts_of, select_pairs, with_pairs
from models.propensity import Covariate, Design, Score, build_design, fit_score

ORDERED, NEVER = frozenset(("calcium",)), frozenset(("operator",))


def expit(x: np.ndarray) -> np.ndarray:
    return 1 / (1 + np.exp(-x))


def service(n: int, seed: int, *, pair: float):
    """Length, age, calcium, cap and operator; `pair` is the pull of a long lesion in the old on choice and, turned, on crossing."""
    rng = np.random.default_rng(seed)
    length, age = rng.normal(size=(2, n))
    calcium, cap, operator = rng.integers(0, 4, n), rng.integers(0, 2, n), rng.integers(0, 8, n)
    covariates = (
        Covariate("length", "length", "number", length),
        Covariate("age", "age", "number", age),
        Covariate("calcium", "calcium", "category", calcium.astype(float), ("none", "mild", "moderate", "severe")),
        Covariate("cap", "cap", "category", cap.astype(float), ("no", "yes")),
        Covariate("operator", "operator", "category", operator.astype(float), tuple("abcdefgh")),
    )
    hidden = pair * length * age
    logit = -0.8 + 0.4 * length + 0.2 * calcium + hidden
    treated = (rng.random(n) < expit(logit)).astype(float)
    chances = [expit(1.2 - 0.4 * length - 0.2 * calcium - hidden + 0.5 * start) for start in (1, 0)]
    outcome = (rng.random(n) < np.where(treated == 1, *chances)).astype(float)
    score = expit(logit)
    h = score * (1 - score)
    truth = float((h * (chances[0] - chances[1])).sum() / h.sum())
    return covariates, treated, outcome, truth


def selected(covariates: tuple[Covariate, ...], treated: np.ndarray, outcome: np.ndarray, room: int = 30):
    design = build_design(covariates, treated)
    return design, select_pairs(design, parts_of(design, covariates, ORDERED, NEVER), treated, [outcome], room)


def test_a_pair_that_choice_and_crossing_follow_enters() -> None:
    covariates, a, y, _ = service(1500, 1, pair=0.7)
    design, found = selected(covariates, a, y)
    first = found.chosen[0]
    assert {side.split(" quarter")[0] for side in first.name.split(" x ")} == {"length", "age"}
    assert max(first.z_choice, first.z_outcome) >= ALONE or np.sqrt(first.z_choice * first.z_outcome) >= TOGETHER
    assert found.design.terms[: len(design.terms)] == design.terms
    assert len(found.design.terms) == len(design.terms) + len(found.chosen) == len(found.design.matrix)
    assert np.linalg.matrix_rank(found.design.matrix) == len(found.design.terms)


def test_without_any_pair_at_work_few_enter_by_chance() -> None:
    # 250 pairs looked at, each with a chance of some 0.3 % in either model and less together: about one in a service.
    entered = [len(selected(*service(1500, seed, pair=0.0)[:3])[1].chosen) for seed in range(10)]
    assert np.mean(entered) < 3


def test_no_more_enter_than_there_is_room_for() -> None:
    covariates, a, y, _ = service(3000, 2, pair=0.7)
    assert len(selected(covariates, a, y, room=1)[1].chosen) == 1
    assert selected(covariates, a, y, room=0)[1].chosen == ()


def test_who_operated_enters_no_pair_and_two_rare_traits_must_have_been_seen_together() -> None:
    covariates, a, y, _ = service(1500, 3, pair=0.7)
    design = build_design(covariates, a)
    assert not [part for part in parts_of(design, covariates, ORDERED, NEVER) if part.of == "operator"]
    rare = np.zeros(1500)
    rare[np.flatnonzero((a == 1) & (covariates[3].values == 1))[: FEWEST_BOTH - 1]] = 1
    rare[np.flatnonzero(a == 0)[:40]] = 1
    more = (*covariates, Covariate("rare", "rare", "category", rare, ("no", "yes")))
    _, found = selected(more, a, np.where(rare == 1, 0.0, y))
    assert not [pair for pair in found.chosen if "rare" in pair.name and "cap" in pair.name]


def test_the_same_pairs_are_made_again_on_another_completed_data_set() -> None:
    covariates, a, y, _ = service(1500, 4, pair=0.7)
    design, found = selected(covariates, a, y)
    again = with_pairs(design, parts_of(design, covariates, ORDERED, NEVER), found.chosen)
    assert [t.name for t in again.terms] == [t.name for t in found.design.terms]
    assert np.array_equal(again.matrix, found.design.matrix)


def test_the_order_of_the_lesions_does_not_decide_which_pairs_enter() -> None:
    covariates, a, y, _ = service(1500, 5, pair=0.7)
    order = np.random.default_rng(9).permutation(1500)
    shuffled = tuple(
        Covariate(c.name, c.label, c.kind, c.values[order], c.levels, c.level_labels, c.straight) for c in covariates
    )
    names = [pair.name for pair in selected(covariates, a, y)[1].chosen]
    assert names == [pair.name for pair in selected(shuffled, a[order], y[order])[1].chosen]


def test_a_model_that_cannot_be_fitted_ends_the_search_without_a_fault() -> None:
    covariates, _, y, _ = service(400, 6, pair=0.7)
    told = (covariates[0].values > 0).astype(float)  # the approach follows the length to the letter
    assert selected(covariates, told, y)[1].chosen == ()
    assert selected(covariates, np.random.default_rng(1).integers(0, 2, 400).astype(float), np.ones(400))[1] is not None


def _difference(a: np.ndarray, y: np.ndarray, design: Design, score: Score) -> tuple[float, float]:
    found = augmented_risks(a, y, np.arange(len(a)), "overlap", score, fit_outcome(design.matrix, a, y))
    u = found.influence_1 - found.influence_0
    return found.risk_1 - found.risk_0, float(np.sqrt(u @ u))


@pytest.mark.parametrize("pair", [0.0, 0.8])
def test_with_pairs_the_augmented_interval_covers_the_truth_in_120_services(pair: float) -> None:
    covered, plain_covered, errors = 0, 0, []
    for seed in range(120):
        covariates, a, y, truth = service(900, 100 + seed, pair=pair)
        design, found = selected(covariates, a, y)
        ridge = np.where(np.arange(len(found.design.terms)) < len(design.terms), 0.0, 1.0)
        estimate, error = _difference(a, y, found.design, fit_score(found.design, a, ridge))
        plain, plain_error = _difference(a, y, design, fit_score(design, a))
        covered += abs(estimate - truth) <= 1.96 * error
        plain_covered += abs(plain - truth) <= 1.96 * plain_error
        errors.append(estimate - truth)
    # 95 % of 120 are 114 with a binomial SD of 2.4: three of them either way.
    assert 107 <= covered <= 120
    assert abs(np.mean(errors)) < 4 * np.std(errors) / np.sqrt(120)
    if pair:
        assert plain_covered < 90, "the scenario must be one in which single traits are not enough"
