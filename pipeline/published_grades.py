"""Published grading tables that features are derived from, each with its source, and one crosswalk of our own.

Nothing here is computed from a service's data. The tests hold every cell against tests/data/clinical.toml.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

# Rutherford RB et al., J Vasc Surg 1997;26:517-538.
RUTHERFORD_NAMES: Mapping[int, str] = {
    0: "asymptomatic",
    1: "mild claudication",
    2: "moderate claudication",
    3: "severe claudication",
    4: "ischemic rest pain",
    5: "minor tissue loss",
    6: "major tissue loss",
}
FIRST_TISSUE_LOSS_CATEGORY = 5  # Rutherford 1997: categories 5 and 6

# SVS Lower Extremity Guidelines Committee, J Vasc Surg 2014;59:220-234: stage of one-year amputation risk.
# _WIFI_STAGES[wound][ischemia][foot infection]
_WIFI_STAGES = (
    ((1, 1, 2, 3), (1, 2, 3, 4), (2, 2, 3, 4), (2, 3, 3, 4)),
    ((1, 1, 2, 3), (1, 2, 3, 4), (2, 3, 4, 4), (3, 3, 4, 4)),
    ((2, 2, 3, 4), (3, 3, 4, 4), (3, 4, 4, 4), (4, 4, 4, 4)),
    ((3, 3, 4, 4), (4, 4, 4, 4), (4, 4, 4, 4), (4, 4, 4, 4)),
)
WIFI_STAGE: Mapping[tuple[int, int, int], int] = {
    (wound, ischemia, infection): stage
    for wound, by_ischemia in enumerate(_WIFI_STAGES)
    for ischemia, by_infection in enumerate(by_ischemia)
    for infection, stage in enumerate(by_infection)
}
WIFI_STAGE_NAMES: Mapping[int, str] = {1: "very low risk", 2: "low risk", 3: "moderate risk", 4: "high risk"}

# Global vascular guidelines: Conte MS et al., J Vasc Surg 2019;69(6S):3S-125S. Severe calcium is already in the two grades.
# _GLASS_STAGES[femoropopliteal grade][infrapopliteal grade]; None: not applicable, which is not stage I.
_GLASS_STAGES: tuple[tuple[str | None, ...], ...] = (
    (None, "I", "I", "II", "III"),
    ("I", "I", "II", "II", "III"),
    ("I", "II", "II", "II", "III"),
    ("II", "II", "II", "III", "III"),
    ("III", "III", "III", "III", "III"),
)
GLASS_STAGE: Mapping[tuple[int, int], str | None] = {
    (femoropopliteal, infrapopliteal): stage
    for femoropopliteal, row in enumerate(_GLASS_STAGES)
    for infrapopliteal, stage in enumerate(row)
}

# Taylor and Palmer, Br J Plast Surg 1987;40:113-141; Attinger CE et al., Plast Reconstr Surg 2006;117(7 Suppl):261S-293S.
# The heel has two sources, posterior tibial and peroneal; the code recorded says which of its two angiosomes is meant.
SOURCE_ARTERY: Mapping[str, str] = {
    "dorsalis_pedis": "anterior_tibial",
    "medial_plantar": "posterior_tibial",
    "lateral_plantar": "posterior_tibial",
    "medial_calcaneal": "posterior_tibial",
    "lateral_calcaneal": "peroneal",
    "anterior_perforator": "peroneal",
}

# The source artery that a treated segment is, or continues (plain anatomy). The femoral and popliteal arteries and the
# tibioperoneal trunk are absent: they are inflow to more than one source artery, and the tables do not say which of these
# the procedure opened, so whether the wound is fed directly cannot be known.
SOURCE_ARTERY_OF_SEGMENT: Mapping[str, str] = {
    "anterior_tibial": "anterior_tibial",
    "dorsalis_pedis": "anterior_tibial",
    "posterior_tibial": "posterior_tibial",
    "plantar": "posterior_tibial",
    "peroneal": "peroneal",
}

BELOW_KNEE_SEGMENTS = (
    "tibioperoneal_trunk",
    "anterior_tibial",
    "posterior_tibial",
    "peroneal",
    "dorsalis_pedis",
    "plantar",
)  # plain anatomy: beyond the popliteal artery

CALCIUM_LEVELS = ("none", "mild", "moderate", "severe")


@dataclass(frozen=True, slots=True)
class CalciumGrade:
    """One grade of one scale. `sides` of the artery calcified (0, 1, 2), None where the scale does not say; `level` is ours."""

    scale: str
    grade: str
    sides: int | None
    extent: str
    level: str


# PACSS: Rocha-Singh KJ et al., Catheter Cardiovasc Interv 2014;83:E212-E220. PARC: Patel MR et al., J Am Coll Cardiol
# 2015;65:931-941. The `level` column is our own crosswalk, sides first and extent second; see CALCIUM_CAVEAT.
CALCIUM_GRADES: tuple[CalciumGrade, ...] = (
    CalciumGrade("pacss", "0", 0, "none visible at the target lesion", "none"),
    CalciumGrade("pacss", "1", 1, "under 5 cm", "mild"),
    CalciumGrade("pacss", "2", 1, "5 cm or more", "mild"),
    CalciumGrade("pacss", "3", 2, "under 5 cm", "moderate"),
    CalciumGrade("pacss", "4", 2, "5 cm or more", "severe"),
    CalciumGrade("parc", "none", 0, "none visible at the target lesion", "none"),
    CalciumGrade("parc", "focal", 1, "under half of lesion length", "mild"),
    CalciumGrade("parc", "mild", 1, "over half of lesion length", "mild"),
    CalciumGrade("parc", "moderate", 2, "under half of lesion length", "moderate"),
    CalciumGrade("parc", "severe", 2, "over half of lesion length", "severe"),
    CalciumGrade("descriptive", "none", None, "as described", "none"),
    CalciumGrade("descriptive", "mild", None, "as described", "mild"),
    CalciumGrade("descriptive", "moderate", None, "as described", "moderate"),
    CalciumGrade("descriptive", "severe", None, "as described", "severe"),
)

CALCIUM_CAVEAT = (
    "Calcium is brought from three scales (PACSS, PARC, descriptive) to none, mild, moderate and severe by a crosswalk of "
    "our own that has not been published: one side of the artery is mild at most, both sides moderate or more. The scales "
    "do not measure the same thing (PACSS counts 5 cm, PARC half of the lesion), readers agree poorly, and a service that "
    "changed its scale will show a change that is not real. Calcium that was not recorded stays unknown; it is not none."
)
