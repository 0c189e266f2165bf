"""Rows that are well written and cannot be true together: attempts in order, dates across tables, sides."""

from __future__ import annotations

from tests.malformed.case import Case, Family
from tests.malformed.changes import cell, column, more_row, without_row

# Lesion 2 has two attempts (rows 3 and 4: antegrade, then retrograde, which crossed), lesion 5 has three (rows 7 to 9: the last crossed).
GAP = "an attempt before it on its lesion is missing"
AFTER = "an earlier attempt on its lesion crossed, and neither stopped_because nor rendezvous says why it went on"
IN_DOUBT = "which of the rows is wrong cannot be known: the lesion is not compared"
TRUE = "the row more is a true one"
SAME_NUMBER = "another attempt on its lesion has the same attempt_no"

ATTEMPTS = Family(
    "Attempts in order",
    (
        Case("a gap in the middle: 1, 3", (cell("attempts", 9, "attempt_no", "4"),), aside={"attempts": {GAP: (9,)}}),
        Case(
            "the first attempt left out",
            (without_row("attempts", 7),),
            aside={"attempts": {GAP: (7, 8)}},
            blanked={"complications": {"its attempt is not in the attempts table": (3,)}},
            truth=(without_row("attempts", 7),),
        ),
        Case(
            "attempts numbered from 0",
            (column("attempts", "attempt_no", lambda number: str(int(number) - 1)),),
            aside={"attempts": {"attempt_no is outside 1 to 20": (2, 3, 5, 6, 7, 10, 11, 12, 13)}},
            untold={"attempts.attempt_no": IN_DOUBT},
        ),
        Case(
            "attempts numbered from 2",
            (column("attempts", "attempt_no", lambda number: str(int(number) + 1)),),
            aside={"attempts": {GAP: tuple(range(2, 14))}},
        ),
        Case(
            "attempts numbered through the whole table",
            (cell("attempts", 13, "attempt_no", "12"),),
            aside={"attempts": {GAP: (13,)}},
        ),
        Case(
            "two attempts with the same number",
            (cell("attempts", 8, "attempt_no", "1"),),
            aside={"attempts": {SAME_NUMBER: (7, 8), GAP: (9,)}},
        ),
        Case(
            "the numbers of two attempts exchanged",
            (cell("attempts", 3, "attempt_no", "2"), cell("attempts", 4, "attempt_no", "1")),
            aside={"attempts": {AFTER: (3,)}},
            untold={"attempts.attempt_no": IN_DOUBT},
        ),
        Case(
            "a number with a fraction",
            (cell("attempts", 8, "attempt_no", "1.5"),),
            aside={"attempts": {"attempt_no is not a whole number": (8,), GAP: (9,)}},
        ),
        Case(
            "an attempt after one that crossed",
            (more_row("attempts", 11, attempt_id="att-13", attempt_no="2"),),
            aside={"attempts": {AFTER: (14,)}},
        ),
        Case(
            "an attempt after one that crossed, and a rendezvous says why",
            (more_row("attempts", 11, attempt_id="att-13", attempt_no="2", rendezvous="snare"),),
            untold={"attempts: new rows": TRUE},
        ),
        Case(
            "crossed, and stopped because it would not cross",
            (cell("attempts", 9, "stopped_because", "would_not_cross"),),
            aside={"attempts": {"crossed is true, but stopped_because is would_not_cross or puncture_failed": (9,)}},
        ),
        Case(
            "not crossed, and stopped because it crossed",
            (cell("attempts", 13, "stopped_because", "crossed"),),
            aside={"attempts": {"crossed is false, but stopped_because is crossed": (13,)}},
        ),
        Case(
            "crossed, and no access gained",
            (cell("attempts", 9, "access_gained", "false"),),
            warned={"attempts": {"crossed is true, but access_gained is false": (9,)}},
            truth=(cell("attempts", 9, "access_gained", "false"),),
        ),
        Case(
            "access gained, and stopped because the puncture failed",
            (cell("attempts", 13, "stopped_because", "puncture_failed"),),
            warned={"attempts": {"access_gained is true, but stopped_because is puncture_failed": (13,)}},
            truth=(cell("attempts", 13, "stopped_because", "puncture_failed"),),
        ),
        Case(
            "longer than its procedure",
            (cell("attempts", 13, "minutes", "90"),),
            warned={"attempts": {"minutes exceed the procedure's duration_min": (13,)}},
            truth=(cell("attempts", 13, "minutes", "90"),),
        ),
        Case(
            "an antegrade attempt from the foot",
            (cell("attempts", 13, "access_site", "dorsalis_pedis"),),
            warned={"attempts": {"an antegrade attempt's access_site is not above its lesion": (13,)}},
            truth=(cell("attempts", 13, "access_site", "dorsalis_pedis"),),
        ),
        Case(
            "a retrograde attempt from the groin",
            (cell("attempts", 9, "access_site", "common_femoral_ipsilateral"),),
            warned={
                "attempts": {
                    "a retrograde attempt's access_site is not beyond its lesion on the same artery, and its route goes round by no other": (
                        9,
                    )
                }
            },
            truth=(cell("attempts", 9, "access_site", "common_femoral_ipsilateral"),),
        ),
        Case(
            "one attempt's lesion mistyped for another's",
            (cell("attempts", 13, "lesion_id", "les-08"),),
            aside={"attempts": {SAME_NUMBER: (12, 13)}},
        ),
    ),
)

