"""A small sound invented export: six tables that are used whole, without a warning. Every malformed one is made from it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import polars as pl

from pipeline.case_tables import TABLES
from synthetic_data.rows import valid_tables
from tests.export_files import text

# Days after the 12th, so that their order can be told; one of 29 February; one in the first days of a month.
_DAYS = (
    *(date(2023, 1, 16), date(2023, 3, 14), date(2023, 5, 28), date(2023, 7, 3)),
    *(date(2023, 9, 21), date(2023, 11, 12), date(2024, 2, 29), date(2024, 4, 25)),
)
_BORN = (1938, 1944, 1951, 1947, 1962, 1956)
# Some with a fraction, as measured; none with three figures behind the point, which could be thousands.
_LENGTHS = (40.5, 95.0, 120.25, 150.5, 180.0, 210.5, 62.5, 88.75, 301.5)
_KERMA = (812.5, 1250.75, 430.0, 2105.5, 96.25, 1504.5, 333.0, 720.5)
_SESSION_OF_LESION = (1, 2, 3, 3, 4, 5, 6, 7, 8)
# Lesion, approach, outcome and why it ended, of each attempt in order.
_ATTEMPTS = (
    *((1, "antegrade", True), (2, "antegrade", False), (2, "retrograde", True), (3, "antegrade", True)),
    *((4, "retrograde", True), (5, "antegrade", False), (5, "antegrade", False), (5, "retrograde", True)),
    *((6, "antegrade", True), (7, "antegrade", True), (8, "retrograde", False), (9, "antegrade", False)),
)
PATIENTS_OF_SESSIONS = (1, 1, 2, 3, 3, 4, 5, 6)

Cells = dict[str, list[list[str]]]


def sound_tables() -> dict[str, pl.DataFrame]:
    """The six tables, typed. A letter beyond ASCII stands in every `site_id`."""
    return valid_tables(
        patients=[
            {
                "patient_id": f"pat-0{number}",
                "birth_year": born,
                "sex": "male" if number % 3 else "female",
                "coronary_disease": number % 2 == 0,
            }
            for number, born in enumerate(_BORN, start=1)
        ],
        procedures=[
            {
                "procedure_id": f"ses-0{number}",
                "patient_id": f"pat-0{patient}",
                "procedure_date": day,
                "side": "right" if number % 2 else "left",
                "site_id": "Süd",
                "operator_id": f"doc-{number % 3}",
                "abi": 0.25 + number / 20,
                "toe_pressure_mmhg": 30.5 + number,
                "air_kerma_mgy": kerma,
                "contrast_ml": 60.0 + number,
            }
            for number, (patient, day, kerma) in enumerate(
                zip(PATIENTS_OF_SESSIONS, _DAYS, _KERMA, strict=True), start=1
            )
        ],
        lesions=[
            {
                "lesion_id": f"les-0{number}",
                "procedure_id": f"ses-0{session}",
                "segment": "anterior_tibial",
                "length_mm": length,
                "calcium_grade": str(number % 4),
                "in_stent": number == 4,
            }
            for number, (session, length) in enumerate(zip(_SESSION_OF_LESION, _LENGTHS, strict=True), start=1)
        ],
        attempts=_attempts(),
        complications=[
            _complication(1, session=2, attempt=2, day=date(2023, 3, 15), kind="perforation"),
            _complication(2, session=4, attempt=6, day=date(2023, 7, 3), kind="access_hematoma"),
            _complication(3, session=5, attempt=9, day=date(2023, 9, 30), kind="other"),
        ],
        follow_up=[
            _event(1, patient=1, lesion=1, day=date(2023, 2, 20), event="seen"),
            _event(2, patient=1, lesion=2, day=date(2023, 6, 14), event="wound_healed"),
            _event(3, patient=2, lesion=3, day=date(2023, 8, 30), event="target_lesion_occluded"),
            _event(4, patient=3, lesion=5, day=date(2024, 1, 18), event="seen"),
            _event(5, patient=4, lesion=7, day=date(2024, 3, 25), event="minor_amputation"),
            _event(6, patient=4, lesion=7, day=date(2024, 9, 13), event="death"),
        ],
    )


def sound_cells() -> Cells:
    """The same as the text of CSV files, the header first."""
    return {name: cells_of(frame) for name, frame in sound_tables().items()}


def cells_of(frame: pl.DataFrame) -> list[list[str]]:
    """A frame as rows of text, the header first."""
    return [list(frame.columns), *([text(value) for value in row] for row in frame.rows())]


def typed_frame(name: str, cells: Sequence[Sequence[str]]) -> pl.DataFrame:
    """Cells of a table that are sound, as a typed frame."""
    columns = sound_tables()[name].schema
    header, *rows = cells
    read = {
        pl.Int64: int,
        pl.Float64: float,
        pl.Boolean: lambda value: value == "true",
        pl.Date: date.fromisoformat,
        pl.String: str,
    }
    return pl.DataFrame(
        [
            pl.Series(
                column,
                [None if row[at] == "" else read[type(columns[column])](row[at]) for row in rows],
                dtype=columns[column],
            )
            for at, column in enumerate(header)
        ]
    )


def keys_of(cells: Mapping[str, Sequence[Sequence[str]]]) -> frozenset[str]:
    """Every key that stands in the tables' first columns: what no message may show."""
    return frozenset(row[0] for each in TABLES for row in cells[each.name][1:])


def _attempts() -> list[dict[str, object]]:
    made: list[dict[str, object]] = []
    for number, (lesion, approach, crossed) in enumerate(_ATTEMPTS, start=1):
        made.append(
            {
                "attempt_id": f"att-{number:02}",
                "lesion_id": f"les-0{lesion}",
                "approach": approach,
                "crossed": crossed,
                "minutes": 4.5 + number,
            }
        )
    return made


def _complication(number: int, *, session: int, attempt: int, day: date, kind: str) -> dict[str, object]:
    return {
        "complication_id": f"com-0{number}",
        "procedure_id": f"ses-0{session}",
        "attempt_id": f"att-{attempt:02}",
        "kind": kind,
        "complication_date": day,
    }


def _event(number: int, *, patient: int, lesion: int, day: date, event: str) -> dict[str, object]:
    return {
        "follow_up_id": f"fup-0{number}",
        "patient_id": f"pat-0{patient}",
        "side": "right" if _SESSION_OF_LESION[lesion - 1] % 2 else "left",
        "lesion_id": f"les-0{lesion}",
        "event_date": day,
        "event": event,
    }
