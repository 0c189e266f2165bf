"""What each feature says of a lesion. Expected values without a source are the definitions in docs/features.md."""

from collections.abc import Mapping
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_service import Case, tables

from pipeline.bands import bands
from pipeline.case_tables import ATTEMPTS, table
from pipeline.derive import derive
from pipeline.features import FEATURES, feature, levels_of
from pipeline.features_page import features_page
from pipeline.plan import Plan
from pipeline.published_grades import GLASS_STAGE, WIFI_STAGE

DAY = date(2025, 3, 10)


def seen(
    name: str,
    *,
    lesion: Mapping[str, object] | None = None,
    procedure: Mapping[str, object] | None = None,
    patient: Mapping[str, object] | None = None,
    plan: Plan | None = None,
) -> object:
    """The feature of the one lesion so described."""
    case = Case(lesion=lesion or {}, procedure=procedure or {}, patient=patient or {})
    return derive(tables(case), plan or Plan()).lesions.get_column(name).item()


@pytest.mark.parametrize("status", ["none", "patent", "occluded"])
def test_a_bypass_graft_is_told_apart_as_none_patent_or_occluded(status: str) -> None:
    assert seen("prior_bypass", lesion={"prior_bypass": status}) == status


@pytest.mark.parametrize(
    ("length_mm", "band"),
    [
        (99.9, "under_100"),
        (100.0, "100_to_199"),
        (199.9, "100_to_199"),
        (200.0, "200_or_more"),
        (400.0, "200_or_more"),
        (None, None),
    ],
)
def test_a_length_at_a_limit_belongs_to_the_longer_band(length_mm: float | None, band: str | None) -> None:
    assert seen("length_band", lesion={"length_mm": length_mm}) == band


def test_the_length_bands_are_the_plans() -> None:
    plan = Plan(length_bands_mm=(50.0, 62.5, 300.0))
    codes = [level.code for level in levels_of(feature("length_band"), plan, pl.DataFrame())]
    assert codes == ["under_50", "50_to_under_62.5", "62.5_to_299", "300_or_more"]
    assert [seen("length_band", lesion={"length_mm": mm}, plan=plan) for mm in (49.0, 50.0, 62.5, 300.0)] == codes


def test_bands_are_printed_in_words() -> None:
    assert [band.label for band in bands((100.0, 200.0), "mm", whole=False)] == [
        "under 100 mm",
        "100 to under 200 mm",
        "200 mm or more",
    ]
    assert [band.label for band in bands((65, 75), "years", whole=True)] == [
        "under 65 years",
        "65 to 74 years",
        "75 years or more",
    ]


@pytest.mark.parametrize(
    ("scale", "grade", "level"),
    [
        ("pacss", "0", "none"),
        ("pacss", "1", "mild"),
        ("pacss", "2", "mild"),
        ("pacss", "3", "moderate"),
        ("pacss", "4", "severe"),
        ("parc", "none", "none"),
        ("parc", "focal", "mild"),
        ("parc", "mild", "mild"),
        ("parc", "moderate", "moderate"),
        ("parc", "severe", "severe"),
        ("descriptive", "moderate", "moderate"),
    ],
)
def test_calcium_is_brought_from_three_scales_to_one(scale: str, grade: str, level: str) -> None:
    assert seen("calcium", lesion={"calcium_scale": scale, "calcium_grade": grade}) == level


@pytest.mark.parametrize(
    ("scale", "grade"),
    [
        ("pacss", None),
        (None, "severe"),
        (None, None),
        ("pacss", "5"),
        ("pacss", "34"),
        ("pacss", "severe"),
        ("parc", "4"),
        ("descriptive", "focal"),
    ],
)
def test_calcium_that_is_missing_or_not_of_its_scale_is_unknown_and_not_none(
    scale: str | None, grade: str | None
) -> None:
    assert seen("calcium", lesion={"calcium_scale": scale, "calcium_grade": grade}) is None


