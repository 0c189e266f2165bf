"""Keys, and the references of one table to another."""

from __future__ import annotations

from collections.abc import Callable

from tests.malformed.case import Case, Family
from tests.malformed.changes import cell, cells, column, key, more_row
from tests.malformed.draft import Change

# Patient 6 has one procedure (row 9), with one lesion (row 10) and one attempt (row 13): what goes with the patient is three rows.
NO_PATIENT = {"procedures": {"its patient is not in the patients table": (9,)}}
NO_SESSION = {"lesions": {"its procedure is not in the procedures table": (10,)}}
NO_LESION = {"attempts": {"its lesion is not in the lesions table": (13,)}}
DIFFERENT = "a key that is written otherwise is another key; that it leads nowhere is told"


def _all_keys(make: Callable[[str], str]) -> Change:
    """Every key of patients, wherever it stands, written in another way."""

    def change(rows: list[list[str]]) -> list[list[str]]:
        at = rows[0].index("patient_id")
        return [rows[0], *([*row[:at], make(row[at]), *row[at + 1 :]] for row in rows[1:])]

    changes = [cells(table, change) for table in ("patients", "procedures", "follow_up")]
    return Change(changes[0].stage, lambda draft: [one.make(draft) for one in changes] and None)


KEYS = Family(
    "Keys",
    (
        Case(
            "a key left out",
            (cell("patients", 7, "patient_id", ""),),
            aside={"patients": {"patient_id is missing": (7,)}, **NO_PATIENT},
        ),
        Case(
            "a key of spaces",
            (cell("patients", 7, "patient_id", "    "),),
            aside={"patients": {"patient_id is missing": (7,)}, **NO_PATIENT},
        ),
        Case(
            "a key of no-break spaces",
            (cell("patients", 7, "patient_id", "\u00a0\u00a0"),),
            aside={"patients": {"patient_id is missing": (7,)}, **NO_PATIENT},
        ),
        Case(
            "'NA' for a key",
            (cell("patients", 7, "patient_id", "NA"),),
            aside={"patients": {"patient_id is missing": (7,)}, **NO_PATIENT},
        ),
        Case(
            "two patients without a key, and procedures that refer to none",
            (
                cell("patients", 6, "patient_id", ""),
                cell("patients", 7, "patient_id", ""),
                cell("procedures", 8, "patient_id", ""),
                cell("procedures", 9, "patient_id", ""),
            ),
            aside={"patients": {"patient_id is missing": (6, 7)}, "procedures": {"patient_id is missing": (8, 9)}},
        ),
        Case("a key with spaces around it", (cell("patients", 7, "patient_id", "  pat-06 "),)),
        Case("a key with a no-break space behind it", (cell("patients", 7, "patient_id", "pat-06\u00a0"),)),
        Case("a key with a zero-width space behind it", (cell("patients", 7, "patient_id", "pat-06\u200b"),)),
        Case("a key with a soft hyphen in it", (cell("patients", 7, "patient_id", "pat\u00ad-06"),)),
        Case(
            "a key with a no-break space in it in one table, a plain one in another",
            (_all_keys(lambda one: one.replace("-", " ")), cell("patients", 7, "patient_id", "pat\u00a006")),
            truth=(_all_keys(lambda one: one.replace("-", " ")),),
        ),
        Case(
            "a key with a hyphen of typography in one table",
            (cell("patients", 7, "patient_id", "pat\u201006"),),
            aside=NO_PATIENT,
            untold={"patients: new rows": DIFFERENT, "patients: rows lost": DIFFERENT},
        ),
        Case(
            "a key in capitals in one table",
            (cell("patients", 7, "patient_id", "PAT-06"),),
            aside=NO_PATIENT,
            untold={"patients: new rows": DIFFERENT, "patients: rows lost": DIFFERENT},
        ),
        Case("two keys that differ in capitals alone", (key("pat-06", "PAT-05"),), truth=(key("pat-06", "PAT-05"),)),
        Case(
            "a letter composed in one table and in two parts in another",
            (_all_keys(lambda one: one.replace("a", "ä")), cell("patients", 7, "patient_id", "pa\u0308t-06")),
            truth=(_all_keys(lambda one: one.replace("a", "ä")),),
        ),
        Case(
            "leading zeros lost in one table, as spreadsheets do: 007 and 7",
            (_all_keys(lambda one: f"00{one[-1]}"), column("patients", "patient_id", lambda one: one.lstrip("0"))),
            aside={
                "procedures": {"its patient is not in the patients table": tuple(range(2, 10))},
                "follow_up": {"its patient is not in the patients table": tuple(range(2, 8))},
            },
            truth=(_all_keys(lambda one: f"00{one[-1]}"),),
            untold={"patients: new rows": DIFFERENT, "patients: rows lost": DIFFERENT},
        ),
        Case(
            "leading zeros lost in every table",
            (_all_keys(lambda one: one[-1]),),
            truth=(_all_keys(lambda one: one[-1]),),
        ),
        Case(
            "leading zeros lost in one table, where both 007 and 7 are patients",
            (
                _all_keys(lambda one: {"pat-05": "007", "pat-06": "7"}.get(one, one)),
                cell("patients", 6, "patient_id", "7"),
            ),
            truth=(_all_keys(lambda one: {"pat-05": "007", "pat-06": "7"}.get(one, one)),),
            aside={
                "patients": {"patient_id is on several rows that differ": (6, 7)},
                "procedures": {"its patient is not in the patients table": (8,)},
            },
        ),
        Case(
            "keys that a spreadsheet turned into 1.24E+05 in one table",
            (_all_keys(lambda one: f"12345{one[-1]}"), column("patients", "patient_id", "1.24E+05")),
            truth=(_all_keys(lambda one: f"12345{one[-1]}"),),
            aside={
                "patients": {"patient_id was rounded by a spreadsheet": tuple(range(2, 8))},
                "procedures": {"its patient is not in the patients table": tuple(range(2, 10))},
                "follow_up": {"its patient is not in the patients table": tuple(range(2, 8))},
            },
        ),
        Case(
            "keys that a spreadsheet turned into 1.24E+05 in every table",
            (_all_keys(lambda one: "1.24E+05"),),
            truth=(_all_keys(lambda one: f"12345{one[-1]}"),),
            aside={
                "patients": {"patient_id was rounded by a spreadsheet": tuple(range(2, 8))},
                "procedures": {"patient_id was rounded by a spreadsheet": tuple(range(2, 10))},
                "follow_up": {"patient_id was rounded by a spreadsheet": tuple(range(2, 8))},
            },
        ),
        Case(
            "one key that a spreadsheet turned into 1E+05",
            (
                _all_keys(lambda one: {"pat-05": "100000", "pat-06": "1E05"}.get(one, one)),
                cell("patients", 7, "patient_id", "1.00E+05"),
            ),
            truth=(_all_keys(lambda one: {"pat-05": "100000", "pat-06": "1E05"}.get(one, one)),),
            aside={"patients": {"patient_id was rounded by a spreadsheet": (7,)}, **NO_PATIENT},
        ),
        Case(
            "keys as numbers with a fraction (12.0) in one table",
            (_all_keys(lambda one: f"1{one[-1]}"), column("patients", "patient_id", lambda one: f"{one}.0")),
            truth=(_all_keys(lambda one: f"1{one[-1]}"),),
            aside={
                "procedures": {"its patient is not in the patients table": tuple(range(2, 10))},
                "follow_up": {"its patient is not in the patients table": tuple(range(2, 8))},
            },
            untold={"patients: new rows": DIFFERENT, "patients: rows lost": DIFFERENT},
        ),
        Case(
            "keys of figures so long that spreadsheets round them, in one table",
            (
                _all_keys(lambda one: f"123456789012345678{one[-1]}"),
                column("patients", "patient_id", "1234567890123456000"),
            ),
            truth=(_all_keys(lambda one: f"123456789012345678{one[-1]}"),),
            aside={
                "patients": {"patient_id is on several rows that differ": tuple(range(2, 8))},
                "procedures": {"its patient is not in the patients table": tuple(range(2, 10))},
                "follow_up": {"its patient is not in the patients table": tuple(range(2, 8))},
            },
        ),
        Case(
            "keys that a spreadsheet turned into dates (1-2 became 1. Feb) in one table",
            (_all_keys(lambda one: f"{one[-1]}-2"), column("patients", "patient_id", lambda one: f"2024-02-0{one[0]}")),
            truth=(_all_keys(lambda one: f"{one[-1]}-2"),),
            aside={
                "procedures": {"its patient is not in the patients table": tuple(range(2, 10))},
                "follow_up": {"its patient is not in the patients table": tuple(range(2, 8))},
            },
            untold={"patients: new rows": DIFFERENT, "patients: rows lost": DIFFERENT},
        ),
        Case(
            "keys of 1,000 characters", (_all_keys(lambda one: one * 167),), truth=(_all_keys(lambda one: one * 167),)
        ),
        Case(
            "a key of a million characters",
            (_all_keys(lambda one: {"pat-06": "x" * 1_000_000}.get(one, one)),),
            truth=(_all_keys(lambda one: {"pat-06": "x" * 1_000_000}.get(one, one)),),
        ),
        Case(
            "keys with separators in them, in quotation marks",
            (_all_keys(lambda one: one.replace("-", ",")),),
            truth=(_all_keys(lambda one: one.replace("-", ",")),),
        ),
        Case(
            "keys with quotation marks in them",
            (_all_keys(lambda one: one.replace("-", '"')),),
            truth=(_all_keys(lambda one: one.replace("-", '"')),),
        ),
        Case(
            "keys of emoji",
            (_all_keys(lambda one: one.replace("-", "🦶")),),
            truth=(_all_keys(lambda one: one.replace("-", "🦶")),),
        ),
        Case(
            "a key with a NUL byte in it",
            (cell("patients", 7, "patient_id", "pat\x00-06"),),
            aside={"patients": {"patient_id has a damaged letter": (7,)}, **NO_PATIENT},
        ),
        Case(
            "a key with a torn letter, in both tables",
            (key("pat-06", "p\ufffdt-06"),),
            aside={
                "patients": {"patient_id has a damaged letter": (7,)},
                "procedures": {"patient_id has a damaged letter": (9,)},
            },
        ),
        Case(
            "a row twice, with nothing changed",
            (more_row("lesions", 10),),
            aside={"lesions": {"the same row stands earlier in the table": (11,)}},
        ),
        Case(
            "a row twice, far from each other",
            (more_row("lesions", 10, at=2),),
            aside={"lesions": {"the same row stands earlier in the table": (11,)}},
        ),
        Case(
            "a row three times",
            (more_row("lesions", 10), more_row("lesions", 10)),
            aside={"lesions": {"the same row stands earlier in the table": (11, 12)}},
        ),
        Case(
            "every row twice, as a join makes them",
            (cells("attempts", lambda rows: [rows[0], *(row for row in rows[1:] for _ in range(2))]),),
            aside={"attempts": {"the same row stands earlier in the table": tuple(range(3, 26, 2))}},
        ),
        Case(
            "a row twice, once with spaces around a value",
            (more_row("lesions", 10, segment=" anterior_tibial "),),
            aside={"lesions": {"the same row stands earlier in the table": (11,)}},
        ),
        Case(
            "a row twice, once with a number written otherwise",
            (more_row("lesions", 10, length_mm="301.50"),),
            aside={"lesions": {"the same row stands earlier in the table": (11,)}},
        ),
        Case(
            "a key on two rows that differ",
            (more_row("lesions", 10, length_mm="30.5"),),
            aside={"lesions": {"lesion_id is on several rows that differ": (10, 11)}},
        ),
        Case(
            "a key on two rows, one of them nearly empty",
            (more_row("lesions", 10, length_mm="", calcium_grade="", calcium_scale=""),),
            aside={"lesions": {"lesion_id is on several rows that differ": (10, 11)}},
        ),
        Case(
            "a patient on two rows with two birth years",
            (more_row("patients", 7, birth_year="1957"),),
            aside={"patients": {"patient_id is on several rows that differ in birth_year alone": (7, 8)}},
        ),
        Case(
            "a key that a corrected row has again",
            (more_row("attempts", 13, minutes="20.5"),),
            aside={"attempts": {"attempt_id is on several rows that differ": (13, 14)}},
        ),
        Case(
            "attempts numbered anew on each lesion, so that keys repeat",
            (column("attempts", "attempt_id", "1"),),
            aside={"attempts": {"attempt_id is on several rows that differ": tuple(range(2, 14))}},
            blanked={"complications": {"its attempt is not in the attempts table": (2, 3, 4)}},
        ),
    ),
)
