"""The floor: the least code that does the core of the job, as a yardstick (polars and numpy only; imports nothing of the project).

Reads the six case tables, joins them, makes a design of about thirty characteristics and the operators, fits the score, takes the
overlap-weighted risk difference with its patient-clustered error for everyone and within ten two-level profiles, and writes one page
with one drawing. No checks, pseudonyms, diagnostics, database or other methods: what a run adds to it is what the ratio buys.

usage: python tests/benchmarks/floor.py TABLES PAGE.html
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

Floats = NDArray[np.float64]

NAMES = ("patients", "procedures", "lesions", "attempts", "complications", "follow_up")
NUMBERS = ("length_mm", "age", "runoff_vessels", "rutherford", "wound", "ischemia", "tries_before")
CATEGORIES = (
    "sex", "diabetes", "renal", "smoking", "urgency", "segment", "calcium_grade", "proximal_cap", "distal_cap", "in_stent",
    "prior_bypass", "target_angiosome", "operator_id",
)  # fmt: skip
PROFILES = {
    "longer than 200 mm": pl.col("length_mm") > 200,
    "heavy calcium": pl.col("calcium_grade").is_in(["4", "severe"]),
    "convex proximal cap": pl.col("proximal_cap") == "convex",
    "convex distal cap": pl.col("distal_cap") == "convex",
    "earlier bypass": pl.col("prior_bypass") != "none",
    "below the knee": ~pl.col("segment").is_in(["superficial_femoral", "popliteal"]),
    "within a stent": pl.col("in_stent"),
    "one vessel or none": pl.col("runoff_vessels") <= 1,
    "dialysis": pl.col("renal") == "dialysis",
    "tissue loss": pl.col("rutherford") >= 5,
}
FEWEST = 10  # of a level by each approach, to enter the design
CHUNK = 4096


def first_attempts(folder: Path) -> pl.DataFrame:
    """One row a lesion: its characteristics, first approach, and what followed in the session and after."""
    t = {name: pl.read_csv(folder / f"{name}.csv", infer_schema_length=1000, try_parse_dates=True) for name in NAMES}
    session = t["attempts"].group_by("lesion_id").agg(session=pl.col("crossed").any(), minutes=pl.col("minutes").sum())
    harm = t["complications"].group_by("procedure_id").agg(harm=pl.len())
    after = t["follow_up"].group_by("patient_id").agg(last=pl.col("event_date").max())
    return (
        t["attempts"]
        .filter(pl.col("attempt_no") == 1)
        .select("lesion_id", "approach", "crossed")
        .join(t["lesions"], on="lesion_id", maintain_order="left")
        .join(t["procedures"], on="procedure_id", maintain_order="left")
        .join(t["patients"], on="patient_id", maintain_order="left")
        .join(session, on="lesion_id", how="left", maintain_order="left")
        .join(harm, on="procedure_id", how="left", maintain_order="left")
        .join(after, on="patient_id", how="left", maintain_order="left")
        .sort("procedure_date", maintain_order=True)
        .with_columns(
            age=pl.col("procedure_date").dt.year() - pl.col("birth_year"),
            tries_before=pl.int_range(pl.len()).over("operator_id"),
            calcium_grade=pl.col("calcium_grade").cast(pl.String),
        )
    )


def design(lesions: pl.DataFrame, treated: Floats) -> Floats:
    """Constant, numbers with their squares, and 0/1 lines of levels met often enough by each approach: (lines, lesions)."""
    lines = [np.ones(lesions.height)]
    for name in NUMBERS:
        column = lesions[name].cast(pl.Float64)
        line = column.fill_null(column.median()).to_numpy()
        line = (line - line.mean()) / line.std()
        lines += [line, line**2 - 1]
    for name in CATEGORIES:
        column = lesions[name].cast(pl.String).fill_null("not recorded")
        for level in column.unique().sort().to_list()[1:]:
            line = (column == level).cast(pl.Float64).to_numpy()
            by_arm = (line @ treated, line @ (1 - treated))
            if min(by_arm) >= FEWEST and line.mean() < 0.99:
                lines.append(line)
    return np.stack(lines)


def fit(x: Floats, treated: Floats) -> tuple[Floats, Floats]:
    """Logistic score by Newton's method, a chunk of lesions at a time: fitted probability (n,) and information (p, p)."""
    beta = np.zeros(len(x))
    while True:
        gradient, information = np.zeros(len(x)), np.zeros((len(x), len(x)))
        for start in range(0, x.shape[1], CHUNK):
            part = x[:, start : start + CHUNK]
            e = 1 / (1 + np.exp(-(beta @ part)))
            gradient += part @ (treated[start : start + CHUNK] - e)
            root = part * np.sqrt(e * (1 - e))
            information += root @ root.T
        step = np.linalg.solve(information, gradient)
        beta += step
        if step @ gradient < 1e-12 * x.shape[1]:
            return 1 / (1 + np.exp(-(beta @ x))), information