def in_order_of_cases(lesions: pl.DataFrame) -> pl.DataFrame:
    return lesions.sort(pl.col("lesion_id").str.slice(1).cast(pl.Int64))


def test_the_wifi_stage_of_every_combination_is_the_published_one() -> None:
    # J Vasc Surg 2014;59:220-234, by way of test_published_grades.py
    cells = list(WIFI_STAGE)
    cases = [Case(procedure={"wound": w, "ischemia": i, "foot_infection": f}) for w, i, f in cells]
    found = in_order_of_cases(derive(tables(*cases), Plan()).lesions).get_column("wifi_stage").to_list()
    assert found == [str(WIFI_STAGE[cell]) for cell in cells]


@pytest.mark.parametrize("missing", ["wound", "ischemia", "foot_infection"])
def test_a_wifi_stage_is_unknown_when_one_grade_is_missing(missing: str) -> None:
    grades = {"wound": 3, "ischemia": 3, "foot_infection": 3}
    assert seen("wifi_stage", procedure=grades) == "4"
    assert seen("wifi_stage", procedure={**grades, missing: None}) is None


def test_the_glass_stage_of_every_pair_of_grades_is_the_published_one() -> None:
    # J Vasc Surg 2019;69(6S):3S-125S, by way of test_published_grades.py
    cells = list(GLASS_STAGE)
    cases = [Case(lesion={"fp_grade": fp, "ip_grade": ip}) for fp, ip in cells]
    found = in_order_of_cases(derive(tables(*cases), Plan()).lesions).get_column("glass_stage").to_list()
    assert found == [GLASS_STAGE[cell] for cell in cells]
    assert found.count(None) == 1  # both grades 0: not applicable, not stage I


@pytest.mark.parametrize("missing", ["fp_grade", "ip_grade"])
def test_a_glass_stage_is_unknown_when_one_grade_is_missing_even_where_the_other_would_decide(missing: str) -> None:
    grades: dict[str, object] = {"fp_grade": 4, "ip_grade": 4}
    assert seen("glass_stage", lesion={**grades, missing: None}) is None


# Source arteries: Plast Reconstr Surg 2006;117(7 Suppl):261S-293S
@pytest.mark.parametrize(
    ("segment", "fed"),
    [
        ("anterior_tibial", {"dorsalis_pedis"}),
        ("dorsalis_pedis", {"dorsalis_pedis"}),
        ("posterior_tibial", {"medial_plantar", "lateral_plantar", "medial_calcaneal"}),
        ("plantar", {"medial_plantar", "lateral_plantar", "medial_calcaneal"}),
        ("peroneal", {"lateral_calcaneal", "anterior_perforator"}),
    ],
)
def test_a_treated_artery_feeds_the_angiosomes_of_its_source_artery_directly_and_no_other(
    segment: str, fed: set[str]
) -> None:
    angiosomes = table("lesions").column("target_angiosome").codes
    found = {a: seen("direct", lesion={"segment": segment, "target_angiosome": a}) for a in angiosomes}
    assert found == {a: a in fed for a in angiosomes}


@pytest.mark.parametrize("segment", ["superficial_femoral", "popliteal", "tibioperoneal_trunk"])
def test_inflow_is_neither_direct_nor_indirect(segment: str) -> None:
    assert seen("direct", lesion={"segment": segment, "target_angiosome": "medial_plantar"}) is None


def test_direct_is_unknown_when_the_angiosome_is_not_recorded() -> None:
    assert seen("direct", lesion={"segment": "peroneal", "target_angiosome": None}) is None


@pytest.mark.parametrize(("segment", "below"), [("popliteal", False), ("tibioperoneal_trunk", True), ("plantar", True)])
def test_the_arteries_below_the_knee_begin_with_the_tibioperoneal_trunk(segment: str, below: bool) -> None:
    assert seen("below_knee", lesion={"segment": segment}) is below


