"""The cluster bootstrap and the multiplier bootstrap: against full refits by statsmodels, the sandwich, exact quantiles and a known truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtri

import models.bootstrap
from models.augmented import augmented_risks, fit_outcome
from models.balancing_score import fit_balancing_score
from models.bootstrap import Replicates, cluster_bootstrap
from models.bootstrap_intervals import bootstrap_effects, reported
from models.comparison import Weighted, compare_risks, weighted_risks
from models.logistic import expit
from models.multiplier_bootstrap import multiplier_bootstrap, multiplier_effects
from models.propensity import Design, Score, Term, fit_score
from models.weights import balancing_weights
from synthetic_data.service import invent, write_service
from tests.benchmarks import bootstrap_child
from tests.benchmarks.floor import first_attempts

POPULATIONS = ("overlap", "all", "treated")
Z = 1.959964


def _service(seed: int, patients: int, terms: int = 6, intercept: float = -0.5):
    """Patients of one to three lesions and a shared frailty; half of the traits are yes or no."""
    rng = np.random.default_rng(seed)
    cluster = np.repeat(np.arange(patients), rng.integers(1, 4, patients))
    n = len(cluster)
    x = rng.normal(size=(terms, n))
    x[0] = 1
    half = slice(1 + terms // 2, terms)
    x[half] = (x[half] > 0.6) / 0.45 - 0.6
    slopes = np.linspace(-0.6, 0.8, terms)
    slopes[0] = intercept
    frailty = rng.normal(size=patients)[cluster]
    a = (rng.random(n) < expit(slopes @ x)).astype(float)
    y = (rng.random(n) < expit(0.2 + 0.5 * a + 0.7 * x[1] + 0.4 * x[-1] + 0.6 * frailty)).astype(float)
    design = Design(tuple(Term(f"x{j}", f"x{j}", f"x{j}") for j in range(terms)), x, ())
    return cluster, a, y, fit_score(design, a)


def _counts(clusters: int, draws: int, seed: int) -> np.ndarray:
    """The draws as documented: for each replicate as many cluster numbers as there are clusters, with replacement."""
    rng = np.random.default_rng(seed)
    return np.stack([np.bincount(rng.integers(0, clusters, clusters), minlength=clusters) for _ in range(draws)])


def _refitted(score: Score, a: np.ndarray, y: np.ndarray, times: np.ndarray) -> dict[str, tuple[float, float]]:
    """Risks in one replicate, the score fitted to convergence. Reference: statsmodels GLM with frequency weights."""
    import statsmodels.api as sm

    model = sm.GLM(a, score.design.matrix.T, family=sm.families.Binomial(), freq_weights=times)
    e = np.asarray(model.fit(tol=1e-12).fittedvalues)
    found = {}
    for population in POPULATIONS:
        w = balancing_weights(e, a, population).weight * times
        found[population] = (np.average(y[a == 1], weights=w[a == 1]), np.average(y[a == 0], weights=w[a == 0]))
    return found


@pytest.mark.parametrize(
    ("patients", "terms", "within"),
    # `within`: root mean square distance from the full refit, in standard errors.
    [(150, 8, 0.03), (700, 6, 0.03), (5000, 6, 0.01)],
    ids=["few", "some", "many lesions a term"],
)
def test_replicates_are_those_of_a_full_refit(patients: int, terms: int, within: float) -> None:
    cluster, a, y, score = _service(4, patients, terms)
    draws = 60
    found = cluster_bootstrap(a, y[None], cluster, score, POPULATIONS, draws, seed=9)
    expected = [_refitted(score, a, y, times[cluster].astype(float)) for times in _counts(patients, draws, 9)]
    for one in found:
        reference = np.array([e[one.population] for e in expected])
        difference = reference[:, 0] - reference[:, 1]
        distance = np.sqrt(np.mean((one.risk_1 - one.risk_0 - difference) ** 2))
        assert distance < within * difference.std(ddof=1), one.population
        weighted = weighted_risks(a, y, cluster, one.population, score)
        assert (one.estimate_1, one.estimate_0) == pytest.approx((weighted.risk_1, weighted.risk_0), abs=1e-12)


@pytest.mark.parametrize("draw", ["multinomial", "exponential"])
def test_the_spread_of_the_replicates_is_the_error_of_the_sandwich(draw) -> None:
    """Two independent ways to the same error; 2,000 replicates tell an SD to 1.6 %."""
    cluster, a, y, score = _service(1, 4000)
    for one in cluster_bootstrap(a, y[None], cluster, score, POPULATIONS, 2000, seed=3, draw=draw):
        weighted = weighted_risks(a, y, cluster, one.population, score)
        error = np.linalg.norm(weighted.influence_1 - weighted.influence_0)
        assert (one.risk_1 - one.risk_0).std(ddof=1) == pytest.approx(error, rel=0.06)


def test_without_weights_the_replicates_are_plain_shares_of_the_lesions_drawn() -> None:
    cluster, a, y, score = _service(6, 60, 2)
    (found,) = cluster_bootstrap(a, y[None], cluster, score, ("observed",), 40, seed=2)
    for b, times in enumerate(_counts(60, 40, 2)):
        again = np.repeat(np.arange(len(a)), times[cluster])
        assert found.risk_1[b] == pytest.approx(y[again][a[again] == 1].mean(), abs=1e-6)
        assert found.risk_0[b] == pytest.approx(y[again][a[again] == 0].mean(), abs=1e-6)


def test_neither_the_order_of_rows_nor_the_size_of_batches_changes_the_replicates(monkeypatch) -> None:
    cluster, a, y, score = _service(8, 120)
    plain = cluster_bootstrap(a, y[None], cluster, score, POPULATIONS, 50, seed=1)
    monkeypatch.setattr(models.bootstrap, "NUMBERS_AT_ONCE", 1000)
    monkeypatch.setattr(models.bootstrap, "CHUNK_ROWS", 17)
    order = np.random.default_rng(0).permutation(len(a))
    moved = fit_score(Design(score.design.terms, score.design.matrix[:, order], ()), a[order])
    shuffled = cluster_bootstrap(a[order], y[None, order], cluster[order], moved, POPULATIONS, 50, seed=1)
    for one, other in zip(plain, shuffled, strict=True):
        assert other.risk_1 == pytest.approx(one.risk_1, abs=5e-6)
        assert other.risk_0 == pytest.approx(one.risk_0, abs=5e-6)


def test_the_same_seed_gives_the_same_bytes_and_several_outcomes_share_the_draws() -> None:
    cluster, a, y, score = _service(8, 120)
    both = cluster_bootstrap(a, np.stack([1 - y, y]), cluster, score, ("overlap",), 30, seed=5)
    again = cluster_bootstrap(a, np.stack([1 - y, y]), cluster, score, ("overlap",), 30, seed=5)
    assert [one.risk_1.tobytes() for one in both] == [one.risk_1.tobytes() for one in again]
    assert both[0].risk_1 == pytest.approx(1 - both[1].risk_1, abs=1e-6)
    other = cluster_bootstrap(a, y[None], cluster, score, ("overlap",), 30, seed=6)
    assert not np.allclose(other[0].risk_1, both[1].risk_1)


def test_a_profile_is_drawn_with_the_score_of_the_whole_service() -> None:
    cluster, a, y, score = _service(1, 2500)
    member = score.design.matrix[1] > 0.2
    (found,) = cluster_bootstrap(a, y[None], cluster, score, ("overlap",), 1000, seed=4, member=member)
    weighted = weighted_risks(a, y, cluster, "overlap", score, member)
    assert found.estimate_1 == pytest.approx(weighted.risk_1, abs=1e-12)
    error = np.linalg.norm(weighted.influence_1 - weighted.influence_0)
    assert (found.risk_1 - found.risk_0).std(ddof=1) == pytest.approx(error, rel=0.08)


def test_a_trait_that_many_draws_lack_by_one_approach_stops_nothing() -> None:
    cluster, a, y, score = _service(2, 100, 4)
    rare = np.zeros(len(a))
    rare[np.flatnonzero(a == 1)[:2]] = rare[np.flatnonzero(a == 0)[:2]] = 1
    design = Design((*score.design.terms, Term("rare", "rare", "rare")), np.vstack([score.design.matrix, rare]), ())
    scored = fit_score(design, a)
    assert scored.fit.failed_because is None
    for one in cluster_bootstrap(a, y[None], cluster, scored, POPULATIONS, 500, seed=3):
        assert np.isfinite(one.risk_1).all()
        assert np.isfinite(one.risk_0).all()
        assert ((one.risk_1 > 0) & (one.risk_1 < 1)).all()


def test_intervals_are_those_of_their_definitions() -> None:
    """999 replicates that are 1, 2 ... 999 thousandths: quantile p of B in order is at p (B + 1) (Davison & Hinkley 1997)."""
    steps = np.arange(1, 1000) / 1000
    found = Replicates("overlap", 0, 0.4, 0.0, steps, np.zeros(999), None)
    difference = bootstrap_effects(found, 0.9)[0]
    assert difference.percentile is not None
    assert (difference.percentile.lower, difference.percentile.upper) == pytest.approx((0.05, 0.95))
    assert difference.basic is not None
    assert (difference.basic.lower, difference.basic.upper) == pytest.approx((0.8 - 0.95, 0.8 - 0.05))
    assert difference.normal is not None
    half = ndtri(0.95) * steps.std(ddof=1)
    assert (difference.normal.lower, difference.normal.upper) == pytest.approx((0.4 - half, 0.4 + half))


def test_ratios_are_analyzed_as_logarithms_and_shown_as_themselves() -> None:
    cluster, a, y, score = _service(1, 1500)
    (found,) = cluster_bootstrap(a, y[None], cluster, score, ("overlap",), 1000, seed=4)
    difference, ratio, odds = bootstrap_effects(found, 0.95)
    weighted = weighted_risks(a, y, cluster, "overlap", score)
    p1, p0 = weighted.risk_1, weighted.risk_0
    u1, u0 = weighted.influence_1, weighted.influence_0
    assert ratio.estimate == pytest.approx(p1 / p0)
    assert odds.estimate == pytest.approx(p1 * (1 - p0) / p0 / (1 - p1))
    assert ratio.standard_error == pytest.approx(np.linalg.norm(u1 / p1 - u0 / p0), rel=0.08)
    logits = u1 / (p1 * (1 - p1)) - u0 / (p0 * (1 - p0))
    assert odds.standard_error == pytest.approx(np.linalg.norm(logits), rel=0.08)
    shown = reported("crossed", "weighting", odds)
    assert odds.percentile is not None
    assert (shown.lower, shown.upper) == (odds.percentile.lower, odds.percentile.upper)
    assert (shown.measure, shown.replicates, shown.failed) == ("odds_ratio", 1000, 0)
    for effect in (difference, ratio, odds):
        for limits in (effect.percentile, effect.basic, effect.normal):
            assert limits is not None
            assert limits.lower < effect.estimate < limits.upper
        assert (effect.failed, effect.withheld_because) == (0, None)


def test_an_approach_without_the_outcome_has_a_difference_and_no_ratio() -> None:
    cluster, a, _, score = _service(3, 200)
    none_above = (a == 1).astype(float) * (np.arange(len(a)) % 2)
    (found,) = cluster_bootstrap(a, none_above[None], cluster, score, ("overlap",), 300, seed=4)
    difference, ratio, odds = bootstrap_effects(found, 0.95)
    assert difference.percentile is not None
    for effect in (ratio, odds):
        assert effect.estimate is None
        assert effect.withheld_because == "an approach had the outcome in none or in all of its lesions"


def test_what_cannot_be_drawn_says_why() -> None:
    cluster, a, y, score = _service(3, 60)
    (found,) = cluster_bootstrap(a, y[None], cluster, score, ("overlap",), 300, 4, member=a == 0)
    assert bootstrap_effects(found, 0.95)[0].withheld_because == "no lesion was started by one of the approaches"
    separated = fit_score(Design(score.design.terms[:2], np.stack([np.ones(len(a)), a]), ()), a)
    (found,) = cluster_bootstrap(a, y[None], cluster, separated, ("overlap",), 300, 4)
    assert bootstrap_effects(found, 0.95)[0].withheld_because == "some characteristic predicts the approach perfectly"
    (found,) = cluster_bootstrap(a, y[None], cluster, score, ("overlap",), 50, 4)
    assert bootstrap_effects(found, 0.95)[0].withheld_because == "fewer than 200 replicates were made"
    one_event = np.zeros(len(a))
    one_event[[np.flatnonzero(a == 1)[0], np.flatnonzero(a == 0)[0]]] = 1
    (found,) = cluster_bootstrap(a, one_event[None], cluster, score, ("overlap",), 300, 4)
    difference, ratio, _ = bootstrap_effects(found, 0.95)
    assert difference.withheld_because is None
    assert ratio.withheld_because is not None
    assert ratio.failed > 0.2 * 300  # a draw lacks a patient in exp(-1) of cases


def test_a_balancing_score_is_refused() -> None:
    cluster, a, y, score = _service(3, 60)
    with pytest.raises(TypeError, match="maximum likelihood"):
        cluster_bootstrap(a, y[None], cluster, fit_balancing_score(score.design, a, "all"), ("all",), 300, 4)


def test_bootstrap_intervals_hold_the_truth() -> None:
    """300 services of about 500 lesions. The truth by Gauss-Hermite quadrature: outcome and score share the first trait."""
    points, mass = np.polynomial.hermite_e.hermegauss(40)
    trait, other, frailty = np.meshgrid(points, points, points, indexing="ij")
    share = np.einsum("i,j,k->ijk", mass, mass, mass)
    e = expit(-0.4 + 0.9 * trait - 0.5 * other)
    overlap = share * e * (1 - e)
    risk = {arm: expit(0.2 + 0.5 * arm + 0.8 * trait + 0.6 * frailty) for arm in (0, 1)}
    truth = float((overlap * (risk[1] - risk[0])).sum() / overlap.sum())
    held = {"percentile": 0, "basic": 0, "normal": 0}
    for seed in range(300):
        rng = np.random.default_rng(seed)
        cluster = np.repeat(np.arange(250), 2)
        x = np.vstack([np.ones(500), rng.normal(size=(2, 500))])
        alike = rng.normal(size=250)[cluster]
        a = (rng.random(500) < expit(x.T @ [-0.4, 0.9, -0.5])).astype(float)
        y = (rng.random(500) < expit(0.2 + 0.5 * a + 0.8 * x[1] + 0.6 * alike)).astype(float)
        score = fit_score(Design(tuple(Term(f"x{j}", f"x{j}", f"x{j}") for j in range(3)), x, ()), a)
        (found,) = cluster_bootstrap(a, y[None], cluster, score, ("overlap",), 400, seed)
        effect = bootstrap_effects(found, 0.95)[0]
        for name in held:
            limits = getattr(effect, name)
            held[name] += limits.lower < truth < limits.upper
    for name, count in held.items():
        assert 0.915 <= count / 300 <= 0.985, (name, count / 300)  # three simulation errors of 1.3 % about 95 %


def test_one_estimate_has_the_normal_quantile_and_many_that_of_their_largest() -> None:
    """Independent symmetric influences: the exact quantile of the largest of k is Sidak's."""
    influence = np.random.default_rng(1).normal(size=(4000, 10)) / 4000
    found = multiplier_bootstrap(influence, 8000, seed=2)
    assert found is not None
    assert found.critical_value(0.95) == pytest.approx(ndtri(0.5 + 0.95**0.1 / 2), rel=0.02)
    single = multiplier_bootstrap(influence[:, :1], 8000, seed=2)
    assert single is not None
    assert single.critical_value(0.95) == pytest.approx(Z, rel=0.03)
    assert found.standard_error == pytest.approx(np.linalg.norm(influence, axis=0) * np.sqrt(4000 / 3999))


