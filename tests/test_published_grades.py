"""Every published grade that features are derived from, against tests/data/clinical.toml, which names its sources."""

import tomllib
from pathlib import Path

import pytest

from pipeline.case_tables import table
from pipeline.published_grades import (
    BELOW_KNEE_SEGMENTS,
    CALCIUM_CAVEAT,
    CALCIUM_GRADES,
    CALCIUM_LEVELS,
    GLASS_STAGE,
    RUTHERFORD_NAMES,
    SOURCE_ARTERY,
    SOURCE_ARTERY_OF_SEGMENT,
    WIFI_STAGE,
)

CLINICAL = tomllib.loads((Path(__file__).parent / "data" / "clinical.toml").read_text(encoding="utf-8"))
LEVEL = {(g.scale, g.grade): g.level for g in CALCIUM_GRADES}


def test_nothing_that_a_person_must_first_confirm_is_among_the_check_values() -> None:
    text = (Path(__file__).parent / "data" / "clinical.toml").read_text(encoding="utf-8")
    rows = [line for line in text.splitlines() if not line.startswith("#")]
    assert not [line for line in rows if "do_not_encode" in line or "confirm_first" in line]
    assert [line for line in rows if line.startswith("unconfirmed_cells")] == ["unconfirmed_cells = []"]


# J Vasc Surg 2014;59:220-234
@pytest.mark.parametrize("cell", CLINICAL["wifi"]["stage"]["cell"])
def test_each_of_the_64_wifi_cells_has_its_published_stage(cell: str) -> None:
    wound, ischemia, infection = int(cell[1]), int(cell[3]), int(cell[6])
    assert WIFI_STAGE[wound, ischemia, infection] == CLINICAL["wifi"]["stage"]["cell"][cell]


def test_there_are_64_wifi_cells_and_as_many_of_each_stage_as_published() -> None:
    assert len(CLINICAL["wifi"]["stage"]["cell"]) == len(WIFI_STAGE) == 64
    published = {int(stage): count for stage, count in CLINICAL["wifi"]["stage"]["cell_counts"].items()}
    assert {stage: list(WIFI_STAGE.values()).count(stage) for stage in (1, 2, 3, 4)} == published


def test_a_worse_grade_never_lowers_the_wifi_stage() -> None:
    # Seen in the published table; it would catch a swapped row in both copies.
    for (w, i, f), stage in WIFI_STAGE.items():
        for worse in ((w + 1, i, f), (w, i + 1, f), (w, i, f + 1)):
            assert WIFI_STAGE.get(worse, 4) >= stage


# J Vasc Surg 2019;69(6S):3S-125S
@pytest.mark.parametrize("femoropopliteal", range(5))
@pytest.mark.parametrize("infrapopliteal", range(5))
def test_each_of_the_25_glass_cells_has_its_published_stage(femoropopliteal: int, infrapopliteal: int) -> None:
    published = CLINICAL["glass"]["matrix"]["rows"][femoropopliteal][infrapopliteal]
    assert GLASS_STAGE[femoropopliteal, infrapopliteal] == (None if published == "NA" else published)


def test_there_are_25_glass_cells_and_as_many_of_each_stage_as_published() -> None:
    found = ["NA" if stage is None else stage for stage in GLASS_STAGE.values()]
    assert len(found) == 25
    assert {stage: found.count(stage) for stage in ("NA", "I", "II", "III")} == CLINICAL["glass"]["matrix"][
        "cell_counts"
    ]


# Plast Reconstr Surg 2006;117(7 Suppl):261S-293S. Our code names beside the reference's short codes.
ANGIOSOMES = {
    "MC": "medial_calcaneal",
    "MP": "medial_plantar",
    "LP": "lateral_plantar",
    "DP": "dorsalis_pedis",
    "LC": "lateral_calcaneal",
    "AP": "anterior_perforator",
}


@pytest.mark.parametrize("item", CLINICAL["angiosome"]["item"], ids=lambda item: item["name"])
def test_each_of_the_six_angiosomes_has_its_published_source_artery(item: dict[str, str]) -> None:
    assert SOURCE_ARTERY[ANGIOSOMES[item["code"]]] == item["source_artery"].replace(" ", "_")