@pytest.mark.parametrize(("category", "loss"), [(4, False), (5, True), (6, True), (None, None)])
def test_tissue_loss_begins_with_rutherford_category_5(category: int | None, loss: bool | None) -> None:
    # J Vasc Surg 1997;26:517-538
    assert seen("tissue_loss", procedure={"rutherford": category}) is loss


@pytest.mark.parametrize(
    ("birth_year", "age", "band"),
    [(1961, 64, "under_65"), (1960, 65, "65_to_74"), (1940, 85, "85_or_more"), (1936, 89, "85_or_more")],
)
def test_age_is_counted_in_the_year_of_the_procedure(birth_year: int, age: int, band: str) -> None:
    assert seen("age_years", patient={"birth_year": birth_year}) == age
    assert seen("age_band", patient={"birth_year": birth_year}) == band


@pytest.mark.parametrize("birth_year", [1935, 1934, 1920])
def test_everyone_of_90_or_more_is_told_as_90(birth_year: int) -> None:
    # 45 CFR 164.514(b)(2)(i)(C): ages over 89 only as one category of 90 or older
    assert seen("age_years", patient={"birth_year": birth_year}) == 90


def test_the_last_band_of_age_says_that_it_is_open() -> None:
    plan = Plan(age_bands_years=(75, 90))
    levels = feature("age_band").levels
    assert levels is not None
    assert [level.label for level in levels(plan)] == ["under 75 years", "75 to 89 years", "90 years or more"]


def test_a_birth_after_the_procedure_gives_no_age() -> None:
    assert seen("age_years", patient={"birth_year": 2026}) is None
    assert seen("age_band", patient={"birth_year": 2026}) is None


BELOW, ABOVE = (("retrograde", True),), (("antegrade", True),)


def practice(cases: list[Case]) -> list[float | None]:
    """The operator's earlier lesions started from below, in the order of the cases."""
    lesions = derive(tables(*cases), Plan()).lesions
    counted = dict(lesions.select("lesion_id", "operator_retrograde_before").iter_rows())
    return [counted.get(f"L{number}") for number in range(len(cases))]


def on(day: int, operator: str | None = "a") -> dict[str, object]:
    return {"procedure_date": DAY + timedelta(days=day), "operator_id": operator}


def test_an_operators_practice_from_below_counts_earlier_days_only() -> None:
    cases = [
        Case(BELOW, procedure=on(0)),
        Case(BELOW, procedure=on(1)),
        Case(ABOVE, procedure=on(1)),  # the same day as the one before: only day 0 counts
        Case(ABOVE, procedure=on(2)),
        Case(BELOW, procedure=on(2, "b")),
    ]
    assert practice(cases) == [0, 1, 1, 2, 0]


def test_a_bailout_from_below_is_not_practice_in_starting_from_below() -> None:
    bailout = (("antegrade", False), ("retrograde", True))
    assert practice([Case(bailout, procedure=on(0)), Case(ABOVE, procedure=on(1))]) == [0, 0]


def test_the_practice_of_an_unknown_operator_is_unknown() -> None:
    cases = [Case(BELOW, procedure=on(0, None)), Case(BELOW, procedure=on(1, None))]
    assert practice(cases) == [None, None]


def test_practice_counts_lesions_that_the_plan_does_not_compare() -> None:
    cases = [
        Case(BELOW, procedure=on(0), lesion={"segment": "popliteal"}),
        Case(ABOVE, procedure=on(1), lesion={"segment": "peroneal"}),
    ]
    plan = Plan.model_validate({"eligibility": {"segments": ("peroneal",)}})
    assert derive(tables(*cases), plan).lesions.get_column("operator_retrograde_before").to_list() == [1]


lesion_draws = st.lists(
    st.tuples(
        st.integers(0, 5),
        st.sampled_from(["a", "b", None]),
        st.sampled_from([BELOW, ABOVE, (("antegrade", False), ("retrograde", True)), ()]),
    ),
    min_size=1,
    max_size=12,
)