def test_estimates_that_move_together_share_one_quantile() -> None:
    line = np.random.default_rng(1).normal(size=(500, 1))
    together = multiplier_bootstrap(np.hstack([line, 3 * line, -line]), 2000, seed=2)
    alone = multiplier_bootstrap(line, 2000, seed=2)
    assert together is not None
    assert alone is not None
    assert together.critical_value(0.9) == pytest.approx(alone.critical_value(0.9), rel=1e-9)


def test_percentile_t_intervals_of_a_skewed_mean_miss_as_often_on_either_side() -> None:
    """1,500 samples of 60 exponentials, true mean 1: normal intervals miss mostly below it; Hall 1988 has percentile-t right to second order."""
    rng = np.random.default_rng(3)
    missed = {"percentile_t": np.zeros(2), "normal": np.zeros(2)}
    for seed in range(1500):
        sample = rng.standard_exponential(60)
        mean = sample.mean()
        found = multiplier_bootstrap((sample - mean)[:, None] / 60, 400, seed)
        assert found is not None
        (limits,) = found.percentile_t(np.array([mean]), 0.95)
        half = Z * found.standard_error[0]
        missed["percentile_t"] += [limits.upper < 1, limits.lower > 1]
        missed["normal"] += [mean + half < 1, mean - half > 1]
    shares = {name: count / 1500 for name, count in missed.items()}
    assert shares["normal"][0] > 0.05  # the fault that is mended
    assert shares["percentile_t"][0] < 0.045
    assert shares["percentile_t"].sum() < 0.07
    assert shares["percentile_t"].sum() < shares["normal"].sum()


