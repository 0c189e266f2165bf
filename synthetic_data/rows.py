"""Valid rows to start a test from: name only the values that the test is about, and a new column breaks none of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import polars as pl

from pipeline.case_tables import ATTEMPTS, TABLES, Column, Table, table
from synthetic_data.tables import POLARS_TYPES

# Plain values where the middle of a column's limits would be odd; a column not named here gets a valid value all the same.
PLAIN: Mapping[str, object] = {
    "birth_year": 1950,
    "ambulatory": True,
    "procedure_date": date(2024, 6, 3),
    "complication_date": date(2024, 6, 3),
    "event_date": date(2024, 7, 3),
    "rutherford": 5,
    "wound": 1,
    "ischemia": 2,
    "foot_infection": 0,
    "abi": 0.5,
    "toe_pressure_mmhg": 35.0,
    "duration_min": 75.0,
    "fluoroscopy_min": 25.0,
    "air_kerma_mgy": 500.0,
    "contrast_ml": 80.0,
    "length_mm": 120.0,
    "calcium_grade": "0",  # on pacss, the first scale
    "runoff_vessels": 1,
    "fp_grade": 3,
    "ip_grade": 1,
    "pedal_grade": 0,
    "access_gained": True,
    "minutes": 12.0,
}


def rows(name: str, *given: Mapping[str, object]) -> pl.DataFrame:
    """One valid row of the named table for each mapping, its values put in place of the plain ones.

    Keys count from 1 ("lesions-1") and references lead to the first row of the parent table. Attempts are numbered in order on
    their lesion; the last one crosses and the others would not, unless told. Raises KeyError for an unknown table and ValueError
    for an unknown column.
    """
    where = table(name)
    for values in given:
        unknown = sorted(set(values) - set(where.column_names))
        if unknown:
            raise ValueError(f"{name} has no column {', '.join(unknown)}")
    filled = _in_order(given) if where == ATTEMPTS else given
    return pl.DataFrame(
        [
            pl.Series(
                column.name,
                [
                    values.get(column.name, _plain(where, column, number))
                    for number, values in enumerate(filled, start=1)
                ],
                dtype=POLARS_TYPES[column.type],
            )
            for column in where.columns
        ]
    )


def valid_tables(**given: Sequence[Mapping[str, object]]) -> dict[str, pl.DataFrame]:
    """The six tables, consistent with each other: one row each, or a row for each mapping given under a table's name.

    `valid_tables(lesions=[{"length_mm": 400.0}], complications=[])`. Raises KeyError for an unknown table.
    """
    for name in given:
        table(name)
    return {each.name: rows(each.name, *given.get(each.name, ({},))) for each in TABLES}


def _in_order(given: Sequence[Mapping[str, object]]) -> list[Mapping[str, object]]:
    """Attempts with what depends on the other values given: number, outcome, why it ended, and where it was punctured."""
    made: list[dict[str, object]] = []
    for values in given:
        lesion = values.get("lesion_id", "lesions-1")
        number = 1 + sum(other["lesion_id"] == lesion for other in made)
        made.append({"lesion_id": lesion, "attempt_no": number, **values})
    for values in made:
        later = [other for other in made if other["lesion_id"] == values["lesion_id"] and _comes_after(other, values)]
        values.setdefault("crossed", not later)
        values.setdefault("stopped_because", "crossed" if values["crossed"] else "would_not_cross")
        if values.get("approach") == "retrograde":
            values.setdefault("access_site", "dorsalis_pedis")
    return list(made)


def _comes_after(one: Mapping[str, object], other: Mapping[str, object]) -> bool:
    numbers = one["attempt_no"], other["attempt_no"]
    return isinstance(numbers[0], int) and isinstance(numbers[1], int) and numbers[0] > numbers[1]


def _plain(where: Table, column: Column, number: int) -> object:
    if column.name == where.key:
        return f"{where.name}-{number}"
    for parent in TABLES:
        # Needed references and optional ones alike are written as the parent's key.
        if column.name == parent.key:
            return f"{parent.name}-1"
    if column.name in PLAIN:
        return PLAIN[column.name]
    if column.type == "code":
        return column.codes[0]
    if column.type == "bool":
        return False
    if column.type == "date":
        return PLAIN["procedure_date"]
    if column.type == "text":
        return f"{column.name}-1"
    low, high = column.limits if column.limits is not None else (0.0, 2.0)
    middle = (low + high) / 2
    return int(middle) if column.type == "int" else middle
