"""One measured process of `tests.benchmarks.bootstrap`: fits the score, draws the replicates, writes what it took to a file."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import numpy as np
import polars as pl

from models.bootstrap import cluster_bootstrap
from models.logistic import expit
from models.propensity import Design, Score, Term, fit_score
from tests.benchmarks.floor import first_attempts

NUMBERS = ("length_mm", "age", "runoff_vessels", "rutherford")
CATEGORIES = (
    "calcium_grade", "segment", "prior_bypass", "renal", "diabetes", "sex", "proximal_cap", "distal_cap", "in_stent", "operator_id",
)  # fmt: skip
FILLED = {
    "lesions": ("length_mm", "runoff_vessels", "calcium_grade", "segment", "prior_bypass", "proximal_cap", "distal_cap", "in_stent"),
    "procedures": ("rutherford", "operator_id"),
    "patients": ("birth_year", "renal", "diabetes", "sex"),
}  # fmt: skip


def fill(tables: Path) -> None:
    """Give gaps in what is compared the column's commonest value, so that programs with other ways of leaving rows out compare the same lesions."""
    for name, columns in FILLED.items():
        path = tables / f"{name}.csv"
        frame = pl.read_csv(path, infer_schema=False)
        commonest = {c: frame[c].drop_nulls().mode().sort()[0] for c in columns}
        frame.with_columns(pl.col(c).fill_null(value) for c, value in commonest.items()).write_csv(path)


def from_tables(tables: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray, Design]:
    """Approach, crossing by it, patient, and a design of numbers (length with its square) and of every level but the first."""
    lesions = first_attempts(tables)
    treated = (lesions["approach"] == "retrograde").to_numpy().astype(float)
    crossed = lesions["crossed"].cast(pl.Float64).to_numpy()
    patient = lesions["patient_id"].rank("dense").to_numpy().astype(np.int64) - 1
    lines = {name: lesions[name].cast(pl.Float64).to_numpy() for name in NUMBERS}
    lines["length_mm^2"] = lines["length_mm"] ** 2
    for name in CATEGORIES:
        column = lesions[name].cast(pl.String)
        for level in column.unique().sort().to_list()[1:]:
            lines[f"{name}={level}"] = (column == level).to_numpy().astype(float)
    matrix = np.stack([np.ones(len(treated)), *((line - line.mean()) / line.std() for line in lines.values())])
    return treated, crossed, patient, Design(tuple(Term(n, n, n) for n in ("constant", *lines)), matrix, ())


def invent(lesions: int, terms: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, Design]:
    """As `from_tables`, from a generator: half numbers, half yes or no; about 1.3 lesions a patient who share a frailty."""
    random = np.random.default_rng(1)
    patient = np.unique(random.integers(0, int(lesions / 1.3), lesions), return_inverse=True)[1]
    matrix = random.normal(size=(terms, lesions))
    matrix[0] = 1.0
    for line in matrix[1 + terms // 2 :]:
        line[:] = line > 0.8
        line[:] = (line - line.mean()) / line.std()
    slopes = random.normal(size=(2, terms)) * 0.3
    slopes[:, 0] = -1.5, 0.5
    treated = (random.random(lesions) < expit(slopes[0] @ matrix)).astype(float)
    frailty = random.normal(size=patient.max() + 1)[patient]
    crossed = (random.random(lesions) < expit(slopes[1] @ matrix + 0.4 * treated + 0.5 * frailty)).astype(float)
    return treated, crossed, patient, Design(tuple(Term(str(j), str(j), str(j)) for j in range(terms)), matrix, ())


def _fit(design: Design, treated: np.ndarray) -> tuple[Score, float]:
    """The score and the fastest of three fits, in seconds: the first also warms the machine up."""
    seconds = []
    for _ in range(3):
        start = time.perf_counter()
        score = fit_score(design, treated)
        seconds.append(time.perf_counter() - start)
    return score, min(seconds)


def main(told: Path, what: str, *words: str) -> None:
    """`fill TABLES`, `tables TABLES DRAWS` or `invented LESIONS TERMS DRAWS POPULATION...`."""
    if what == "fill":
        fill(Path(words[0]))
        return
    if what == "tables":
        treated, crossed, patient, design = from_tables(Path(words[0]))
        draws, populations = int(words[1]), ("overlap",)
    else:
        treated, crossed, patient, design = invent(int(words[0]), int(words[1]))
        draws, populations = int(words[2]), words[3:]
    score, fit = _fit(design, treated)
    found = {"fit": fit, "terms": float(len(design.terms))}
    if draws:
        outcomes = crossed[None] if len(populations) == 1 else np.stack([crossed, 1.0 - crossed])
        start = time.perf_counter()
        made = cluster_bootstrap(treated, outcomes, patient, score, populations, draws, seed=7)
        found |= {"boot": time.perf_counter() - start, "rd": made[0].estimate_1 - made[0].estimate_0}
    told.write_text(json.dumps(found), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]), *sys.argv[2:])