def test_bands_hold_a_whole_curve_together() -> None:
    """400 samples of 300 paths of a random walk with mean 0 at 12 points; a band of pointwise intervals would hold it in about 75 %."""
    rng = np.random.default_rng(4)
    held = pointwise = 0
    for seed in range(400):
        paths = rng.normal(size=(300, 12)).cumsum(axis=1)
        mean = paths.mean(axis=0)
        found = multiplier_bootstrap((paths - mean) / 300, 400, seed)
        assert found is not None
        held += all(limits.lower < 0 < limits.upper for limits in found.band(mean, 0.95))
        pointwise += all(limits.lower < 0 < limits.upper for limits in found.percentile_t(mean, 0.95))
    assert 0.915 <= held / 400 <= 0.98
    assert pointwise / 400 < 0.88


def test_percentile_t_intervals_agree_with_the_sandwich_where_lesions_are_many() -> None:
    cluster, a, y, score = _service(1, 3000)
    found = weighted_risks(a, y, cluster, "overlap", score)
    sandwich = compare_risks(a, y, cluster, "overlap", score, 0.95, 0.0).effects
    made = multiplier_effects(found, 0.95, 4000, seed=2)
    assert not isinstance(made, str)
    for ours, theirs in zip(made, sandwich, strict=True):
        assert (ours.measure, ours.estimate) == (theirs.measure, pytest.approx(theirs.estimate))
        half = np.log(theirs.upper / theirs.lower) / 2 if ours.measure != "risk_difference" else 0.0
        width = half or (theirs.upper - theirs.lower) / 2
        scale = (lambda x: x) if ours.measure == "risk_difference" else np.log
        assert scale(ours.lower) == pytest.approx(scale(theirs.lower), abs=0.1 * width)
        assert scale(ours.upper) == pytest.approx(scale(theirs.upper), abs=0.1 * width)


