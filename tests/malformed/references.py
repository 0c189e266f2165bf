"""The references of one table to another."""

from __future__ import annotations

from tests.malformed.case import Case, Family
from tests.malformed.changes import cell, cells, column, more_row, without_row
from tests.malformed.keys import NO_LESION, NO_PATIENT, NO_SESSION

REFERENCES = Family(
    "References",
    (
        Case(
            "a procedure of a patient who is not there",
            (cell("procedures", 9, "patient_id", "pat-77"),),
            aside=NO_PATIENT,
        ),
        Case(
            "a patient left out", (without_row("patients", 7),), aside=NO_PATIENT, truth=(without_row("patients", 7),)
        ),
        Case(
            "a procedure left out",
            (without_row("procedures", 9),),
            aside=NO_SESSION,
            truth=(without_row("procedures", 9),),
        ),
        Case("a lesion left out", (without_row("lesions", 10),), aside=NO_LESION, truth=(without_row("lesions", 10),)),
        Case("a lesion without attempts", (without_row("attempts", 13),), truth=(without_row("attempts", 13),)),
        Case(
            "a reference left out",
            (cell("lesions", 10, "procedure_id", ""),),
            aside={"lesions": {"procedure_id is missing": (10,)}},
        ),
        Case(
            "a reference that holds the key of another table",
            (cell("attempts", 13, "lesion_id", "ses-08"),),
            aside=NO_LESION,
        ),
        Case(
            "two columns of keys exchanged",
            (cells("lesions", lambda rows: [rows[0], *([row[1], row[0], *row[2:]] for row in rows[1:])]),),
            aside={
                "lesions": {
                    "its procedure is not in the procedures table": tuple(range(2, 11)),
                    "lesion_id is on several rows that differ": (4, 5),
                },
                "attempts": {"its lesion is not in the lesions table": tuple(range(2, 14))},
            },
            blanked={"follow_up": {"its lesion is not in the lesions table": tuple(range(2, 8))}},
        ),
        Case(
            "the parent set aside: its patient has no key",
            (cell("patients", 7, "patient_id", ""),),
            aside={"patients": {"patient_id is missing": (7,)}, **NO_PATIENT},
        ),
        Case(
            "the parent set aside: its procedure has no date",
            (cell("procedures", 9, "procedure_date", ""),),
            aside={"procedures": {"procedure_date is missing": (9,)}},
        ),
        Case(
            "a complication of an attempt that is not there",
            (cell("complications", 4, "attempt_id", "att-77"),),
            blanked={"complications": {"its attempt is not in the attempts table": (4,)}},
        ),
        Case(
            "a complication of another procedure's attempt",
            (cell("complications", 4, "attempt_id", "att-01"),),
            blanked={"complications": {"its attempt belongs to another procedure": (4,)}},
        ),
        Case(
            "a complication of no procedure",
            (cell("complications", 4, "procedure_id", ""),),
            aside={"complications": {"procedure_id is missing": (4,)}},
        ),
        Case(
            "an event of a lesion that is not there",
            (cell("follow_up", 5, "lesion_id", "les-77"),),
            blanked={"follow_up": {"its lesion is not in the lesions table": (5,)}},
        ),
        Case(
            "an event of another patient's lesion",
            (cell("follow_up", 5, "lesion_id", "les-09"),),
            aside={
                "follow_up": {
                    "its lesion is another patient's": (5,),
                    "event_date is before its lesion's procedure": (5,),
                }
            },
        ),
        Case(
            "an event of a patient who is not there",
            (cell("follow_up", 5, "patient_id", "pat-77"),),
            aside={"follow_up": {"its patient is not in the patients table": (5,)}},
        ),
        Case(
            "a patient whom nobody refers to",
            (more_row("patients", 7, patient_id="pat-07"),),
            truth=(more_row("patients", 7, patient_id="pat-07"),),
        ),
        Case(
            "the children's table from another export: no reference leads anywhere",
            (column("attempts", "lesion_id", lambda one: f"x{one}"),),
            aside={"attempts": {"its lesion is not in the lesions table": tuple(range(2, 14))}},
        ),
    ),
)
