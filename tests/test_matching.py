"""Matching: R's pairs and errors, a plain search of all distances, and a known truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from oracle import assert_agrees, record
from test_estimators_against_r import STUDIES, _lalonde

from models.balance import contrast
from models.logistic import expit, fit_logistic
from models.matched_effects import compare_matched, pair_table, shared_patient_variance, unrelated_pairs
from models.matching import Matched, caliper_width, logit_of, match_nearest

CALIPERS = {"match": "all", "match-austin-caliper": "pooled"}


@pytest.mark.parametrize("study", STUDIES)
@pytest.mark.parametrize("rule", CALIPERS)
def test_matched_pairs_their_differences_and_errors_agree_with_r(study: str, rule: str) -> None:
    matrix, a, y, score = STUDIES[study]()
    logit = logit_of(score.probability)
    everyone = np.arange(len(a))
    matched = match_nearest(logit, a, caliper=caliper_width(logit, a, 0.2, CALIPERS[rule]))
    found = compare_matched(matched, y, everyone, 0.95, 0.0, small_sample="none")  # the records: no small-sample factor
    table = pair_table(matched, y, logit, everyone, 0.95)
    distance = np.abs(logit[matched.retrograde] - logit[matched.antegrade])
    rd, rr, oddsr = found.estimated.effects
    assert_agrees(
        f"{study}-{rule}",
        {
            "n_pairs": found.sets,
            "caliper": found.caliper,
            "sd_logit": caliper_width(logit, a, 1.0, "all"),
            "max_pair_distance": distance.max(),
            "mean_pair_distance": distance.mean(),
            "p1": found.estimated.retrograde.risk,
            "p0": found.estimated.antegrade.risk,
            "rd": rd.estimate,
            "rr": rr.estimate,
            "or": oddsr.estimate,
            "se_rd_pair_hc0": found.pair_error,
            "se_rd_paired": found.pair_error,
            "b": table.only_retrograde,
            "c": table.only_antegrade,
            "mcnemar_exact_p": table.p_value,
            "cond_or": table.odds_ratio,
        },
    )
    assert found.without_match == int(a.sum()) - found.sets
    expected = record(f"{study}-{rule}")["expected"]["balance_after"]
    for term, values in zip(score.design.terms[1:], matrix[1:], strict=True):
        if term.name in expected:
            after = contrast(values, a, matched.weight)
            got = {"mean1": after.mean_1, "mean0": after.mean_0, "smd": after.smd}
            if after.variance_ratio is not None:
                got["vr"] = after.variance_ratio
            assert_agrees(f"{study}-{rule}", got, expected[term.name])


def test_matching_lalonde_on_the_score_itself_without_a_caliper_agrees_with_r() -> None:
    matrix, a, _, score = _lalonde()
    matched = match_nearest(score.probability, a, caliper=None)
    expected = record("H13-lalonde-matchit-default")["expected"]
    assert matched.sets == expected["n_pairs"]
    lines = {term.name: line for term, line in zip(score.design.terms[1:], matrix[1:], strict=True)}
    for moment, weight in (("before", np.ones(len(a))), ("after", matched.weight)):
        got = {}
        for name, line in {"distance": score.probability, **lines}.items():
            means = contrast(line, a, weight)
            inside = line[a == 1]
            flag = set(np.unique(line)) <= {0.0, 1.0}
            spread = np.sqrt(inside.mean() * (1 - inside.mean())) if flag else inside.std(ddof=1)
            got[name] = (means.mean_1 - means.mean_0) / spread  # the record divides by the treated SD
        assert_agrees("H13-lalonde-matchit-default", got, expected[f"smd_treated_sd_{moment}"])


@pytest.mark.parametrize("case", record("H14-lalonde-match-orders")["expected"])
def test_the_number_of_pairs_by_order_and_caliper_agrees_with_r(case: str) -> None:
    _, a, _, score = _lalonde()
    order, multiple = case.split("_")
    logit = logit_of(score.probability)
    matched = match_nearest(logit, a, caliper=caliper_width(logit, a, float(multiple)), order=order)
    assert_agrees(
        "H14-lalonde-match-orders",
        {"n_pairs": matched.sets},
        record("H14-lalonde-match-orders")["expected"][case],
    )


def _searched(score: np.ndarray, a: np.ndarray, caliper: float, ratio: int, replacement: bool) -> list[tuple[int, int]]:
    """All distances written out, the way the records define greedy matching."""
    steps = np.rint(score * 1e9).astype(np.int64)
    free = [int(j) for j in np.flatnonzero(a == 0)]
    turn = sorted(np.flatnonzero(a == 1).tolist(), key=lambda t: (-steps[t], t))
    pairs: list[tuple[int, int]] = []
    for _ in range(ratio):
        for t in turn:
            own = {c for first, c in pairs if first == t} if replacement else set()
            left = [c for c in free if c not in own]
            if left:
                best = min(left, key=lambda c: (abs(int(steps[c] - steps[t])), c))
                if abs(int(steps[best] - steps[t])) <= caliper * 1e9 + 1e-6:
                    pairs.append((t, best))
                    if not replacement:
                        free.remove(best)
    return sorted(pairs)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 3), st.booleans(), st.sampled_from([0.05, 0.4, 100.0]), st.booleans())
def test_the_quick_search_finds_the_pairs_of_a_search_of_all_distances(seed, ratio, replacement, caliper, tied) -> None:
    rng = np.random.default_rng(seed)
    score = rng.normal(size=60)
    score = np.round(score, 1) if tied else score
    a = (rng.random(60) < 0.4).astype(float)
    found = match_nearest(score, a, caliper=caliper, ratio=ratio, replacement=replacement)
    pairs = sorted(zip(found.retrograde.tolist(), found.antegrade.tolist(), strict=True))
    assert pairs == _searched(score, a, caliper, ratio, replacement)
    assert found.weight[a == 0].sum() == pytest.approx(found.sets)
    assert len(found.unmatched) + found.sets == a.sum()


def test_the_order_of_the_rows_changes_no_pair_where_scores_are_distinct() -> None:
    rng = np.random.default_rng(3)
    score, a = rng.normal(size=400), (rng.random(400) < 0.35).astype(float)
    shuffled = rng.permutation(400)
    there = match_nearest(score, a, caliper=0.2)
    back = match_nearest(score[shuffled], a[shuffled], caliper=0.2)
    as_set = {tuple(pair) for pair in np.stack([shuffled[back.retrograde], shuffled[back.antegrade]]).T.tolist()}
    assert as_set == {tuple(pair) for pair in np.stack([there.retrograde, there.antegrade]).T.tolist()}


def _invented_service(rng: np.random.Generator, patients: int = 450) -> tuple[np.ndarray, ...]:
    """Patients with one to three lesions alike in traits and in luck; starting from below adds 10 points to every lesion's chance."""
    cluster = np.repeat(np.arange(patients), rng.choice([1, 2, 3], patients, p=[0.5, 0.3, 0.2]))
    n = len(cluster)
    luck, frailty = rng.normal(size=(2, patients))[:, cluster]
    x = rng.normal(size=(2, n))
    a = (rng.random(n) < expit(-0.8 + 0.8 * frailty + 0.5 * x[0])).astype(float)
    chance = 0.25 + 0.3 * expit(1.2 * frailty + x[1]) + 0.5 * (expit(2 * luck) - 0.5) + 0.1 * a
    y = (rng.random(n) < np.clip(chance, 0, 1)).astype(float)
    matrix = np.vstack([np.ones(n), frailty, x])
    return cluster, a, y, fit_logistic(matrix, a).coefficients @ matrix


