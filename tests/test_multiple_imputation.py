"""Several draws of what was not recorded: recorded values stay, patients are respected, order does not matter, and intervals cover."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest

from models import chained_equations
from models.chained_equations import AT_RANDOM, Departure
from models.content_draws import content_words, key, told_apart, uniforms
from models.imputation_layout import AlwaysKnown, Owner, make_layout
from models.imputation_models import (
    Curvature,
    Step,
    Target,
    level_chances,
    make_donors,
    make_target,
    matched,
    penalties,
    settled_fit,
    step,
)
from models.multiple_imputation import Imputations, impute, impute_departing
from models.propensity import Covariate
from models.rubin import pool
from tests.gappy_service import EFFECT, gappy_service, overlap_difference

NAMES = ("length", "grade", "diabetes")


def _imputed(covariates: tuple[Covariate, ...], known: AlwaysKnown, seed: int = 1, data_sets: int = 3) -> Imputations:
    return impute(covariates, known, NAMES, data_sets=data_sets, sweeps=5, seed=seed)


def _values(sets: Iterable[tuple[Covariate, ...]]) -> np.ndarray:
    return np.array([[c.values for c in covariates] for covariates in sets])


def _small(seed: int = 3) -> tuple[tuple[Covariate, ...], AlwaysKnown]:
    _, gappy, known = gappy_service(np.random.default_rng(seed), 400)
    return gappy, known


# What a draw may not do


def test_recorded_values_never_change_and_every_gap_takes_a_value_that_was_recorded() -> None:
    gappy, known = _small()
    for completed in _imputed(gappy, known):
        for before, after in zip(gappy, completed, strict=True):
            there = ~np.isnan(before.values)
            assert (after.values[there] == before.values[there]).all()
            assert set(after.values[~there]) <= set(before.values[there])


def test_a_patients_trait_is_the_same_in_all_of_the_patients_lesions() -> None:
    gappy, known = _small()
    for completed in _imputed(gappy, known):
        values = completed[2].values
        first = np.zeros(known.cluster.max() + 1)
        first[known.cluster] = values
        assert (values == first[known.cluster]).all()
    assert (np.bincount(known.cluster) > 1).sum() > 50


def test_a_trait_recorded_in_one_lesion_of_a_patient_is_taken_over_by_the_others() -> None:
    gappy, known = _small()
    diabetes = gappy[2].values.copy()
    patient = int(np.flatnonzero(np.bincount(known.cluster, ~np.isnan(diabetes)) >= 2)[0])
    rows = np.flatnonzero(known.cluster == patient)
    told = diabetes[rows[0]]
    diabetes[rows[1:]] = np.nan
    found = _imputed((*gappy[:2], replace(gappy[2], values=diabetes)), known)
    assert all((completed[2].values[rows] == told).all() for completed in found)
    assert found.carried["diabetes"] == len(rows) - 1


def test_an_age_that_is_not_recorded_grows_with_the_years_between_a_patients_procedures() -> None:
    gappy, known = _small()
    rng = np.random.default_rng(5)
    years = rng.integers(0, 6, len(known.cluster)).astype(float)
    patients = known.cluster.max() + 1
    born = rng.normal(72, 8, patients).round()
    age = np.where((rng.random(patients) < 0.3)[known.cluster], np.nan, born[known.cluster] + years)
    owners = {**known.owners, "age": Owner(known.cluster, years)}
    covariates = (*gappy, Covariate("age", "age", "number", age))
    found = impute(covariates, replace(known, owners=owners), (*NAMES, "age"), data_sets=2, sweeps=4, seed=1)
    for completed in found:
        start = completed[3].values - years
        assert np.ptp([np.ptp(start[known.cluster == g]) for g in range(patients)]) == 0


def test_units_that_hold_lesions_of_two_patients_are_refused() -> None:
    gappy, known = _small()
    wrong = replace(known, owners={"grade": Owner(np.zeros(len(known.cluster), dtype=np.int64))})
    with pytest.raises(ValueError, match="two patients"):
        _imputed(gappy, wrong)


# What a draw may not depend on


def test_neither_order_of_rows_nor_numbering_of_patients_changes_a_value() -> None:
    gappy, known = _small()
    plain = _values(_imputed(gappy, known))
    rng = np.random.default_rng(0)
    rows = rng.permutation(len(known.cluster))
    renumbered = rng.permutation(known.cluster.max() + 1)[known.cluster]
    moved = replace(known, cluster=renumbered, owners={"diabetes": Owner(renumbered)}).at(rows)
    other = _values(_imputed(tuple(replace(c, values=c.values[rows]) for c in gappy), moved))
    assert (plain[:, :, rows] == other).all()


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others() -> None:
    gappy, known = _small()
    first, again, other = (_values(_imputed(gappy, known, seed)) for seed in (1, 1, 2))
    assert first.tobytes() == again.tobytes()
    assert (first != other).any()


def test_data_sets_differ_and_more_of_them_leave_the_first_as_they_are() -> None:
    gappy, known = _small()
    few, many = (_values(_imputed(gappy, known, data_sets=m)) for m in (2, 4))
    assert (few == many[:2]).all()
    assert (many[0] != many[1]).any()


def test_lesions_that_are_alike_in_everything_still_draw_for_themselves() -> None:
    words = content_words(np.zeros((3, 1000)))
    assert len(set(words)) == 1
    assert len(set(told_apart(words))) == 1000


def test_numbers_made_of_content_are_uniform_and_unrelated_between_places() -> None:
    words = content_words(np.arange(20_000.0)[None, :])
    a, b = (uniforms(words, key("seed", 1, place)) for place in ("grade", "length"))
    assert a.min() > 0 and a.max() < 1
    # Counts in 20 bins of 1,000 each: chi-square with 19 degrees of freedom passes 43.8 once in a thousand.
    for chance in (a, b, (a + b) % 1.0):
        assert ((np.histogram(chance, 20, (0, 1))[0] - 1000.0) ** 2 / 1000).sum() < 43.8
    # Four standard errors of a correlation of nothing.
    assert abs(np.corrcoef(a, b)[0, 1]) < 4 / np.sqrt(20_000)


# What a draw must look like


def test_draws_have_the_distribution_of_what_was_lost() -> None:
    whole, gappy, known = gappy_service(np.random.default_rng(8), 12_000)
    found = impute(gappy, known, NAMES, data_sets=5, sweeps=6, seed=1)
    for c, truth in zip(gappy, whole, strict=True):
        rows = found.lesions[c.name]
        for arm in (0.0, 1.0):
            for crossed in (0.0, 1.0):
                mine = (known.treated[rows] == arm) & (known.outcomes[0][rows] == crossed)
                lost = truth.values[rows[mine]]
                drawn = found.drawn[c.name][:, mine]
                # Four standard errors of the mean lost, a patient's lesions allowed for by the root of their number, and of what the fit adds.
                near = 4 * np.sqrt(2 * 1.5) * lost.std() / np.sqrt(len(lost))
                assert drawn.mean() == pytest.approx(lost.mean(), abs=near), c.name
                assert drawn.std() == pytest.approx(lost.std(), rel=0.1), c.name


def _patients_alike(seed: int, *, whole_patients: bool) -> tuple[Covariate, AlwaysKnown, np.ndarray]:
    """200 patients of three lesions; x has mean 0, SD 1 and correlates by one half within a patient; about 40 % are lost."""
    rng = np.random.default_rng(seed)
    cluster = np.repeat(np.arange(200), 3)
    n = len(cluster)
    x = np.sqrt(0.5) * (rng.normal(size=200)[cluster] + rng.normal(size=n))
    sign = 0.6 * x + 0.8 * rng.normal(size=n)
    arms = (rng.random((2, n)) < 0.45).astype(float)
    gone = (rng.random(200) < 0.4)[cluster] if whole_patients else rng.random(n) < 0.4 * (1 + 0.5 * np.sign(sign))
    c = Covariate("x", "x", "number", np.where(gone, np.nan, x))
    content = content_words(np.vstack([*arms, sign, c.values]))
    return c, AlwaysKnown(arms[0], arms[1:], cluster, content, sign[None]), gone


def _patient_mean(values: np.ndarray, cluster: np.ndarray) -> tuple[float, float]:
    parts = np.bincount(cluster, values - values.mean()) / len(values)
    return float(values.mean()), float(len(parts) / (len(parts) - 1) * (parts @ parts))


@pytest.mark.parametrize("sign", [False, True], ids=["nothing else known", "a sign known"])
def test_lesions_of_a_patient_that_all_lack_a_trait_come_out_nearly_as_alike_as_recorded_ones(sign: bool) -> None:
    found = []
    for seed in range(30):
        c, known, gone = _patients_alike(seed, whole_patients=True)
        known = known if sign else replace(known, others=None)
        for (completed,) in impute((c,), known, ["x"], data_sets=3, sweeps=4, seed=seed):
            lost = completed.values[gone].reshape(-1, 3)
            found.append(np.corrcoef(lost.T)[np.triu_indices(3, 1)].mean())
    # Recorded values correlate by 0.5. Draws for each lesion alone would by 0.18 with the sign (0.6^2 of it) and by 0 without.
    assert 0.4 < np.mean(found) < 0.53


def test_coefficients_are_drawn_by_patients(monkeypatch: pytest.MonkeyPatch) -> None:
    gappy, known = _small()
    seen = []
    plain = chained_equations.step

    def watched(target: Target, table: np.ndarray, now: np.ndarray, curve: Curvature, multiplier: np.ndarray) -> Step:
        seen.append(multiplier)
        return plain(target, table, now, curve, multiplier)

    monkeypatch.setattr(chained_equations, "step", watched)
    impute((gappy[0],), known, ["length"], data_sets=2, sweeps=2, seed=1)
    # Rows are in the order of content: which patient each belongs to shows in how often its number comes.
    for multiplier in seen:
        counts = np.sort(np.unique(multiplier, return_counts=True)[1])
        assert (counts == np.sort(np.bincount(known.cluster))).all()


HOW = ("single lesions", "whole patients", "whole patients, nothing else known")


def _mean_runs(runs: int, how: str) -> np.ndarray:
    """(runs, 4): pooled mean of a trait whose mean is zero, its total variance, whether 95 % covers, missing information."""
    found = []
    for seed in range(runs):
        c, known, _ = _patients_alike(seed, whole_patients=how != "single lesions")
        known = replace(known, others=None) if how.endswith("known") else known
        sets = impute((c,), known, ["x"], data_sets=8, sweeps=3, seed=seed)
        means, variances = np.array([_patient_mean(d.values, known.cluster) for (d,) in sets]).T
        pooled = pool(means, variances, 199)
        lower, upper = pooled.interval(0.95)
        found.append((pooled.estimate[0], pooled.total[0], lower[0] <= 0 <= upper[0], pooled.missing_information[0]))
    return np.array(found)


def _mean_covers(found: np.ndarray) -> None:
    estimate, total, covered, missing = found.T
    runs = len(found)
    # Three standard errors of a share, of a mean and of an SD.
    assert covered.mean() > 0.95 - 3 * np.sqrt(0.95 * 0.05 / runs)
    assert abs(estimate.mean()) < 3 * estimate.std() / np.sqrt(runs)
    assert np.sqrt(total.mean()) > estimate.std() * (1 - 3 / np.sqrt(2 * runs))
    assert 0.15 < missing.mean() < 0.65


@pytest.mark.parametrize("how", HOW)
def test_intervals_of_a_mean_cover_with_patients_alike(how: str) -> None:
    _mean_covers(_mean_runs(100, how))


@pytest.mark.long
@pytest.mark.parametrize("how", HOW)
def test_intervals_of_a_mean_cover_in_eight_hundred_services(how: str) -> None:
    """Proper imputation (Rubin 1987, chapter 4). Draws without the uncertainty of their own model cover 0.90 to 0.92 here."""
    _mean_covers(_mean_runs(800, how))


def test_after_each_sweep_predictors_are_what_the_values_drawn_make_them() -> None:
    gappy, known = _small()
    layout = make_layout(gappy, known, NAMES)
    chain = chained_equations.run_chain(layout, chained_equations.pilot_fits(layout, 1), (AT_RANDOM,), 1, (1, 0))[0]
    assert not chain.tables  # let go of once the chain is done
    chain = chained_equations.started_chain(layout, (1, 0), chained_equations.pilot_fits(layout, 1))
    chained_equations.sweep_once(layout, chain, (1, 0, 0), AT_RANDOM)
    for d in layout.drawn:
        values = layout.values[d.covariate.name].copy()
        values[d.lesions] = chained_equations.in_lesions(d, chain.values[d.covariate.name])
        lines = d.coding.lines(values)
        for units, table in zip(layout.units, chain.tables, strict=True):
            assert table[d.lines] == pytest.approx(units.means(lines), abs=1e-12)
            assert (table[-1] == 0).all()


# The answer that all is for


def _overlap_runs(runs: int, lesions: int, seed: int) -> np.ndarray:
    """(runs, 5): pooled difference, its total variance, whether 95 % covers, missing information, difference with nothing missing."""
    found = []
    for j in range(runs):
        whole, gappy, known = gappy_service(np.random.default_rng([seed, j]), lesions)
        sets = impute(gappy, known, NAMES, data_sets=5, sweeps=4, seed=j)
        q, u = np.array([overlap_difference(covariates, known) for covariates in sets]).T
        pooled = pool(q, u, int(known.cluster.max()))
        lower, upper = pooled.interval(0.95)
        found.append(
            (
                pooled.estimate[0],
                pooled.total[0],
                lower[0] <= EFFECT <= upper[0],
                pooled.missing_information[0],
                overlap_difference(whole, known)[0],
            )
        )
    return np.array(found)


def _covers(found: np.ndarray) -> None:
    estimate, total, covered, missing, whole = found.T
    runs = len(found)
    assert covered.mean() > 0.95 - 3 * np.sqrt(0.95 * 0.05 / runs)
    assert abs(estimate.mean() - EFFECT) < 3 * estimate.std() / np.sqrt(runs)
    assert np.sqrt(total.mean()) > estimate.std() * (1 - 3 / np.sqrt(2 * runs))
    # Imputed and whole data answer alike on average, far closer than either is to the truth: the gaps add no bias of their own.
    assert abs((estimate - whole).mean()) < 0.006
    assert missing.mean() > 0.02


def test_overlap_weighting_of_imputed_data_covers_with_a_quarter_missing_at_random() -> None:
    _covers(_overlap_runs(100, 600, 21))


@pytest.mark.long
def test_overlap_weighting_of_imputed_data_covers_in_a_thousand_services() -> None:
    found = _overlap_runs(1000, 800, 22)
    estimate, total, covered, missing, _ = found.T
    print(
        f"\n1,000 services of 800 lesions, a quarter missing at random: bias {100 * (estimate.mean() - EFFECT):.2f} points, empirical error "
        f"{100 * estimate.std():.2f}, mean estimated {100 * np.sqrt(total.mean()):.2f}, coverage {covered.mean():.3f}, missing information {missing.mean():.2f}"
    )
    _covers(found)
    assert 0.93 <= covered.mean() <= 0.97


# Departures from missing at random


def test_no_shift_gives_what_missing_at_random_gives_to_the_last_bit() -> None:
    gappy, known = _small()
    plain = _imputed(gappy, known)
    none, some = impute_departing(
        gappy, known, NAMES, (Departure("grade", 0.0, 0.0), Departure("grade", 1.0, 1.0)), data_sets=3, sweeps=5, seed=1
    )
    assert _values(none).tobytes() == _values(plain).tobytes()
    assert (_values(some) != _values(plain)).any()


def test_shifts_move_what_was_drawn_their_own_way_and_leave_what_was_recorded() -> None:
    gappy, known = _small()
    shifts = (-1.0, 0.0, 1.0)
    for trait, place in (("length", 0), ("grade", 1), ("diabetes", 2)):
        departures = [Departure(trait, d, d) for d in shifts]
        found = impute_departing(gappy, known, NAMES, departures, data_sets=3, sweeps=5, seed=1)
        means = [f.drawn[trait].mean() for f in found]
        assert means[0] < means[1] < means[2]
        there = ~np.isnan(gappy[place].values)
        assert all((c[place].values[there] == gappy[place].values[there]).all() for f in found for c in f)
        assert all(f.drawn["length"].min() >= np.nanmin(gappy[0].values) for f in found)


def test_a_shift_of_one_sd_moves_a_number_by_one_sd_as_far_as_its_range_allows() -> None:
    gappy, known = _small()
    wide = replace(gappy[0], values=np.r_[1.0, 10_000.0, gappy[0].values[2:]])
    spread = float(np.nanstd(wide.values))
    departures = (Departure("all", 0, 0), Departure("length", 0.5, 0.5))
    alone = replace(known, cluster=np.arange(len(known.cluster)), owners={})
    plain, moved = impute_departing((wide, *gappy[1:]), alone, ["length"], departures, data_sets=2, sweeps=4, seed=1)
    # Nothing else is drawn and no lesion has a sibling, so that the shift is all that differs.
    expected = np.minimum(plain.drawn["length"] + 0.5 * spread, 10_000)
    assert moved.drawn["length"] == pytest.approx(expected, rel=1e-12)


def test_log_odds_of_one_raise_a_flags_odds_by_the_factor_e() -> None:
    """With nothing that tells anything of the flag, its drawn odds are known."""
    rng = np.random.default_rng(4)
    n = 30_000
    flag = (rng.random(n) < 0.3).astype(float)
    flag[rng.random(n) < 0.5] = np.nan
    arms = (rng.random((2, n)) < 0.5).astype(float)
    c = Covariate("flag", "flag", "category", flag, ("no", "yes"))
    content = content_words(np.vstack([arms, np.arange(n)]))
    known = AlwaysKnown(arms[0], arms[1:], np.arange(n), content)
    departures = (Departure("flag", 0, 0), Departure("flag", 1, 0))
    plain, moved = impute_departing((c,), known, ["flag"], departures, data_sets=4, sweeps=2, seed=1)
    from_below = arms[0][plain.lesions["flag"]] == 1

    def odds(f: Imputations, mine: np.ndarray) -> float:
        p = f.drawn["flag"][:, mine].mean()
        return float(p / (1 - p))

    # Same random numbers: the ratio of odds is known far better than the odds; 30,000 draws give it to 2 %.
    assert odds(moved, from_below) / odds(plain, from_below) == pytest.approx(np.e, rel=0.05)
    assert odds(moved, ~from_below) == odds(plain, ~from_below)


# Degenerate services


@pytest.mark.parametrize(
    "values",
    [
        np.r_[np.full(10, np.nan), np.full(30, 2.0)],
        np.r_[np.full(39, np.nan), 1.0],
        np.r_[np.full(20, np.nan), np.arange(20) % 3.0],
    ],
    ids=["one value", "one lesion", "three values"],
)
@pytest.mark.parametrize("kind", ["number", "category"])
def test_little_recorded_is_drawn_from_without_a_fault(values: np.ndarray, kind: str) -> None:
    n = len(values)
    treated = (np.arange(n) % 2).astype(float)
    c = Covariate("x", "x", kind, values, () if kind == "number" else ("a", "b", "c"))
    for outcome in (np.zeros(n), treated, (np.arange(n) % 5 == 0).astype(float)):
        known = AlwaysKnown(treated, outcome[None], np.arange(n) // 2, content_words(np.arange(n * 1.0)[None]))
        for (completed,) in impute((c,), known, ["x"], data_sets=2, sweeps=3, seed=1):
            assert set(completed.values) <= set(values[~np.isnan(values)])


def test_what_is_never_recorded_or_not_asked_for_stays_as_it_is() -> None:
    gappy, known = _small()
    never = Covariate("cap", "cap", "category", np.full(len(known.cluster), np.nan), ("x", "y"))
    found = impute((*gappy, never), known, ("length", "cap"), data_sets=2, sweeps=2, seed=1)
    assert found.never == ("cap",)
    for completed in found:
        assert np.isnan(completed[3].values).all()
        assert not np.isnan(completed[0].values).any()
        assert (np.isnan(completed[1].values) == np.isnan(gappy[1].values)).all()


def test_a_service_without_gaps_is_handed_back() -> None:
    whole, _, known = gappy_service(np.random.default_rng(1), 100)
    found = _imputed(whole, known)
    assert found.data_sets == 3
    assert all(completed == whole for completed in found)
    assert not found.traces


def test_a_single_arm_is_imputed_like_any_other() -> None:
    gappy, known = _small()
    found = _imputed(gappy, replace(known, treated=np.zeros(len(known.cluster))))
    assert not np.isnan(_values(found)).any()


# The single steps


def test_a_gap_takes_one_of_the_five_nearest_recorded_values() -> None:
    rng = np.random.default_rng(2)
    predicted, wanted = rng.normal(size=200), rng.normal(size=500) * 2
    donors = make_donors(np.arange(200.0), predicted, rng.exponential(size=200))
    taken = matched(donors, wanted, rng.random(500)).astype(int)
    rank = (np.abs(wanted[:, None] - predicted) < np.abs(wanted - predicted[taken])[:, None]).sum(axis=1)
    assert rank.max() <= 4
    assert len(set(rank)) == 5


def test_where_nothing_predicts_any_recorded_value_may_be_taken() -> None:
    donors = make_donors(np.arange(50.0), np.zeros(50), np.ones(50))
    taken = matched(donors, np.zeros(20_000), np.random.default_rng(1).random(20_000))
    # 50 values, 400 draws each: chi-square with 49 degrees of freedom passes 85.4 once in a thousand.
    assert ((np.bincount(taken.astype(int), minlength=50) - 400.0) ** 2 / 400).sum() < 85.4


def test_the_fit_of_a_category_is_that_of_multinomial_regression_elsewhere() -> None:
    sm = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(6)
    x = np.vstack([np.ones(3000), rng.normal(size=(2, 3000))])
    logits = np.array([[-0.5, 0.5, -0.3], [-0.8, 0.1, 0.6]]) @ x
    chances = np.cumsum(level_chances(logits, 0), axis=0)
    values = (chances < rng.random(3000)).sum(axis=0).astype(float)
    target = make_target(values, np.full(3, 1e-9), category=True)
    assert target.base == 0
    fitted, _ = settled_fit(target, x, np.zeros((2, 3)))
    reference = sm.MNLogit(values, x.T).fit(disp=0).params.T
    assert fitted == pytest.approx(np.asarray(reference), abs=1e-4)


def test_drawn_coefficients_vary_as_the_cluster_sandwich_says() -> None:
    rng = np.random.default_rng(7)
    cluster = np.repeat(np.arange(150), 2)
    shared = rng.normal(size=150)[cluster]
    x = np.vstack([np.ones(300), rng.normal(size=150)[cluster]])
    y = 0.4 * x[1] + shared + 0.3 * rng.normal(size=300)
    target = make_target(y, np.full(2, 1e-9), category=False)
    fitted, curve = settled_fit(target, x, np.zeros((1, 2)))
    drawn = np.array([step(target, x, fitted, curve, rng.normal(size=150)[cluster]).drawn[0] for _ in range(4000)])
    # The cluster-robust variance with statsmodels' factor put aside, times n/(n - p).
    sm = pytest.importorskip("statsmodels.api")
    fit = sm.OLS(target.outcome[0], x.T).fit(cov_type="cluster", cov_kwds={"groups": cluster, "use_correction": False})
    expected = fit.cov_params() * 300 / 298
    assert np.cov(drawn.T) == pytest.approx(np.asarray(expected), rel=0.1, abs=0.1 * expected[0, 0])
    assert fit.bse[1] ** 2 > 1.5 * sm.OLS(target.outcome[0], x.T).fit().bse[1] ** 2


def test_penalties_spare_what_the_answer_is_about() -> None:
    found = penalties(4, 64, slice(10, 12), category=False)
    assert found[0] < 0.01
    assert (found[[1, 2, 3, 10, 11, 63]] == 1).all()
    assert (np.delete(found, [0, 1, 2, 3, 10, 11, 63]) == 15).all()