@given(lesion_draws)
@settings(max_examples=60, deadline=None)
def test_practice_from_below_equals_a_plain_count(
    drawn: list[tuple[int, str | None, tuple[tuple[str, bool], ...]]],
) -> None:
    cases = [Case(attempts, procedure=on(day, operator)) for day, operator, attempts in drawn]
    expected = [
        None
        if operator is None or not attempts
        else sum(1 for d, o, a in drawn if o == operator and d < day and a and a[0][0] == "retrograde")
        for day, operator, attempts in drawn
    ]
    assert practice(cases) == expected


def test_time_is_measured_in_years_from_the_first_procedure() -> None:
    cases = [Case(procedure=on(731)), Case(procedure=on(0))]
    found = derive(tables(*cases), Plan()).lesions.get_column("calendar_years").to_list()
    assert found == [0, pytest.approx(731 / 365.25)]


def test_nothing_that_happens_after_the_first_puncture_is_a_feature() -> None:
    # An adjusted mediator would take away part of the approach's effect (Hernan and Robins, Causal Inference: What If).
    later = set(ATTEMPTS.column_names) | {"duration_min", "fluoroscopy_min", "air_kerma_mgy", "contrast_ml"}
    assert not later & {f.name for f in FEATURES}
    before = pl.DataFrame(
        schema={n: pl.String for t in ("patients", "procedures", "lesions") for n in table(t).column_names}
    )
    known = set(before.columns) - later | {
        "first_approach"
    }  # first_approach only to count an operator's earlier lesions
    for f in FEATURES:
        used = set(f.derive(Plan()).meta.root_names())
        assert used <= known, f.name
        assert ("first_approach" in used) == (f.name == "operator_retrograde_before")


def test_every_feature_says_why_it_is_adjusted_for_or_why_not() -> None:
    for f in FEATURES:
        assert (f.adjust_because is None) != (f.not_adjusted_because is None), f.name
        reason = f.adjust_because or f.not_adjusted_because or ""
        assert reason.endswith("."), f.name
        assert not (f.adjust_because and f.balance_looked_at), f.name
    assert len({f.name for f in FEATURES}) == len(FEATURES)


def test_every_feature_has_the_type_its_kind_promises_and_only_levels_it_names() -> None:
    wanted = {"number": pl.Float64, "category": pl.String, "flag": pl.Boolean}
    full = {
        "calcium_scale": "pacss",
        "calcium_grade": "3",
        "proximal_cap": "convex",
        "distal_cap": "concave",
        "prior_bypass": "none",
        "target_angiosome": "dorsalis_pedis",
        "fp_grade": 2,
        "ip_grade": 3,
        "pedal_grade": 1,
    }
    limb = {
        "wound": 1,
        "ischemia": 2,
        "foot_infection": 0,
        "urgency": "elective",
        "prior_revascularization": "none",
    }
    person = {"coronary_disease": True, "heart_failure": False, "ambulatory": True}
    lesions = derive(tables(Case(lesion=full, procedure=limb, patient=person)), Plan()).lesions
    for f in FEATURES:
        assert lesions.schema[f.name] == wanted[f.kind], f.name
        value = lesions.get_column(f.name).cast(pl.String).item()
        assert value is not None, f.name
        if f.kind != "number":
            assert value in [level.code for level in levels_of(f, Plan(), lesions)], f.name


def test_operators_come_in_order_of_their_first_procedure_whatever_they_are_called() -> None:
    cases = [Case(procedure=on(2, "a")), Case(procedure=on(0, "z")), Case(procedure=on(1, "m"))]
    lesions = derive(tables(*cases), Plan()).lesions
    assert [level.code for level in levels_of(feature("operator_id"), Plan(), lesions)] == ["z", "m", "a"]


def test_the_features_page_says_what_the_code_says() -> None:
    page = (Path(__file__).parent.parent / "docs" / "features.md").read_text(encoding="utf-8")
    assert page == features_page(Plan()) + "\n", "write it again: python -m pipeline.features_page > docs/features.md"
