"""The faults planted in the foreign export, and what they must lead to: rows set aside, rows that follow them, values blanked."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from pipeline.case_tables import TABLES

Row = dict[str, str]  # ours = as the site writes it
Written = dict[str, list[Row]]


@dataclass(frozen=True, slots=True)
class BadRow:
    """A value that makes its row useless: the `nth` sound row of `table` without children already at fault gets it."""

    table: str
    column: str
    value: str
    why: str


@dataclass(frozen=True, slots=True)
class BadValue:
    """A value of an optional column that is blanked; its row stays."""

    table: str
    column: str
    value: str
    why: str


BAD_ROWS: Sequence[BadRow] = (
    BadRow("procedures", "procedure_date", "31.02.2024", "there is no such day"),
    BadRow("procedures", "side", "", "a needed value is missing"),
    BadRow("lesions", "segment", "unklar", "unknown code in a needed column"),
    BadRow("attempts", "crossed", "", "a needed value is missing"),
    BadRow("attempts", "approach", "seitlich", "unknown code in a needed column"),
    BadRow("attempts", "attempt_no", "25", "out of range"),
    BadRow("complications", "kind", "Pech", "unknown code in a needed column"),
    BadRow("complications", "procedure_id", "S09999", "its procedure does not exist"),
    BadRow("follow_up", "event_date", "", "a needed value is missing"),
    BadRow("follow_up", "event", "umgezogen", "unknown code in a needed column"),
    BadRow("follow_up", "patient_id", "P09999", "its patient does not exist"),
)
BAD_VALUES: Sequence[BadValue] = (
    BadValue("patients", "birth_year", "19x2", "not a number"),
    BadValue("patients", "sex", "q", "unknown code"),
    BadValue("procedures", "rutherford", "9", "out of range"),
    BadValue("procedures", "abi", "0.9.1", "not a number"),
    BadValue("procedures", "air_kerma_mgy", "-0,2", "out of range"),
    BadValue("lesions", "length_mm", "lang", "not a number"),
    BadValue("lesions", "length_mm", "950", "out of range: millimeters written for centimeters"),
    BadValue("lesions", "proximal_cap", "spitz", "unknown code"),
    BadValue("lesions", "calcium_grade", "7", "not a grade of its scale"),
    BadValue("lesions", "runoff_vessels", "5", "out of range"),
    BadValue("attempts", "minutes", "ca. 20", "not a number"),
    BadValue("attempts", "access_site", "Knie", "unknown code"),
    BadValue("complications", "complication_date", "32.13.2024", "there is no such day"),
    BadValue("complications", "attempt_id", "A09999", "the attempt does not exist"),
    BadValue("follow_up", "lesion_id", "L09999", "the lesion does not exist"),
)
OPTIONAL_REFERENCES = {("complications", "attempt_id"): "attempts", ("follow_up", "lesion_id"): "lesions"}


@dataclass(frozen=True, slots=True)
class Planted:
    """The rows as written, the marks of the rows that cannot be used, and what must follow.

    `ragged` maps a position in the attempts to how many fields its line has too many (1) or too few (-1).
    """

    written: Written
    ragged: Mapping[int, int]
    expected: Mapping[str, Mapping[str, object]]


def plant(sound: Written) -> Planted:
    """Plant every fault, each in a row of its own, and reckon its consequences by following the references."""
    written: Written = {name: [dict(row) for row in rows] for name, rows in sound.items()}
    direct: dict[str, set[int]] = {table.name: set() for table in TABLES}
    # One patient twice with two birth years: which is right cannot be known, so both rows and all that hangs on them go.
    twice = written["patients"][40]
    written["patients"].insert(41, twice | {"birth_year": "1933"})
    direct["patients"] |= {40, 41}
    nameless = dict(written["patients"][-1])
    written["patients"].append(nameless | {"patient_id": ""})
    direct["patients"].add(len(written["patients"]) - 1)
    # The same line exported twice: the first stays.
    written["lesions"].insert(31, dict(written["lesions"][30]))
    direct["lesions"].add(31)
    for number, bad in enumerate(BAD_ROWS):
        # Never in a row that goes with its parent anyway: each fault is to be seen for itself.
        at = _free(written, _cascade(written, direct)[0], bad.table, 20 + 17 * number, lambda row: True)
        written[bad.table][at][bad.column] = bad.value
        direct[bad.table].add(at)
    ragged: dict[int, int] = {}
    for start, extra in ((150, 1), (190, -1)):
        at = _free(written, _cascade(written, direct)[0], "attempts", start, lambda row: True)
        direct["attempts"].add(at)
        ragged[at] = extra
    gone, followed = _cascade(written, direct)
    blanked = _dangling(written, gone)
    touched: dict[str, set[int]] = {table.name: set(gone[table.name]) for table in TABLES}
    for number, value in enumerate(BAD_VALUES):
        at = _free(written, touched, value.table, 5 + 11 * number, _filled(value.column))
        written[value.table][at][value.column] = value.value
        touched[value.table].add(at)
        blanked[value.table][value.column] = blanked[value.table].get(value.column, 0) + 1
    expected = {
        table.name: {
            "rows_read": len(written[table.name]),
            "rows_set_aside": len(gone[table.name]),
            "of_these_with_their_parent": followed[table.name],
            "rows_used": len(written[table.name]) - len(gone[table.name]),
            "values_blanked": dict(sorted(blanked[table.name].items())),
        }
        for table in TABLES
    }
    return Planted(written, ragged, expected)


def _filled(column: str) -> Callable[[Row], bool]:
    return lambda row: row[column] != ""


def _free(written: Written, used: Mapping[str, set[int]], table: str, start: int, fits: Callable[[Row], bool]) -> int:
    """The first position from `start` (round the end) that is not used, fits, and whose lesion or key is not doubled."""
    rows = written[table]
    doubled = {row["lesion_id"] for at, row in enumerate(written["lesions"]) if at in (30, 31)}
    for step in range(len(rows)):
        at = (start + step) % len(rows)
        if at not in used[table] and fits(rows[at]) and not (table == "lesions" and rows[at]["lesion_id"] in doubled):
            return at
    raise ValueError(f"no row of {table} is left to plant a fault in")


def _cascade(written: Written, direct: Mapping[str, set[int]]) -> tuple[dict[str, set[int]], dict[str, int]]:
    """Positions of all rows set aside, and how many of each table only because their parent was."""
    gone: dict[str, set[int]] = {}
    followed: dict[str, int] = {}
    kept: dict[str, set[str]] = {}
    for table in TABLES:  # parents before children
        rows = written[table.name]
        orphans = {
            at
            for at, row in enumerate(rows)
            for column, parent in table.refers.items()
            if at not in direct[table.name] and row[column] not in kept[parent]
        }
        gone[table.name] = direct[table.name] | orphans
        followed[table.name] = len(orphans)
        kept[table.name] = {row[table.key] for at, row in enumerate(rows) if at not in gone[table.name]}
    return gone, followed


def _dangling(written: Written, gone: Mapping[str, set[int]]) -> dict[str, dict[str, int]]:
    """Optional references of kept rows that lead to a row set aside: blanked."""
    blanked: dict[str, dict[str, int]] = {table.name: {} for table in TABLES}
    keys = {table.name: table.key for table in TABLES}
    for (name, column), parent in OPTIONAL_REFERENCES.items():
        kept = {row[keys[parent]] for at, row in enumerate(written[parent]) if at not in gone[parent]}
        lost = sum(
            row[column] != "" and row[column] not in kept
            for at, row in enumerate(written[name])
            if at not in gone[name]
        )
        if lost:
            blanked[name][column] = lost
    return blanked
