"""Whether chains settled and whether what they drew could be: traces, R-hat, recorded beside drawn values, patterns of gaps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.imputation_checks import (
    LARGEST_R_HAT,
    adjusted_differences,
    chain_traces,
    chance_r_hat,
    missing_patterns,
    missing_traits,
    number_checks,
    plausibility,
    split_r_hat,
    unsettled,
)
from models.multiple_imputation import Imputations, impute
from models.propensity import Covariate
from models.sensitivity_results import ChainTrace
from tests.gappy_service import gappy_service
from tests.oracle import DATA, assert_agrees, record


def _found(lesions: int = 1500, data_sets: int = 10) -> tuple[Imputations, np.ndarray, np.ndarray]:
    _, gappy, known = gappy_service(np.random.default_rng(4), lesions)
    found = impute(gappy, known, ("length", "grade", "diabetes"), data_sets=data_sets, sweeps=10, seed=1)
    return found, known.treated, known.outcomes


def test_patterns_of_missing_values_agree_with_mice() -> None:
    names = ("age", "bmi", "hyp", "chl")
    rows = np.genfromtxt(DATA / "nhanes.csv", delimiter=",", skip_header=1)
    covariates = tuple(Covariate(n, n, "number", column) for n, column in zip(names, rows.T, strict=True))
    patterns = missing_patterns(covariates)
    got = {
        "n": sum(p.count for p in patterns),
        "complete": sum(p.count for p in patterns if not p.traits),
        "patterns": len(patterns),
    }
    assert_agrees("H41-nhanes-missing", got)
    treated = np.arange(25) % 2.0
    missing = dict.fromkeys(names, 0) | {
        t.label: t.missing_retrograde + t.missing_antegrade for t in missing_traits(covariates, treated)
    }
    assert_agrees("H41-nhanes-missing", missing, record("H41-nhanes-missing")["expected"]["missing"])


def test_patterns_add_up_to_all_lesions_and_to_each_traits_gaps() -> None:
    _, gappy, known = gappy_service(np.random.default_rng(4), 500)
    patterns = missing_patterns(gappy)
    assert sum(p.count for p in patterns) == 500
    for trait in missing_traits(gappy, known.treated):
        gone = sum(p.count for p in patterns if trait.label in p.traits)
        assert trait.missing_retrograde + trait.missing_antegrade == gone
        assert trait.n_retrograde + trait.n_antegrade == 500
    assert missing_patterns(()) == ()


def test_r_hat_is_that_of_the_formula_worked_by_hand() -> None:
    # Halves (1,2) (3,4) (2,1) (4,3): within variances all 0.5; half means 1.5 3.5 1.5 3.5, variance 4/3, times 2; (0.25 + 4/3) / 0.5, root.
    assert split_r_hat(np.array([[1.0, 2, 3, 4], [2, 1, 4, 3]])) == pytest.approx(np.sqrt((0.25 + 4 / 3) / 0.5))
    # The middle one of five is left out.
    assert split_r_hat(np.array([[1.0, 2, 99, 3, 4], [2, 1, 99, 4, 3]])) == pytest.approx(np.sqrt((0.25 + 4 / 3) / 0.5))


def test_chains_that_drift_or_keep_apart_are_found_and_chains_that_mix_are_not() -> None:
    rng = np.random.default_rng(3)
    mixing = rng.normal(size=(20, 8))
    assert (split_r_hat(mixing) or 0) < LARGEST_R_HAT
    assert (split_r_hat(mixing + np.arange(8)) or 0) > LARGEST_R_HAT
    assert (split_r_hat(mixing + 2 * rng.normal(size=(20, 1))) or 0) > LARGEST_R_HAT
    assert split_r_hat(np.ones((3, 8))) is None
    assert split_r_hat(mixing[:, :3]) is None


def test_imputation_of_an_ordinary_service_settles_and_its_traces_can_be_drawn() -> None:
    found, _, _ = _found(data_sets=20)
    traces = chain_traces(found)
    assert {("length", "mean"), ("length", "SD")} <= {(t.trait, t.statistic) for t in traces}
    # Of a category every level but the commonest: three grades of four, one of two for diabetes.
    assert sorted(t.trait for t in traces) == ["diabetes", "grade", "grade", "grade", "length", "length"]
    assert all(len(t.chains) == 20 and len(t.chains[0]) == 10 for t in traces)
    assert unsettled(traces) == ()


def test_settled_chains_are_called_unsettled_once_in_twenty() -> None:
    rng = np.random.default_rng(5)
    for chains, sweeps in ((20, 8), (5, 8), (5, 18)):
        limit = chance_r_hat(chains, sweeps, 30)
        alarms = [
            max(split_r_hat(rng.normal(size=(chains, sweeps))) or 0.0 for _ in range(30)) > limit for _ in range(400)
        ]
        # Three standard errors of 0.05 in 400; Bonferroni's bound is nearly met for statistics that are independent.
        assert np.mean(alarms) == pytest.approx(0.05, abs=0.033)


def test_a_trait_whose_chains_keep_apart_is_named() -> None:
    rng = np.random.default_rng(3)
    mixing = rng.normal(size=(20, 10))
    apart = mixing + 2 * rng.normal(size=(20, 1))
    traces = tuple(
        ChainTrace(name, "mean", tuple(map(tuple, chains.tolist())), split_r_hat(chains[:, 2:]))
        for name, chains in (("length", mixing), ("grade", apart))
    )
    assert [t.trait for t in unsettled(traces)] == ["grade"]


def test_shares_recorded_and_drawn_add_up_and_counts_are_lesions() -> None:
    found, _, _ = _found()
    rows = plausibility(found, {"length": "mm"})
    grades = [p for p in rows if p.trait == "grade"]
    assert sum(p.recorded for p in grades) == pytest.approx(1)
    assert sum(p.imputed for p in grades) == pytest.approx(1)
    assert sum(p.recorded_count for p in grades) == grades[0].recorded_n
    assert grades[0].recorded_n + grades[0].imputed_n == 1500
    length = next(p for p in rows if p.trait == "length")
    values = found.recorded[0].values
    assert length.unit == "mm"
    assert length.recorded == pytest.approx(np.nanmean(values))
    assert length.recorded_sd == pytest.approx(np.nanstd(values))
    assert length.imputed == pytest.approx(found.drawn["length"].mean())


def test_quantiles_by_approach_are_of_that_approachs_lesions() -> None:
    found, treated, _ = _found()
    (check,) = number_checks(found, treated)
    values = found.recorded[0].values
    known = ~np.isnan(values)
    assert check.recorded_retrograde.count + check.recorded_antegrade.count == check.recorded.count == known.sum()
    assert check.drawn_retrograde.count + check.drawn_antegrade.count == check.drawn.count == (~known).sum()
    assert check.recorded_retrograde.quantiles is not None
    assert check.recorded_retrograde.quantiles[2] == pytest.approx(np.median(values[known & (treated == 1)]))
    drawn = found.drawn["length"][:, treated[found.lesions["length"]] == 0]
    assert check.drawn_antegrade.quantiles is not None
    assert check.drawn_antegrade.quantiles[2] == pytest.approx(np.median(drawn))


def test_an_approach_without_gaps_has_no_quantiles_of_drawn_values() -> None:
    _, gappy, known = gappy_service(np.random.default_rng(4), 500)
    filled = np.where((known.treated == 1) & np.isnan(gappy[0].values), 120.0, gappy[0].values)
    found = impute((replace(gappy[0], values=filled),), known, ["length"], data_sets=2, sweeps=2, seed=1)
    (check,) = number_checks(found, known.treated)
    assert check.drawn_retrograde.count == 0
    assert check.drawn_retrograde.quantiles is None


def test_gaps_that_follow_the_outcome_alone_leave_no_difference_once_it_is_held() -> None:
    rng = np.random.default_rng(9)
    _, _, known = gappy_service(rng, 6000)
    value = rng.normal(size=6000) - 1.5 * known.outcomes[0]
    gone = rng.random(6000) < np.where(known.outcomes[0] == 1, 0.1, 0.5)
    c = Covariate("x", "x", "number", np.where(gone, np.nan, value))
    found = impute((c,), known, ["x"], data_sets=10, sweeps=5, seed=1)
    (difference,) = adjusted_differences(found, known.treated, known.outcomes)
    assert difference.plain > 0.3
    # Three standard errors in SD of x, from about 1,900 lesions drawn and 4,100 recorded.
    assert abs(difference.adjusted) < 3 / np.sqrt(1300)
