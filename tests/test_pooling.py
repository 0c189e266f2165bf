"""One comparison from several completed data sets: pooled as Rubin's rules say, and as one data set where there is one."""

from __future__ import annotations

import numpy as np
import pytest

from models.comparison import compare_risks, weighted_risks
from models.pooling import Moments, moments_of, pooled_comparison
from models.rubin import pool


def moments(seed: int, n: int = 600, crossed: float = 0.7) -> Moments:
    rng = np.random.default_rng(seed)
    a = (np.arange(n) % 3 == 0).astype(float)
    y = (rng.random(n) < crossed).astype(float)
    cluster = np.arange(n) // 2
    found = weighted_risks(a, y, cluster, "observed", None)
    return moments_of(found, a, y, cluster, np.ones(n), np.ones(n, dtype=bool))


def test_one_data_set_gives_the_interval_of_the_comparison_itself() -> None:
    rng = np.random.default_rng(1)
    a, y = (np.arange(500) % 3 == 0).astype(float), (rng.random(500) < 0.6).astype(float)
    cluster = np.arange(500) // 2
    alone = compare_risks(a, y, cluster, "observed", None, 0.95, 5.0)
    found = weighted_risks(a, y, cluster, "observed", None)
    one = moments_of(found, a, y, cluster, np.ones(500), np.ones(500, dtype=bool))
    pooled = pooled_comparison([one], 0.95, 5.0)
    assert pooled.missing_information is None and pooled.data_sets == 1
    for ours, theirs in zip(pooled.estimated.effects, alone.effects, strict=True):
        assert (ours.estimate, ours.lower, ours.upper) == pytest.approx((theirs.estimate, theirs.lower, theirs.upper))
    assert pooled.estimated.retrograde == alone.retrograde and pooled.estimated.antegrade == alone.antegrade


def test_several_data_sets_are_pooled_by_rubins_rules_on_each_scale() -> None:
    sets = [moments(seed) for seed in range(5)]
    found = pooled_comparison(sets, 0.95, 5.0)
    rubin = pool(np.stack([s.values for s in sets]), np.stack([s.variances for s in sets]), sets[0].clusters - 1)
    lower, upper = rubin.interval(0.95)
    difference, ratio, odds = found.estimated.effects
    assert (difference.lower, difference.upper) == pytest.approx((lower[0], upper[0]))
    assert (ratio.lower, ratio.upper) == pytest.approx((np.exp(lower[1]), np.exp(upper[1])))
    assert (odds.lower, odds.upper) == pytest.approx((np.exp(lower[2]), np.exp(upper[2])))
    assert found.missing_information == pytest.approx(rubin.missing_information[0])
    widths = [np.sqrt(s.variances[0]) for s in sets]
    assert (difference.upper - difference.lower) / 2 > 1.96 * np.mean(widths)


def test_where_cells_are_small_what_is_not_recorded_widens_the_interval_too() -> None:
    sets = [moments(seed, n=60, crossed=0.95) for seed in range(6)]
    several, one = pooled_comparison(sets, 0.95, 5.0), pooled_comparison(sets[:1], 0.95, 5.0)
    assert several.estimated.sparse and one.estimated.sparse
    widths = [c.estimated.effects[0].upper - c.estimated.effects[0].lower for c in (several, one)]
    assert widths[0] > widths[1]
    assert all(np.isfinite([e.estimate, e.lower, e.upper]).all() for e in several.estimated.effects)


def test_an_arm_in_which_every_wire_crossed_has_finite_intervals() -> None:
    n = 80
    a, y, cluster = (np.arange(n) % 2).astype(float), np.ones(n), np.arange(n)
    y[::4] = 0
    found = weighted_risks(a, y, cluster, "observed", None)
    one = moments_of(found, a, y, cluster, np.ones(n), np.ones(n, dtype=bool))
    effects = pooled_comparison([one], 0.95, 5.0).estimated.effects
    assert all(np.isfinite([e.estimate, e.lower, e.upper]).all() for e in effects)