def difference(
    x: Floats,
    e: Floats,
    information: Floats,
    treated: Floats,
    crossed: Floats,
    patient: NDArray[np.int64],
    inside: Floats,
) -> tuple[float, float]:
    """Overlap-weighted risk difference and its standard error: score and risks stacked, summed by patient, times G/(G-1)."""
    below, above = treated * (1 - e) * inside, (1 - treated) * e * inside
    risk = [float(w @ crossed / w.sum()) for w in (below, above)]
    own = below * (crossed - risk[0]) / below.sum() - above * (crossed - risk[1]) / above.sum()
    steep = -e * (1 - e) * inside
    moved = x @ (
        steep * treated * (crossed - risk[0]) / below.sum() + steep * (1 - treated) * (crossed - risk[1]) / above.sum()
    )
    by_patient = np.bincount(patient, own + (treated - e) * (np.linalg.solve(information, moved) @ x))
    groups = len(np.unique(patient[inside > 0]))
    return risk[0] - risk[1], float(np.sqrt(groups / (groups - 1) * (by_patient @ by_patient)))


def page(rows: list[tuple[str, float, float]]) -> str:
    """One drawing: a dot and a 95 % line a row."""
    drawn = "".join(
        f'<text x="0" y="{20 * i + 16}">{name}</text><circle cx="{400 + 900 * d:.1f}" cy="{20 * i + 12}" r="4"/>'
        f'<path stroke="black" d="M{400 + 900 * (d - 1.96 * s):.1f} {20 * i + 12}H{400 + 900 * (d + 1.96 * s):.1f}"/>'
        for i, (name, d, s) in enumerate(rows)
    )
    return f'<!doctype html><meta charset="utf-8"><title>floor</title><svg width="900" height="{20 * len(rows) + 20}">{drawn}</svg>'


def effects(lesions: pl.DataFrame) -> list[tuple[str, float, float]]:
    """The risk difference and its error for everyone, then for either level of each profile."""
    treated = (lesions["approach"] == "retrograde").cast(pl.Float64).to_numpy()
    crossed = lesions["crossed"].cast(pl.Float64).to_numpy()
    patient = lesions["patient_id"].rank("dense").cast(pl.Int64).to_numpy() - 1
    x = design(lesions, treated)
    e, information = fit(x, treated)
    rows = [("everyone", *difference(x, e, information, treated, crossed, patient, np.ones(lesions.height)))]
    flags = lesions.select(**{name: rule.fill_null(False).cast(pl.Float64) for name, rule in PROFILES.items()})
    for name in PROFILES:
        has = flags[name].to_numpy()
        for label, inside in ((name, has), (f"not {name}", 1 - has)):
            rows.append((label, *difference(x, e, information, treated, crossed, patient, inside)))
    return rows


if __name__ == "__main__":
    Path(sys.argv[2]).write_text(page(effects(first_attempts(Path(sys.argv[1])))), encoding="utf-8")