@pytest.mark.parametrize(
    ("ratio", "replacement"),
    [(1, False), (2, False), (1, True), (3, True)],
    ids=["1:1", "1:2", "1:1 again", "1:3 again"],
)
def test_the_matched_interval_covers_a_known_difference(ratio: int, replacement: bool) -> None:
    """500 services; the bounds are four simulation errors of 95 % coverage and of no bias, plus 0.4 points left by inexact matches."""
    rng = np.random.default_rng(7)
    off, errors, covered = [], [], []
    for _ in range(500):
        cluster, a, y, logit = _invented_service(rng)
        matched = match_nearest(logit, a, caliper=caliper_width(logit, a), ratio=ratio, replacement=replacement)
        found = compare_matched(matched, y, cluster, 0.95, 5.0)
        rd = found.estimated.effects[0]
        off.append(rd.estimate - 0.1)
        errors.append(found.pair_error)
        covered.append(rd.lower <= 0.1 <= rd.upper)
    assert 0.91 <= np.mean(covered) <= 0.99
    assert abs(np.mean(off)) < 0.004 + 4 * np.std(off) / np.sqrt(500)
    assert np.mean(errors) == pytest.approx(np.std(off), rel=0.15)


def test_an_interval_that_forgets_reuse_covers_too_seldom() -> None:
    rng = np.random.default_rng(8)
    missed = []
    for _ in range(200):
        cluster, a, y, logit = _invented_service(rng)
        matched = match_nearest(logit, a, caliper=caliper_width(logit, a), ratio=3, replacement=True)
        found = compare_matched(matched, y, cluster, 0.95, 5.0)
        d = (
            matched.share
            / matched.sets
            * (y[matched.retrograde] - y[matched.antegrade] - found.estimated.effects[0].estimate)
        )
        missed.append(abs(found.estimated.effects[0].estimate - 0.1) > 1.96 * np.sqrt(d @ d))
    assert np.mean(missed) > 0.15