def test_percentile_t_intervals_of_the_augmented_estimate_hold_the_truth() -> None:
    """300 services of 300 lesions with no effect at all: every measure's truth is known without a calculation."""
    held = np.zeros(3)
    rejected = 0
    for seed in range(300):
        rng = np.random.default_rng(seed)
        cluster = np.repeat(np.arange(150), 2)
        x = np.vstack([np.ones(300), rng.normal(size=(2, 300))])
        a = (rng.random(300) < expit(x.T @ [-0.4, 0.9, -0.5])).astype(float)
        alike = rng.normal(size=150)[cluster]
        y = (rng.random(300) < expit(0.2 + 0.8 * x[1] + 0.6 * alike)).astype(float)
        score = fit_score(Design(tuple(Term(f"x{j}", f"x{j}", f"x{j}") for j in range(3)), x, ()), a)
        found = augmented_risks(a, y, cluster, "overlap", score, fit_outcome(x, a, y))
        made = multiplier_effects(found, 0.95, 400, seed)
        assert not isinstance(made, str)
        held += [effect.lower < truth < effect.upper for effect, truth in zip(made, (0, 1, 1), strict=True)]
        rejected += made[0].p_value < 0.05
    assert ((held / 300 >= 0.915) & (held / 300 <= 0.985)).all(), held / 300
    assert 0.015 <= rejected / 300 <= 0.085


