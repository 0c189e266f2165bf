"""The data dictionary, declared once: the checks, docs/data_dictionary.md, the invented service and the mapping derive from it.

To add a column, add one `Column` here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

ColumnType = Literal["text", "int", "real", "bool", "date", "code"]

# How a truth value may be written in an export in the default layout (lower case); a mapping adds a site's own words.
TRUE_WORDS = ("true", "1", "yes", "y", "t")
FALSE_WORDS = ("false", "0", "no", "n", "f")


@dataclass(frozen=True, slots=True)
class Column:
    """One column. `limits` are inclusive and in `unit`; `codes` are the only accepted values of a code column."""

    name: str
    type: ColumnType
    needed: bool = False
    unit: str = ""
    limits: tuple[float, float] | None = None
    codes: tuple[str, ...] = ()
    meaning: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """One table. `key` is its one key column; `refers` maps a column to the table whose key it holds."""

    name: str
    key: str
    refers: Mapping[str, str]
    meaning: str
    columns: tuple[Column, ...]

    def column(self, name: str) -> Column:
        """The named column; KeyError when the dictionary has none of that name."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(f"{self.name}.{name}")

    @property
    def column_names(self) -> tuple[str, ...]:
        """Names of the columns, in order."""
        return tuple(column.name for column in self.columns)


PATIENTS = Table(
    name="patients",
    key="patient_id",
    refers={},
    meaning="One row a patient.",
    columns=(
        Column(
            "patient_id", "text", needed=True, meaning="the site's pseudonymous patient key; never a hospital number"
        ),
        Column("birth_year", "int", unit="year", limits=(1900, 2030)),
        Column("sex", "code", codes=("female", "male", "other")),
        Column("diabetes", "code", codes=("none", "non_insulin", "insulin")),
        Column("renal", "code", codes=("normal", "ckd", "dialysis"), meaning="kidney status at the index procedure"),
        Column("smoking", "code", codes=("never", "former", "current")),
        Column("coronary_disease", "bool"),
        Column("heart_failure", "bool"),
        Column("ambulatory", "bool", meaning="walks, with or without aids"),
    ),
)

PROCEDURES = Table(
    name="procedures",
    key="procedure_id",
    refers={"patient_id": "patients"},
    meaning="One row a session: one procedure on one limb.",
    columns=(
        Column("procedure_id", "text", needed=True),
        Column("patient_id", "text", needed=True),
        Column("procedure_date", "date", needed=True),
        Column("side", "code", needed=True, codes=("left", "right")),
        Column("site_id", "text"),
        Column("operator_id", "text", meaning="pseudonymous"),
        Column("urgency", "code", codes=("elective", "urgent", "emergency")),
        Column("rutherford", "int", limits=(0, 6), meaning="Rutherford category"),
        Column("wound", "int", limits=(0, 3), meaning="WIfI wound grade"),
        Column("ischemia", "int", limits=(0, 3), meaning="WIfI ischemia grade"),
        Column("foot_infection", "int", limits=(0, 3), meaning="WIfI foot infection grade"),
        Column(
            "planned_approach",
            "code",
            codes=("antegrade", "retrograde"),
            meaning="the approach written down before the first puncture, where the site records it",
        ),
        Column("abi", "real", limits=(0, 3), meaning="ankle-brachial index of the treated limb before the procedure"),
        Column("toe_pressure_mmhg", "real", unit="mmHg", limits=(0, 300)),
        Column(
            "prior_revascularization",
            "code",
            codes=("none", "endovascular", "bypass", "both"),
            meaning="earlier revascularization of the same limb",
        ),
        Column("duration_min", "real", unit="min", limits=(0, 1440)),
        Column("fluoroscopy_min", "real", unit="min", limits=(0, 600)),
        Column("air_kerma_mgy", "real", unit="mGy", limits=(0, 50000), meaning="reference air kerma"),
        Column("contrast_ml", "real", unit="mL", limits=(0, 1500)),
    ),
)

LESIONS = Table(
    name="lesions",
    key="lesion_id",
    refers={"procedure_id": "procedures"},
    meaning="One row an occlusion to be crossed, within its procedure.",
    columns=(
        Column("lesion_id", "text", needed=True),
        Column("procedure_id", "text", needed=True),
        Column(
            "segment",
            "code",
            needed=True,
            codes=(
                "superficial_femoral",
                "popliteal",
                "tibioperoneal_trunk",
                "anterior_tibial",
                "posterior_tibial",
                "peroneal",
                "dorsalis_pedis",
                "plantar",
            ),
            meaning="the segment holding the occlusion to be crossed",
        ),
        Column("length_mm", "real", unit="mm", limits=(1, 900), meaning="length of the occlusion"),
        Column(
            "calcium_scale",
            "code",
            codes=("pacss", "parc", "descriptive"),
            meaning="the scale that calcium_grade is written in",
        ),
        Column(
            "calcium_grade",
            "text",
            meaning="pacss: 0-4; parc: none, focal, mild, moderate, severe; descriptive: none, mild, moderate, severe",
        ),
        Column(
            "proximal_cap", "code", codes=("concave", "convex"), meaning="shape of the proximal cap, seen from above"
        ),
        Column("distal_cap", "code", codes=("concave", "convex"), meaning="shape of the distal cap, seen from below"),
        Column("in_stent", "bool"),
        Column(
            "prior_bypass", "code", codes=("none", "patent", "occluded"), meaning="a bypass graft on this target path"
        ),
        Column(
            "target_angiosome",
            "code",
            codes=(
                "dorsalis_pedis",
                "medial_plantar",
                "lateral_plantar",
                "medial_calcaneal",
                "lateral_calcaneal",
                "anterior_perforator",
            ),
        ),
        Column("runoff_vessels", "int", limits=(0, 3), meaning="patent tibial vessels reaching the ankle"),
        Column("fp_grade", "int", limits=(0, 4), meaning="GLASS femoropopliteal grade"),
        Column("ip_grade", "int", limits=(0, 4), meaning="GLASS infrapopliteal grade"),
        Column("pedal_grade", "int", limits=(0, 2), meaning="GLASS inframalleolar modifier P0-P2"),
    ),
)

