"""A service of a few lesions, written out: what a test does not name is filled in with a plain valid value."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

import polars as pl

from pipeline.case_tables import TABLES, Table

TYPES = {
    "text": pl.String,
    "code": pl.String,
    "int": pl.Int64,
    "real": pl.Float64,
    "bool": pl.Boolean,
    "date": pl.Date,
}
PATIENT = {"birth_year": 1950, "sex": "female", "diabetes": "insulin", "renal": "normal", "smoking": "former"}
PROCEDURE = {
    "procedure_date": date(2025, 3, 10),
    "side": "left",
    "site_id": "site",
    "operator_id": "operator",
    "rutherford": 5,
    "duration_min": 90.0,
}
LESION = {"segment": "anterior_tibial", "length_mm": 150.0, "in_stent": False, "runoff_vessels": 1}
ATTEMPT = {"minutes": 10.0}


@dataclass(frozen=True, slots=True)
class Case:
    """One lesion in its own procedure on its own patient. `attempts` are (approach, crossed), numbered from 1 unless told."""

    attempts: Sequence[tuple[str, bool]] = (("antegrade", True),)
    lesion: Mapping[str, object] = field(default_factory=dict)
    procedure: Mapping[str, object] = field(default_factory=dict)
    patient: Mapping[str, object] = field(default_factory=dict)
    attempt_numbers: Sequence[int] | None = None
    minutes: Sequence[float | None] | None = None


def tables(*cases: Case) -> dict[str, pl.DataFrame]:
    """The six tables in the dictionary's layout. Cases that give the same procedure_id or patient_id share that row."""
    rows: dict[str, list[dict[str, object]]] = {t.name: [] for t in TABLES}
    for number, case in enumerate(cases):
        lesion = {"lesion_id": f"L{number}", "procedure_id": f"S{number}", **LESION, **case.lesion}
        procedure = {"patient_id": f"P{number}", **PROCEDURE, **case.procedure, "procedure_id": lesion["procedure_id"]}
        rows["lesions"].append(lesion)
        rows["procedures"].append(procedure)
        rows["patients"].append({**PATIENT, **case.patient, "patient_id": procedure["patient_id"]})
        numbers = case.attempt_numbers or range(1, len(case.attempts) + 1)
        minutes = case.minutes or [10.0] * len(case.attempts)
        for no, spent, (approach, crossed) in zip(numbers, minutes, case.attempts, strict=True):
            rows["attempts"].append(
                {
                    "attempt_id": f"{lesion['lesion_id']}-{len(rows['attempts'])}",
                    "lesion_id": lesion["lesion_id"],
                    "attempt_no": no,
                    "approach": approach,
                    "crossed": crossed,
                    "minutes": spent,
                }
            )
    return {t.name: frame(t, rows[t.name]).unique(t.key, maintain_order=True) for t in TABLES}


def frame(table: Table, rows: Sequence[Mapping[str, object]]) -> pl.DataFrame:
    """The rows as a typed frame of the table, absent values null."""
    return pl.DataFrame(
        [pl.Series(c.name, [row.get(c.name) for row in rows], dtype=TYPES[c.type]) for c in table.columns]
    )
