"""For each rule across columns, rows and tables: rows that break it, and neighboring rows that do not."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

Given = Sequence[Mapping[str, object]]


@dataclass(frozen=True)
class Case:
    """Rows of one table, in tables that are valid otherwise: those numbered in `break_it` break the rule, the others do not.

    `besides`: rows of the other tables. `also`: reasons that cannot but come with it.
    """

    rule: str
    table: str
    given: Given
    break_it: tuple[int, ...]
    besides: Mapping[str, Given] = field(default_factory=dict)
    also: tuple[str, ...] = ()


TWO_LESIONS: Given = ({}, {"length_mm": 90.0})
TWO_PROCEDURES: Mapping[str, Given] = {
    "procedures": ({}, {"procedure_date": date(2024, 8, 1)}),
    "lesions": ({}, {"procedure_id": "procedures-2"}),
}
NO_EVENTS: Mapping[str, Given] = {"complications": (), "follow_up": ()}

CASES = (
    # Columns of one row
    Case(
        "fluoroscopy_min exceeds duration_min",
        "procedures",
        [{"duration_min": 75.0, "fluoroscopy_min": 75.1}, {"duration_min": 75.0, "fluoroscopy_min": 75.0}],
        (1,),
    ),
    Case(
        "rutherford and wound disagree on whether there is tissue loss",
        "procedures",
        [
            {"rutherford": 5, "wound": 0},
            {"rutherford": 4, "wound": 1},
            {"rutherford": 5, "wound": 1},
            {"rutherford": 4, "wound": 0},
            {"rutherford": 5, "wound": None},
        ],
        (1, 2),
    ),
    # Toe pressures of 60, 40 and 30 mmHg part the WIfI ischemia grades (Mills 2014).
    Case(
        "ischemia is two grades or more from that of toe_pressure_mmhg",
        "procedures",
        [
            {"ischemia": 0, "toe_pressure_mmhg": 39.9},
            {"ischemia": 0, "toe_pressure_mmhg": 40.0},
            {"ischemia": 1, "toe_pressure_mmhg": 29.9},
            {"ischemia": 1, "toe_pressure_mmhg": 30.0},
            {"ischemia": 2, "toe_pressure_mmhg": 60.0},
            {"ischemia": 2, "toe_pressure_mmhg": 59.9},
            {"ischemia": 3, "toe_pressure_mmhg": None},
        ],
        (1, 3, 5),
    ),
    Case(
        "crossed is true, but stopped_because is would_not_cross or puncture_failed",
        "attempts",
        [
            {"lesion_id": "lesions-1", "crossed": True, "stopped_because": "would_not_cross"},
            {"lesion_id": "lesions-2", "crossed": True, "stopped_because": "perforation"},
        ],
        (1,),
        {"lesions": TWO_LESIONS},
    ),
    Case(
        "crossed is false, but stopped_because is crossed",
        "attempts",
        [
            {"lesion_id": "lesions-1", "crossed": False, "stopped_because": "crossed"},
            {"lesion_id": "lesions-2", "crossed": False, "stopped_because": None},
        ],
        (1,),
        {"lesions": TWO_LESIONS, "complications": ()},
    ),
    Case(
        "crossed is true, but access_gained is false",
        "attempts",
        [
            {"lesion_id": "lesions-1", "crossed": True, "access_gained": False},
            {"lesion_id": "lesions-2", "crossed": False, "access_gained": False},
        ],
        (1,),
        {"lesions": TWO_LESIONS},
    ),
    Case(
        "access_gained is true, but stopped_because is puncture_failed",
        "attempts",
        [
            {"crossed": False, "access_gained": True, "stopped_because": "puncture_failed"},
            {"crossed": False, "access_gained": False, "stopped_because": "puncture_failed"},
        ],
        (1,),
    ),
    # Attempts of one lesion
    Case(
        "another attempt on its lesion has the same attempt_no",
        "attempts",
        [{"attempt_no": 1}, {"attempt_no": 1}, {"attempt_no": 2}],
        (1, 2),
        {"complications": ()},
    ),
    Case(
        "an attempt before it on its lesion is missing",
        "attempts",
        [
            {"attempt_no": 1},
            {"attempt_no": 3},
            {"attempt_no": 4},
            {"lesion_id": "lesions-2"},
            {"lesion_id": "lesions-2"},
        ],
        (2, 3),
        {"lesions": TWO_LESIONS},
    ),
    Case(
        "an earlier attempt on its lesion crossed, and neither stopped_because nor rendezvous says why it went on",
        "attempts",
        [
            {"lesion_id": "lesions-1", "crossed": True},
            {"lesion_id": "lesions-1"},
            {"lesion_id": "lesions-1"},
            {"lesion_id": "lesions-2", "crossed": True, "stopped_because": "dissection_plane"},
            {"lesion_id": "lesions-2"},
            {"lesion_id": "lesions-3", "crossed": True},
            {"lesion_id": "lesions-3", "rendezvous": "snare"},
            {"lesion_id": "lesions-4", "crossed": False},
            {"lesion_id": "lesions-4"},
            {"lesion_id": "lesions-5", "crossed": True, "stopped_because": None},
            {"lesion_id": "lesions-5", "rendezvous": None},
            {"lesion_id": "lesions-6", "crossed": True, "rendezvous": "snare"},
            {"lesion_id": "lesions-6"},
        ],
        (2, 3, 11),
        {"lesions": [{"length_mm": 10.0 + number} for number in range(6)]},
        also=("the minutes of its attempts together exceed duration_min",),
    ),
    # Follow-up
    Case(
        "its lesion is another patient's",
        "follow_up",
        [{"patient_id": "patients-2", "lesion_id": "lesions-1"}, {"patient_id": "patients-2", "lesion_id": None}],
        (1,),
        {"patients": ({}, {})},
    ),
    Case(
        "its side is not that of its lesion's procedure",
        "follow_up",
        [{"side": "right"}, {"side": "left"}, {"side": None}, {"side": "right", "lesion_id": None}],
        (1,),
    ),
    Case(
        "event_date is before its lesion's procedure",
        "follow_up",
        [
            {"lesion_id": "lesions-2", "event_date": date(2024, 7, 31)},
            {"lesion_id": "lesions-2", "event_date": date(2024, 8, 1)},
            {"lesion_id": "lesions-1", "event_date": date(2024, 7, 31)},
        ],
        (1,),
        TWO_PROCEDURES,
    ),
    Case(
        "event_date is before the patient's first procedure",
        "follow_up",
        [
            {"lesion_id": None, "event_date": date(2024, 6, 2)},
            {"lesion_id": None, "event_date": date(2024, 6, 3)},
            {"lesion_id": None, "event_date": date(2024, 7, 31)},
        ],
        (1,),
        TWO_PROCEDURES,
    ),
    Case(
        "event_date is after the patient's death",
        "follow_up",
        [
            {"event": "death", "event_date": date(2024, 9, 1)},
            {"event": "seen", "event_date": date(2024, 9, 1)},
            {"event": "seen", "event_date": date(2024, 9, 2)},
            {"event": "death", "event_date": date(2024, 9, 3)},
            {"event": "seen", "event_date": date(2024, 9, 2), "patient_id": "patients-2", "lesion_id": None},
        ],
        (3, 4),
        {"patients": ({}, {})},
    ),
    # Single values
    Case(
        "birth_year is after the year of the patient's first procedure",
        "patients",
        [{"birth_year": 2025}, {"birth_year": 2024}, {"birth_year": 2025}],
        (1,),
        {"procedures": ({}, {"patient_id": "patients-2"})},
        also=("the patient was not yet 18 years old",),
    ),
    Case(
        "complication_date is before the procedure",
        "complications",
        [{"complication_date": date(2024, 6, 2)}, {"complication_date": date(2024, 6, 3)}, {"complication_date": None}],
        (1,),
    ),
    Case(
        "its attempt belongs to another procedure",
        "complications",
        [{"attempt_id": "attempts-2"}, {"attempt_id": "attempts-1"}, {"attempt_id": None}],
        (1,),
        {**TWO_PROCEDURES, "attempts": ({}, {"lesion_id": "lesions-2"}), "follow_up": ()},
    ),
    # Patients and procedures
    Case(
        "the patient was not yet 18 years old",
        "procedures",
        [{"patient_id": "patients-1"}, {"patient_id": "patients-2"}],
        (1,),
        {"patients": ({"birth_year": 2007}, {"birth_year": 2006})},
    ),
    Case(
        "procedure_date is after the patient's death",
        "procedures",
        [{}, {"procedure_date": date(2024, 9, 1)}, {"procedure_date": date(2024, 9, 2)}],
        (3,),
        {"follow_up": ({"event": "death", "event_date": date(2024, 9, 1)},)},
    ),
    Case(
        "minutes exceed the procedure's duration_min",
        "attempts",
        [
            {"lesion_id": "lesions-1", "minutes": 75.5},
            {"lesion_id": "lesions-1", "minutes": 40.0},
            {"lesion_id": "lesions-2", "minutes": 75.0},
        ],
        (1,),
        {**TWO_PROCEDURES, "complications": (), "follow_up": ()},
    ),
    Case(
        "the minutes of its attempts together exceed duration_min",
        "procedures",
        TWO_PROCEDURES["procedures"],
        (1,),
        {
            "lesions": ({}, {"length_mm": 90.0}, {"procedure_id": "procedures-2"}),
            "attempts": (
                {"lesion_id": "lesions-1", "minutes": 40.0},
                {"lesion_id": "lesions-2", "minutes": 35.5},
                {"lesion_id": "lesions-3", "minutes": 40.0},
                {"lesion_id": "lesions-3", "minutes": 35.0},
            ),
            **NO_EVENTS,
        },
    ),
    # Lesions
    Case(
        "another lesion of its procedure is recorded with the very same values",
        "lesions",
        [
            {"length_mm": 80.0},
            {"length_mm": 80.0},
            {"length_mm": 81.0},
            {"length_mm": 80.0, "runoff_vessels": 2},
            {"length_mm": 80.0, "procedure_id": "procedures-2"},
            {"length_mm": None},
            {"length_mm": None},
        ],
        (1, 2),
        {"procedures": TWO_PROCEDURES["procedures"]},
    ),
    Case(
        "prior_bypass tells of a graft, but prior_revascularization of no bypass",
        "lesions",
        [
            {"prior_bypass": "occluded"},
            {"prior_bypass": "none"},
            {"prior_bypass": "patent", "procedure_id": "procedures-2"},
        ],
        (1,),
        {"procedures": ({"prior_revascularization": "endovascular"}, {"prior_revascularization": "both"})},
    ),
    # Where an attempt came from
    Case(
        "an antegrade attempt's access_site is not above its lesion",
        "attempts",
        [
            {"lesion_id": "lesions-1", "access_site": "popliteal"},
            {"lesion_id": "lesions-2", "access_site": "superficial_femoral"},
            {"lesion_id": "lesions-3", "access_site": None},
        ],
        (1,),
        {"lesions": ({}, {"length_mm": 90.0}, {"length_mm": 91.0}), **NO_EVENTS},
    ),
    Case(
        "a retrograde attempt's access_site is not beyond its lesion on the same artery, and its route goes round by no other",
        "attempts",
        [
            # The groin is above any lesion: only a way round leads back up from there.
            {
                "approach": "retrograde",
                "lesion_id": "lesions-1",
                "access_site": "common_femoral_contralateral",
                "route": "direct",
            },
            {
                "approach": "retrograde",
                "lesion_id": "lesions-2",
                "access_site": "common_femoral_contralateral",
                "route": "transcollateral",
            },
            {
                "approach": "retrograde",
                "lesion_id": "lesions-3",
                "access_site": "common_femoral_contralateral",
                "route": None,
            },
            {"approach": "retrograde", "lesion_id": "lesions-4", "access_site": "posterior_tibial", "route": "direct"},
            # A dorsalis pedis puncture leads to the peroneal artery through the arch alone.
            {"approach": "retrograde", "lesion_id": "lesions-5", "access_site": "dorsalis_pedis", "route": "direct"},
            {
                "approach": "retrograde",
                "lesion_id": "lesions-6",
                "access_site": "dorsalis_pedis",
                "route": "pedal_arch",
            },
        ],
        (1, 3, 5),
        {
            "lesions": [
                *({"length_mm": 90.0 + number} for number in range(4)),
                {"segment": "peroneal"},
                {"segment": "peroneal", "length_mm": 99.0},
            ],
            **NO_EVENTS,
        },
    ),
    Case(
        "route is through_bypass, but its lesion has no bypass",
        "attempts",
        [
            {"lesion_id": "lesions-1", "route": "through_bypass"},
            {"lesion_id": "lesions-2", "route": "through_bypass"},
            {"lesion_id": "lesions-3", "route": "through_bypass"},
        ],
        (1,),
        {
            "procedures": ({"prior_revascularization": "bypass"},),
            "lesions": ({"prior_bypass": "none"}, {"prior_bypass": "patent"}, {"prior_bypass": None}),
            **NO_EVENTS,
        },
    ),
    # Harm and death
    Case(
        "severity is death, but the patient had a later procedure",
        "complications",
        [
            {"procedure_id": "procedures-1", "severity": "death", "attempt_id": None},
            {"procedure_id": "procedures-1", "severity": "severe", "attempt_id": None},
            {
                "procedure_id": "procedures-2",
                "severity": "death",
                "attempt_id": None,
                "complication_date": date(2024, 8, 1),
            },
        ],
        (1,),
        TWO_PROCEDURES,
    ),
    Case(
        "complication_date is after the patient's death",
        "complications",
        [{"complication_date": date(2024, 6, 10)}, {"complication_date": date(2024, 6, 9)}],
        (1,),
        {"follow_up": ({"event": "death", "event_date": date(2024, 6, 9)},)},
    ),
)