def test_the_shared_patient_variance_is_the_sum_over_all_pairs_of_pairs_that_share_a_patient() -> None:
    rng = np.random.default_rng(1)
    d, first, second = rng.normal(size=40), rng.integers(0, 25, 40), rng.integers(0, 25, 40)
    total = sum(d[i] * d[j] for i in range(40) for j in range(40) if {first[i], second[i]} & {first[j], second[j]})
    assert total > d @ d  # else the floor would hide what is tested
    assert shared_patient_variance(d, first, second) == pytest.approx(total)


def test_copies_of_each_pair_in_the_same_patients_do_not_narrow_the_interval() -> None:
    rng = np.random.default_rng(5)
    y = (rng.random(120) < 0.5).astype(float)
    rows = np.arange(60)
    once = Matched(rows, rows + 60, np.ones(60), np.ones(120), np.empty(0, int), 0.2, 1, False)
    three = Matched(
        np.r_[rows, rows + 120, rows + 240],
        np.r_[rows + 60, rows + 180, rows + 300],
        np.ones(180),
        np.ones(360),
        np.empty(0, int),
        0.2,
        1,
        False,
    )
    one = compare_matched(once, y, np.arange(120), 0.95, 5.0)
    many = compare_matched(three, np.tile(y, 3), np.tile(np.arange(120), 3), 0.95, 5.0)
    assert many.pair_error == pytest.approx(one.pair_error)
    kept = unrelated_pairs(three, np.zeros(180), np.tile(np.arange(120), 3))
    assert kept.sum() == 60


def test_mcnemar_and_the_conditional_odds_ratio_of_a_printed_table() -> None:
    """25 against 10 discordant pairs: p and limits from the exact binomial test of scipy, odds = share / (1 - share)."""
    from scipy.stats import binomtest

    y = np.r_[np.ones(25), np.zeros(10), np.ones(7), np.zeros(9), np.zeros(25), np.ones(10), np.ones(7), np.zeros(9)]
    rows = np.arange(51)
    matched = Matched(rows, rows + 51, np.ones(51), np.ones(102), np.empty(0, int), 0.2, 1, False)
    table = pair_table(matched, y, np.zeros(102), np.arange(102), 0.95)
    reference = binomtest(25, 35)
    low, high = reference.proportion_ci(0.95)
    assert (table.both, table.only_retrograde, table.only_antegrade, table.neither) == (7, 25, 10, 9)
    assert table.p_value == pytest.approx(reference.pvalue)
    assert (table.odds_ratio, table.lower, table.upper) == pytest.approx((2.5, low / (1 - low), high / (1 - high)))


def test_no_match_gives_a_reason_and_no_number() -> None:
    a = np.repeat([1.0, 0.0], 10)
    apart = np.r_[np.full(10, 5.0), np.full(10, -5.0)]
    for treated in (a, np.ones(20), np.zeros(20)):
        matched = match_nearest(apart, treated, caliper=0.2)
        found = compare_matched(matched, a, np.arange(20), 0.95, 5.0)
        assert found.estimated is None
        assert "caliper" in found.withheld_because
        assert found.without_match == treated.sum()
        assert pair_table(matched, a, apart, np.arange(20), 0.95).reason == "no pairs"


@pytest.mark.parametrize("outcome", [0.0, 1.0])
def test_an_outcome_that_never_or_always_happens_keeps_finite_intervals(outcome: float) -> None:
    rng = np.random.default_rng(2)
    score, a = rng.normal(size=200), np.tile([0.0, 1.0], 100)
    matched = match_nearest(score, a, caliper=0.5)
    found = compare_matched(matched, np.full(200, outcome), np.arange(200), 0.95, 0.0)
    for effect in found.estimated.effects:
        assert np.isfinite([effect.estimate, effect.lower, effect.upper]).all()
    assert (
        pair_table(matched, np.full(200, outcome), score, np.arange(200), 0.95).reason
        == "no pair differs in the outcome"
    )


def test_the_discordant_table_has_no_upper_limit_when_only_one_side_has_events() -> None:
    rows = np.arange(6)
    matched = Matched(rows, rows + 6, np.ones(6), np.ones(12), np.empty(0, int), 0.2, 1, False)
    table = pair_table(matched, np.r_[np.ones(6), np.zeros(6)], np.zeros(12), np.arange(12), 0.95)
    assert table.odds_ratio is None
    assert table.upper is None
    assert table.lower == pytest.approx(0.025 ** (1 / 6) / (1 - 0.025 ** (1 / 6)))
    assert "upper limit" in table.reason


def test_three_hundred_thousand_lesions_are_matched_within_seconds() -> None:
    """0.2 s measured on the project's two-core machine; the bound leaves room for a slow one and none for a search of all distances."""
    import time

    rng = np.random.default_rng(1)
    score = rng.normal(size=300_000)
    a = (rng.random(300_000) < 0.6 * expit(score)).astype(float)
    start = time.perf_counter()
    matched = match_nearest(score, a, caliper=0.2)
    assert time.perf_counter() - start < 10
    assert matched.sets > 80_000
