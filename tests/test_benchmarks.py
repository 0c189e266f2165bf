"""The benchmark's yardstick does the job it is held to do. Nothing is timed here."""

import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm

from models.comparison import weighted_risks
from models.logistic import LogisticFit
from models.propensity import Design, Score, Term
from synthetic_data.service import invent, write_service
from tests.benchmarks.children import measure
from tests.benchmarks.floor import NAMES, design, difference, effects, first_attempts, fit, page

# Two maximum-likelihood fits of one model, each stopped when its next step no longer matters.
SAME_FIT = 1e-7


@pytest.fixture(scope="module")
def lesions(tmp_path_factory: pytest.TempPathFactory) -> pl.DataFrame:
    folder = tmp_path_factory.mktemp("floor")
    write_service(invent(500, 11), folder)
    return first_attempts(folder)


@pytest.fixture(scope="module")
def arrays(lesions: pl.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    treated = (lesions["approach"] == "retrograde").to_numpy().astype(float)
    patient = lesions["patient_id"].rank("dense").to_numpy().astype(np.int64) - 1
    return design(lesions, treated), treated, lesions["crossed"].to_numpy().astype(float), patient


def test_the_floor_gives_the_risk_difference_of_a_direct_computation(lesions: pl.DataFrame, arrays) -> None:
    # Outside check: statsmodels' binomial GLM for the score, plain weighted means for the risks.
    x, treated, crossed, _ = arrays
    e = np.asarray(sm.GLM(treated, x.T, family=sm.families.Binomial()).fit(tol=1e-12).fittedvalues)
    below = np.average(crossed[treated == 1], weights=1 - e[treated == 1])
    above = np.average(crossed[treated == 0], weights=e[treated == 0])
    everyone = effects(lesions)[0]
    assert everyone[0] == "everyone"
    assert everyone[1] == pytest.approx(below - above, abs=SAME_FIT)
    crude = crossed[treated == 1].mean() - crossed[treated == 0].mean()
    assert abs(everyone[1] - crude) > 0.01, "the score must matter, or the check tells nothing"


def test_the_floor_gives_the_clustered_error_that_the_product_gives_without_its_small_sample_correction(arrays) -> None:
    x, treated, crossed, patient = arrays
    e, information = fit(x, treated)
    rng = np.random.default_rng(5)
    inside = rng.random(len(treated)) < 0.6
    ours = difference(x, e, information, treated, crossed, patient, inside.astype(float))
    terms = tuple(Term(str(j), str(j), str(j)) for j in range(len(x)))
    score = Score(Design(terms, x, ()), LogisticFit(np.zeros(len(x)), information, e, None), np.zeros(len(treated)))
    theirs = weighted_risks(treated, crossed, patient, "overlap", score, inside, small_sample="none")
    u = theirs.influence_1 - theirs.influence_0
    clusters = len(np.unique(patient[inside]))
    assert ours[0] == pytest.approx(theirs.risk_1 - theirs.risk_0, abs=1e-12)
    assert ours[1] == pytest.approx(float(np.sqrt(clusters / (clusters - 1) * (u @ u))), rel=1e-10)


def test_the_floor_reads_all_six_tables_and_draws_every_row(lesions: pl.DataFrame) -> None:
    rows = effects(lesions)
    drawn = page(rows)
    assert len(NAMES) == 6 and lesions.height == 500
    assert {"length_mm", "procedure_date", "birth_year", "session", "harm", "last"} <= set(lesions.columns)
    assert len(rows) == 21 and np.isfinite([row[1:] for row in rows]).all()
    assert drawn.count("<circle") == 21 and drawn.count("<svg") == 1


def test_measuring_a_child_reports_its_own_time_and_stops_one_that_overruns(tmp_path: Path) -> None:
    held = measure((sys.executable, "-c", "held = b'x' * (600 * 2**20)"), tmp_path, 60)
    assert held.peak_mb > 600 and held.wall > 0 and held.cpu > 0
    with pytest.raises(TimeoutError, match="stopped after"):
        measure((sys.executable, "-c", "import time; time.sleep(30)"), tmp_path, 0.2)
    with pytest.raises(RuntimeError, match="left with 3"):
        measure((sys.executable, "-c", "import sys; sys.exit(3)"), tmp_path, 60)
