"""Unrecorded values drawn from everything else that is known: recorded ones stay, draws are repeatable, confounding goes."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models.imputation import draw_missing
from models.logistic import expit
from models.propensity import Covariate, build_design, fit_score
from models.weights import balancing_weights
from pipeline.derive import derive
from pipeline.estimate import estimate
from pipeline.plan import Plan
from synthetic_data.service import invent

N = 20_000


def _confounded(seed: int, gap: float):
    """A hidden hardness sets grade and length, which both set approach and outcome; there is no effect of the approach."""
    rng = np.random.default_rng(seed)
    hard = rng.normal(size=N)
    grade = np.clip(np.round(1.2 + hard + rng.normal(size=N)), 0, 3)
    length = 120 + 40 * hard + 30 * rng.normal(size=N)
    a = (rng.random(N) < expit(-1.2 + 0.9 * (grade - 1.2) + 0.01 * (length - 120))).astype(float)
    y = (rng.random(N) < expit(1.0 - 0.9 * (grade - 1.2) - 0.01 * (length - 120))).astype(float)
    lost = rng.random((2, N)) < gap
    covariates = (
        Covariate("grade", "grade", "category", np.where(lost[0], np.nan, grade), ("0", "1", "2", "3")),
        Covariate("length", "length", "number", np.where(lost[1], np.nan, length)),
    )
    return covariates, a, y, {"grade": rng.random(N), "length": rng.random(N)}, (grade, length)


def _difference(covariates: tuple[Covariate, ...], a: np.ndarray, y: np.ndarray) -> float:
    score = fit_score(build_design(covariates, a), a)
    w = balancing_weights(score.probability, a, "overlap").weight
    return float((w * a) @ y / (w @ a) - (w * (1 - a)) @ y / (w @ (1 - a)))


def test_drawing_takes_out_the_confounding_that_marking_leaves_in() -> None:
    covariates, a, y, chances, _ = _confounded(1, 0.3)
    always = np.vstack([a, y, a * y])
    plain = float(y[a == 1].mean() - y[a == 0].mean())
    marked = _difference(covariates, a, y)
    drawn = _difference(draw_missing(covariates, always, chances), a, y)
    assert plain < -0.25
    assert marked < -0.04
    # No effect: three standard errors of a difference of this size.
    assert abs(drawn) < 3 * 0.009
    assert abs(drawn) < abs(marked) / 3


def test_recorded_values_stay_and_every_gap_is_filled_with_a_value_that_occurs() -> None:
    covariates, a, y, chances, _ = _confounded(2, 0.2)
    made = draw_missing(covariates, np.vstack([a, y]), chances)
    for before, after in zip(covariates, made, strict=True):
        known = ~np.isnan(before.values)
        assert (after.values[known] == before.values[known]).all()
        assert set(after.values[~known]) <= set(before.values[known])


def test_draws_have_the_distribution_of_what_was_lost() -> None:
    covariates, a, y, chances, (grade, length) = _confounded(3, 0.25)
    made = draw_missing(covariates, np.vstack([a, y, a * y]), chances)
    for arm in (0, 1):
        lost = np.isnan(covariates[0].values) & (a == arm)
        assert made[0].values[lost].mean() == pytest.approx(grade[lost].mean(), abs=0.08)
        lost = np.isnan(covariates[1].values) & (a == arm)
        assert made[1].values[lost].mean() == pytest.approx(length[lost].mean(), abs=3)
        assert made[1].values[lost].std() == pytest.approx(length[lost].std(), rel=0.06)


def test_only_the_traits_named_are_drawn_and_the_same_chances_give_the_same_draws() -> None:
    covariates, a, y, chances, _ = _confounded(4, 0.1)
    always = np.vstack([a, y])
    only = draw_missing(covariates, always, {"grade": chances["grade"]})
    assert not np.isnan(only[0].values).any()
    assert np.isnan(only[1].values).any()
    again = draw_missing(covariates, always, {"grade": chances["grade"]})
    assert (only[0].values == again[0].values).all()
    assert draw_missing(covariates, always, {}) == covariates


def test_a_trait_that_is_never_recorded_is_left_alone() -> None:
    covariates, a, y, chances, _ = _confounded(5, 0.1)
    never = Covariate("cap", "cap", "category", np.full(N, np.nan), ("x", "y"))
    made = draw_missing((*covariates, never), np.vstack([a, y]), {**chances, "cap": chances["grade"]})
    assert np.isnan(made[2].values).all()
    assert not np.isnan(made[0].values).any()


def test_the_plans_seed_makes_the_draws_and_nothing_else_does() -> None:
    lesions = derive(invent(700, 8).tables, Plan()).lesions
    first, again, other = (
        next(c for c in estimate(lesions, Plan(seed=seed)).comparisons if c.method == "doubly_robust") for seed in (1, 1, 2)
    )
    assert first == again
    assert first.effects[0].estimate != other.effects[0].estimate
    assert abs(first.effects[0].estimate - other.effects[0].estimate) < 0.02


def test_a_trait_missing_in_most_lesions_is_marked_and_not_drawn() -> None:
    lesions = derive(invent(900, 8).tables, Plan()).lesions
    thin = lesions.with_columns(calcium=pl.when(pl.int_range(pl.len()) % 10 < 3).then(pl.col("calcium")))
    told = " ".join(estimate(thin, Plan()).remarks)
    assert "proximal cap (" in told
    assert "calcium (" not in told
