"""Which lesions belong to which profile, and what a profile is called."""

import pytest
from small_service import Case, tables

from pipeline.derive import derive
from pipeline.endpoints import ENDPOINTS, Endpoint, endpoint
from pipeline.features import feature, levels_of
from pipeline.plan import Plan
from pipeline.profiles import PROFILES, Profile, length_calcium_cells, one_way_profiles

CALCIUM = ("none", "mild", "moderate", "severe")


def lesion(length_mm: float | None, calcium: str | None, **more: object) -> Case:
    return Case(lesion={"length_mm": length_mm, "calcium_scale": "descriptive", "calcium_grade": calcium, **more})


LESIONS = derive(
    tables(
        lesion(80.0, "none", in_stent=True),
        lesion(150.0, "severe", in_stent=False),
        lesion(250.0, "severe", in_stent=None),
        lesion(300.0, None),
        lesion(None, "mild"),
    ),
    Plan(),
).lesions.sort("lesion_id")  # as they are written here


def members(key: str, plan: Plan | None = None) -> list[bool]:
    (cell,) = [c for c in one_way_profiles(LESIONS, plan or Plan()) if c.key == key]
    found: list[bool] = cell.member.tolist()
    return found


def test_a_lesion_belongs_to_the_profile_of_its_level_and_to_none_when_it_is_not_recorded() -> None:
    assert members("length_band=under_100") == [True, False, False, False, False]
    assert members("length_band=200_or_more") == [False, False, True, True, False]
    assert members("calcium=severe") == [False, True, True, False, False]
    assert members("in_stent=true") == [True, False, False, False, False]
    assert members("in_stent=false") == [False, True, False, True, True]


def test_every_level_of_a_profile_is_there_even_when_no_lesion_has_it() -> None:
    assert members("glass_stage=III") == [False] * 5
    keys = [c.key for c in one_way_profiles(LESIONS, Plan())]
    assert [k for k in keys if k.startswith("calcium=")] == [f"calcium={level}" for level in CALCIUM]
    assert len(set(keys)) == len(keys)


def test_a_plan_may_name_its_profiles_and_their_bands() -> None:
    plan = Plan(profiles=("calcium", "length_band"), length_bands_mm=(275.0,))
    lesions = derive(tables(lesion(274.9, "none"), lesion(275.0, "none")), plan).lesions
    cells = one_way_profiles(lesions, plan)
    assert [(c.key, c.feature_label, c.level_label) for c in cells[-2:]] == [
        ("length_band=under_275", "Length of the occlusion", "under 275 mm"),
        ("length_band=275_or_more", "Length of the occlusion", "275 mm or more"),
    ]
    assert len(cells) == 6
    assert [c.member.tolist() for c in cells[-2:]] == [[True, False], [False, True]]


def test_the_length_and_calcium_cells_part_the_lesions_that_have_both() -> None:
    cells = length_calcium_cells(LESIONS, Plan())
    assert [c.levels for c in cells] == [
        (band, level) for band in ("under 100 mm", "100 to under 200 mm", "200 mm or more") for level in CALCIUM
    ]
    held = {c.key: c.member.tolist() for c in cells if c.member.any()}
    assert held == {
        "length_band=under_100;calcium=none": [True, False, False, False, False],
        "length_band=100_to_199;calcium=severe": [False, True, False, False, False],
        "length_band=200_or_more;calcium=severe": [False, False, True, False, False],
    }


@pytest.mark.parametrize("profile", PROFILES, ids=lambda p: p.feature)
def test_every_profile_is_by_a_feature_with_levels(profile: Profile) -> None:
    assert levels_of(feature(profile.feature), Plan(), LESIONS)


@pytest.mark.parametrize("one", ENDPOINTS, ids=lambda e: e.name)
def test_every_endpoint_is_a_recorded_yes_or_no_of_every_compared_lesion(one: Endpoint) -> None:
    column = LESIONS.get_column(endpoint(one.name).column)
    assert str(column.dtype) == "Boolean"
    assert column.null_count() == 0


def test_the_plans_own_endpoints_are_endpoints() -> None:
    assert {endpoint(name).success for name in Plan().endpoints} == {True}