ACROSS = Family(
    "Dates and sides across tables",
    (
        Case(
            "a complication before its procedure",
            (cell("complications", 4, "complication_date", "2023-09-20"),),
            blanked={"complications": {"complication_date is before the procedure": (4,)}},
        ),
        Case(
            "an event before the patient's first procedure",
            (cell("follow_up", 5, "event_date", "2022-01-18"), cell("follow_up", 5, "lesion_id", "")),
            aside={"follow_up": {"event_date is before the patient's first procedure": (5,)}},
        ),
        Case(
            "an event before its lesion's procedure",
            (cell("follow_up", 3, "event_date", "2023-02-14"),),
            aside={"follow_up": {"event_date is before its lesion's procedure": (3,)}},
        ),
        Case(
            "an event on the day of the procedure",
            (cell("follow_up", 5, "event_date", "2023-07-03"), cell("follow_up", 5, "lesion_id", "")),
            truth=(cell("follow_up", 5, "event_date", "2023-07-03"), cell("follow_up", 5, "lesion_id", "")),
        ),
        Case(
            "an event after the patient's death",
            (cell("follow_up", 7, "event_date", "2024-03-20"),),
            aside={"follow_up": {"event_date is after the patient's death": (6,)}},
            truth=(cell("follow_up", 7, "event_date", "2024-03-20"),),
        ),
        Case(
            "two deaths on two days",
            (more_row("follow_up", 7, follow_up_id="fup-07", event_date="2024-10-01"),),
            aside={"follow_up": {"event_date is after the patient's death": (8,)}},
        ),
        Case(
            "a procedure after the patient's death",
            (
                cell("follow_up", 7, "event_date", "2023-11-20"),
                cell("follow_up", 7, "lesion_id", ""),
                cell("follow_up", 6, "event_date", "2023-11-15"),
                cell("procedures", 8, "patient_id", "pat-04"),
            ),
            warned={"procedures": {"procedure_date is after the patient's death": (8,)}},
            truth=(
                cell("follow_up", 7, "event_date", "2023-11-20"),
                cell("follow_up", 7, "lesion_id", ""),
                cell("follow_up", 6, "event_date", "2023-11-15"),
                cell("procedures", 8, "patient_id", "pat-04"),
            ),
        ),
        Case(
            "an event on the other side than its lesion",
            (cell("follow_up", 5, "side", "right"),),
            aside={"follow_up": {"its side is not that of its lesion's procedure": (5,)}},
        ),
        Case(
            "a birth after the procedure",
            (cell("patients", 7, "birth_year", "2025"),),
            blanked={"patients": {"birth_year is after the year of the patient's first procedure": (7,)}},
        ),
        Case(
            "a patient of ten years",
            (cell("patients", 7, "birth_year", "2014"),),
            warned={"procedures": {"the patient was not yet 18 years old": (9,)}},
            truth=(cell("patients", 7, "birth_year", "2014"),),
        ),
        Case(
            "fluoroscopy longer than the procedure",
            (cell("procedures", 9, "fluoroscopy_min", "80"),),
            warned={"procedures": {"fluoroscopy_min exceeds duration_min": (9,)}},
            truth=(cell("procedures", 9, "fluoroscopy_min", "80"),),
        ),
        Case(
            "tissue loss by one grade, none by another",
            (cell("procedures", 9, "wound", "0"),),
            warned={"procedures": {"rutherford and wound disagree on whether there is tissue loss": (9,)}},
            truth=(cell("procedures", 9, "wound", "0"),),
        ),
        Case(
            "a death as a complication, and a later procedure",
            (cell("complications", 2, "severity", "death"), cell("procedures", 9, "patient_id", "pat-01")),
            warned={"complications": {"severity is death, but the patient had a later procedure": (2,)}},
            truth=(cell("complications", 2, "severity", "death"), cell("procedures", 9, "patient_id", "pat-01")),
        ),
        Case(
            "a graft on the lesion, and no bypass before",
            (cell("lesions", 10, "prior_bypass", "patent"),),
            warned={"lesions": {"prior_bypass tells of a graft, but prior_revascularization of no bypass": (10,)}},
            truth=(cell("lesions", 10, "prior_bypass", "patent"),),
        ),
        Case(
            "a lesion copied within its procedure",
            (more_row("lesions", 10, lesion_id="les-10"),),
            warned={"lesions": {"another lesion of its procedure is recorded with the very same values": (10, 11)}},
            truth=(more_row("lesions", 10, lesion_id="les-10"),),
        ),
    ),
)
