"""The statistics behind what looks odd, against hand calculation, enumeration and outside results."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.stats import chi2_contingency, fisher_exact

from models.digit_preference import MOST_LIMITS, digit_preference
from models.level_shifts import FEWEST, Shift, never_varies, shifts
from models.repeated_values import expected_runs, poisson_at_least

# Rounding to 0 and 5


def test_without_any_preference_the_index_is_100_and_where_all_is_rounded_500() -> None:
    even = digit_preference(np.repeat(np.arange(3, 103), 20))
    rounded = digit_preference(np.repeat(np.arange(5, 100, 5), 100))
    assert even is not None and even.index == 100
    assert even.p_value > 0.5
    assert rounded is not None and rounded.index == 500
    assert (rounded.share_0, rounded.share_5) == (9 / 19, 10 / 19)
    assert rounded.p_value < 1e-100


def test_the_index_is_whipples_on_what_is_left_after_the_largest_excesses() -> None:
    """By hand: 20 windows of 5 values, 10 rows on each value, 20 more on each multiple of five: 5 x 30/70 x 100 = 214.3."""
    values = np.concatenate([np.repeat(np.arange(3, 103), 10), np.repeat(np.arange(5, 105, 5), 20)])
    seen = digit_preference(values)
    assert seen is not None
    assert seen.index == pytest.approx(500 * 30 / 70)


def test_a_few_limits_at_which_one_stops_are_no_preference() -> None:
    limits = np.repeat([15, 20, 30, 40, 60, 90], 200)
    assert len(set(limits)) == MOST_LIMITS
    seen = digit_preference(np.concatenate([np.repeat(np.arange(3, 103), 20), limits]))
    assert seen is not None and seen.index == 100


@pytest.mark.parametrize("shape", ["falling", "rising", "bell"])
def test_the_slope_of_a_distribution_is_no_preference(shape: str) -> None:
    rng = np.random.default_rng(4)
    drawn = {
        "falling": rng.exponential(12, 50_000),
        "rising": 100 * rng.beta(3, 1, 50_000),
        "bell": rng.normal(50, 12, 50_000).clip(0),
    }[shape]
    seen = digit_preference(np.rint(drawn).astype(np.int64))
    assert seen is not None and seen.index < 105


def test_too_few_values_say_nothing() -> None:
    assert digit_preference(np.array([], dtype=np.int64)) is None
    assert digit_preference(np.array([10, 20, 30])) is None


# Runs of one value


@pytest.mark.parametrize(("p", "length"), [(0.5, 3), (0.3, 3), (0.2, 2)])
def test_the_expected_number_of_runs_is_that_by_enumeration(p: float, length: int) -> None:
    """Every sequence of 12 of two values, weighted by its chance."""
    shares = np.array([p, 1 - p])
    rows, exact = 12, 0.0
    for sequence in itertools.product((0, 1), repeat=rows):
        chance = float(np.prod(shares[list(sequence)]))
        exact += chance * sum(1 for _, run in itertools.groupby(sequence) if len(list(run)) >= length)
    assert expected_runs(shares, rows, length) == pytest.approx(exact)


def test_the_longest_run_of_heads_in_200_tosses_is_about_seven() -> None:
    """Schilling (1990): the longest run of heads in n tosses is about log2(n/2), here 6.6."""
    assert expected_runs(np.array([0.5]), 200, 7) < 1 < expected_runs(np.array([0.5]), 200, 6)


def test_the_chance_of_a_poisson_number_agrees_with_its_terms() -> None:
    terms = [np.exp(-2.5) * 2.5**k / float(np.prod(np.arange(1, k + 1))) for k in range(4)]
    assert poisson_at_least(4, 2.5) == pytest.approx(1 - sum(terms))
    assert poisson_at_least(0, 2.5) == 1


# Shares that change


def one(kind: str, events: np.ndarray, totals: np.ndarray) -> Shift:
    """The one change of a kind, of a single site and code."""
    found = [s for s in shifts(events[None, :, None], totals[None, :]).found if s.kind == kind]
    assert len(found) == 1
    return found[0]


def test_a_change_of_level_is_found_at_its_quarter_with_the_g_test_of_both_sides() -> None:
    totals = np.full(8, 50)
    events = np.array([10, 12, 9, 11, 40, 38, 41, 42])
    shift = one("level", events, totals)
    assert (shift.quarter, shift.before, shift.after) == (4, 42 / 200, 161 / 200)
    expected = chi2_contingency([[42, 158], [161, 39]], correction=False, lambda_="log-likelihood")
    assert shift.p_value == pytest.approx(expected.pvalue, rel=1e-6)


def test_a_code_that_vanishes_has_fishers_exact_chance() -> None:
    totals = np.array([40, 40, 40, 40])
    events = np.array([16, 15, 0, 0])
    shift = one("gone", events, totals)
    assert (shift.quarter, shift.after, shift.n) == (2, 0.0, 80)
    exact = fisher_exact([[31, 49], [0, 80]], alternative="greater")
    assert shift.p_value == pytest.approx(exact.pvalue, rel=1e-9)


def test_a_code_that_appears_is_the_same_the_other_way_round() -> None:
    totals = np.array([40, 40, 40, 40])
    events = np.array([16, 15, 0, 0])
    gone, new = one("gone", events, totals), one("new", events[::-1], totals)
    assert (new.quarter, new.before, new.after) == (2, gone.after, gone.before)
    assert new.p_value == pytest.approx(gone.p_value)


def test_one_odd_quarter_is_found_among_its_neighbors() -> None:
    totals = np.full(9, 60)
    events = np.array([48, 46, 47, 45, 60, 49, 46, 48, 47])
    shift = one("quarter", events, totals)
    assert (shift.quarter, shift.after) == (4, 1.0)
    assert shift.before == pytest.approx(np.delete(events, 4).sum() / 480)


def test_a_slow_drift_is_no_sudden_change() -> None:
    totals = np.full(20, 500)
    events = np.linspace(100, 400, 20).astype(np.int64)  # from 20% to 80% in five years
    assert [s.kind for s in shifts(events[None, :, None], totals[None, :]).found] == []


def test_small_numbers_are_not_looked_at() -> None:
    few = np.full((1, 4), FEWEST // 4 - 1)
    assert shifts(few[:, :, None], few).looks == 0
    assert shifts(np.zeros((1, 1, 1), dtype=np.int64), np.full((1, 1), 500)).looks == 0


def test_a_site_that_never_varies_is_held_against_the_others() -> None:
    totals = np.full((3, 4), 25)
    events = np.stack([np.full((4,), 12), np.full((4,), 25), np.full((4,), 13)])
    codes = np.stack([events, totals - events], axis=2)
    found, looks = never_varies(codes, totals)
    assert [(s.site, s.code, s.n, s.before) for s in found] == [(1, 0, 100, 0.5)]
    assert looks == 6
    exact = fisher_exact([[100, 0], [100, 100]], alternative="greater")
    assert found[0].p_value == pytest.approx(exact.pvalue, rel=1e-9)


def test_of_a_hundred_clean_histories_none_shows_a_change() -> None:
    """Two sites, twelve quarters of 40 rows, six codes, one seed each; chances corrected for all looks of a history."""
    alarms = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        codes = rng.multinomial(40, [0.4, 0.25, 0.15, 0.1, 0.07, 0.03], size=(2, 12))
        seen = shifts(codes, np.full((2, 12), 40))
        alarms += any(s.p_value * seen.looks < 0.001 for s in seen.found)
    assert alarms == 0