def test_percentile_t_intervals_that_cannot_be_made_say_why() -> None:
    nothing = np.zeros(30)
    assert "none or in all" in str(multiplier_effects(Weighted(1.0, 0.5, nothing, nothing), 0.95, 300, 1))
    assert "fewer than two patients" in str(multiplier_effects(Weighted(0.4, 0.5, nothing, nothing), 0.95, 300, 1))


def test_the_benchmark_compares_the_lesions_of_the_case_tables_without_a_gap(tmp_path: Path) -> None:
    write_service(invent(300, 11), tmp_path)
    bootstrap_child.fill(tmp_path)
    treated, crossed, patient, design = bootstrap_child.from_tables(tmp_path)
    first = first_attempts(tmp_path)
    assert len(treated) == first.height
    assert treated.sum() == (first["approach"] == "retrograde").sum()
    assert crossed.sum() == first["crossed"].sum()
    assert len(np.unique(patient)) == first["patient_id"].n_unique()
    assert np.isfinite(design.matrix).all()
    assert np.linalg.matrix_rank(design.matrix) == len(design.terms)


def test_a_line_without_influence_has_no_error_and_two_clusters_are_needed() -> None:
    influence = np.random.default_rng(1).normal(size=(50, 2))
    influence[:, 1] = 0
    found = multiplier_bootstrap(influence, 300, seed=1)
    assert found is not None
    assert found.standard_error[1] == 0
    assert not found.studentized[:, 1].any()
    assert multiplier_bootstrap(influence[:1], 300, seed=1) is None
    assert multiplier_bootstrap(np.zeros((0, 2)), 300, seed=1) is None
    assert multiplier_bootstrap(influence, 100, seed=1) is None