def test_the_six_angiosomes_are_those_of_the_data_dictionary_and_each_source_feeds_as_many_as_published() -> None:
    assert len(CLINICAL["angiosome"]["item"]) == 6
    assert set(SOURCE_ARTERY) == set(table("lesions").column("target_angiosome").codes)
    fed = list(SOURCE_ARTERY.values())
    published = {k.replace(" ", "_"): n for k, n in CLINICAL["angiosome"]["count_by_source"].items()}
    assert {source: fed.count(source) for source in fed} == published


def test_every_segment_below_the_trunk_has_a_source_artery_and_inflow_has_none() -> None:
    # Plain anatomy; common practice, no source.
    segments = set(table("lesions").column("segment").codes)
    assert segments - set(SOURCE_ARTERY_OF_SEGMENT) == {"superficial_femoral", "popliteal", "tibioperoneal_trunk"}
    assert segments - set(BELOW_KNEE_SEGMENTS) == {"superficial_femoral", "popliteal"}


# Catheter Cardiovasc Interv 2014;83:E212-E220
@pytest.mark.parametrize("row", CLINICAL["calcium"]["pacss"], ids=lambda row: f"PACSS {row['grade']}")
def test_each_pacss_grade_has_its_published_sides_and_length(row: dict[str, object]) -> None:
    (grade,) = [g for g in CALCIUM_GRADES if (g.scale, g.grade) == ("pacss", str(row["grade"]))]
    assert (grade.sides, grade.extent) == (row["sides"], row["length_rule"])


# J Am Coll Cardiol 2015;65:931-941
@pytest.mark.parametrize("row", CLINICAL["calcium"]["parc"], ids=lambda row: f"PARC {row['degree']}")
def test_each_parc_degree_has_its_published_sides_and_extent(row: dict[str, str]) -> None:
    (grade,) = [g for g in CALCIUM_GRADES if (g.scale, g.grade) == ("parc", row["degree"])]
    assert (grade.sides, grade.extent) == (2 if "both sides" in row["arc"] else 1, row["extent"])


@pytest.mark.parametrize("row", CLINICAL["calcium"]["harmonized"]["level"], ids=lambda row: row["name"])
def test_the_crosswalk_is_the_clinical_references_own(row: dict[str, object]) -> None:
    pacss, parc = row["pacss"], row["parc"]
    assert isinstance(pacss, list)
    assert isinstance(parc, list)
    assert {LEVEL["pacss", str(grade)] for grade in pacss} == {row["name"]}
    assert {LEVEL["parc", degree] for degree in parc} == {row["name"]}
    assert LEVEL["descriptive", str(row["name"])] == row["name"]
    assert CALCIUM_LEVELS[int(str(row["ordinal"]))] == row["name"]


def test_the_crosswalk_goes_by_sides_first_and_extent_second() -> None:
    for grade in CALCIUM_GRADES:
        if grade.sides is not None:
            assert grade.level in {0: ("none",), 1: ("mild",), 2: ("moderate", "severe")}[grade.sides]


def test_the_crosswalk_covers_the_grades_in_the_data_dictionary() -> None:
    meaning = table("lesions").column("calcium_grade").meaning
    written = {scale: listed.split(", ") for scale, listed in (part.split(": ") for part in meaning.split("; "))}
    written["pacss"] = ["0", "1", "2", "3", "4"]  # printed there as 0-4
    assert {scale: [g.grade for g in CALCIUM_GRADES if g.scale == scale] for scale in written} == written


def test_the_caveat_says_that_the_crosswalk_is_not_published() -> None:
    assert "has not been published" in CALCIUM_CAVEAT
    assert "not none" in CALCIUM_CAVEAT


# J Vasc Surg 1997;26:517-538
@pytest.mark.parametrize("row", CLINICAL["rutherford_fontaine"]["category"], ids=lambda row: row["name"])
def test_each_rutherford_category_has_its_published_name(row: dict[str, object]) -> None:
    assert RUTHERFORD_NAMES[int(str(row["rutherford"]))] == row["name"]
    assert len(RUTHERFORD_NAMES) == 7