ATTEMPTS = Table(
    name="attempts",
    key="attempt_id",
    refers={"lesion_id": "lesions"},
    meaning="One row a try at one lesion by one approach, numbered in order.",
    columns=(
        Column("attempt_id", "text", needed=True),
        Column("lesion_id", "text", needed=True),
        Column(
            "attempt_no",
            "int",
            needed=True,
            limits=(1, 20),
            meaning="order of the attempts on this lesion in this procedure, from 1",
        ),
        Column("approach", "code", needed=True, codes=("antegrade", "retrograde")),
        Column(
            "crossed",
            "bool",
            needed=True,
            meaning="the wire reached the true lumen beyond the occlusion in this attempt",
        ),
        Column(
            "access_site",
            "code",
            codes=(
                "common_femoral_ipsilateral",
                "common_femoral_contralateral",
                "superficial_femoral",
                "popliteal",
                "anterior_tibial",
                "posterior_tibial",
                "peroneal",
                "dorsalis_pedis",
                "plantar",
                "metatarsal",
                "radial",
                "brachial",
            ),
        ),
        Column(
            "route",
            "code",
            codes=("direct", "transcollateral", "pedal_arch", "through_bypass"),
            meaning="direct: from the puncture along the target artery itself",
        ),
        Column("access_gained", "bool", meaning="the puncture gave a usable wire position"),
        Column(
            "guidance", "code", codes=("ultrasound", "fluoroscopy_contrast", "fluoroscopy_calcium", "surgical_exposure")
        ),
        Column("sheath", "code", codes=("sheath", "sheathless")),
        Column("plane", "code", codes=("intraluminal", "subintimal", "mixed")),
        Column("rendezvous", "code", codes=("none", "snare", "double_balloon", "needle_reentry")),
        Column("minutes", "real", unit="min", limits=(0, 600), meaning="time spent in this attempt"),
        Column(
            "stopped_because",
            "code",
            codes=(
                "crossed",
                "would_not_cross",
                "dissection_plane",
                "perforation",
                "puncture_failed",
                "limit_reached",
                "patient",
            ),
        ),
    ),
)

COMPLICATIONS = Table(
    name="complications",
    key="complication_id",
    refers={"procedure_id": "procedures"},
    meaning="One row a complication of a procedure.",
    columns=(
        Column("complication_id", "text", needed=True),
        Column("procedure_id", "text", needed=True),
        Column("attempt_id", "text", meaning="where it can be tied to one attempt"),
        Column(
            "kind",
            "code",
            needed=True,
            codes=(
                "perforation",
                "flow_limiting_dissection",
                "distal_embolization",
                "access_hematoma",
                "pseudoaneurysm",
                "arteriovenous_fistula",
                "access_vessel_occlusion",
                "vasospasm",
                "compartment_syndrome",
                "acute_kidney_injury",
                "access_infection",
                "stroke",
                "myocardial_infarction",
                "bleeding_transfused",
                "other",
            ),
        ),
        Column(
            "severity",
            "code",
            codes=("mild", "moderate", "severe", "life_threatening", "death"),
            meaning="SIR adverse-event severity",
        ),
        Column("complication_date", "date"),
    ),
)

FOLLOW_UP = Table(
    name="follow_up",
    key="follow_up_id",
    refers={"patient_id": "patients"},
    meaning="One row a contact or event after the procedure.",
    columns=(
        Column("follow_up_id", "text", needed=True),
        Column("patient_id", "text", needed=True),
        Column("side", "code", codes=("left", "right")),
        Column("lesion_id", "text", meaning="where the event concerns one treated lesion"),
        Column("event_date", "date", needed=True),
        Column(
            "event",
            "code",
            needed=True,
            codes=(
                "seen",
                "target_lesion_revascularization",
                "target_lesion_occluded",
                "bypass",
                "minor_amputation",
                "major_amputation",
                "wound_healed",
                "death",
            ),
        ),
    ),
)

# Parents before children: the order in which tables are checked.
TABLES: tuple[Table, ...] = (PATIENTS, PROCEDURES, LESIONS, ATTEMPTS, COMPLICATIONS, FOLLOW_UP)

# Columns that hold a table's own key or another's, and the operator: replaced by keyed pseudonyms at intake.
PSEUDONYM_COLUMNS: tuple[str, ...] = (
    "patient_id",
    "procedure_id",
    "lesion_id",
    "attempt_id",
    "complication_id",
    "follow_up_id",
    "operator_id",
)


def table(name: str) -> Table:
    """The named table; KeyError when there is none."""
    for candidate in TABLES:
        if candidate.name == name:
            return candidate
    raise KeyError(name)
