"""The invented service is plausible to a vascular specialist.

Bands marked "check band" are the smallest and largest values of published series of retrograde access (Welling 2018, Schmidt
2019 and others, read in abstracts). Other bands are common practice, no source, unless a source stands beside them.
"""

from __future__ import annotations

import polars as pl
import pytest

from synthetic_data.service import Service, invent


@pytest.fixture(scope="module")
def demo() -> Service:
    return invent(2000, 1)


@pytest.fixture(scope="module")
def large() -> Service:
    """So many lesions that a share is known to about half a point."""
    return invent(20_000, 3)


def first_attempts(service: Service) -> pl.DataFrame:
    return service.tables["attempts"].filter(pl.col("attempt_no") == 1)


def with_procedure(service: Service) -> pl.DataFrame:
    return service.tables["lesions"].join(
        service.tables["procedures"], on="procedure_id", how="left", maintain_order="left"
    )


def test_about_one_in_five_first_attempts_from_above_fails(large: Service) -> None:
    first = first_attempts(large)
    assert 0.18 < 1 - first.filter(pl.col("approach") == "antegrade")["crossed"].mean() < 0.24
    assert 0.75 < first.filter(pl.col("approach") == "retrograde")["crossed"].mean() < 0.85


def test_attempts_from_below_lie_within_the_published_check_bands(large: Service) -> None:
    below = large.tables["attempts"].filter(pl.col("approach") == "retrograde")
    assert 0.826 < below["access_gained"].mean() < 1.0  # check band: puncture success
    assert 0.75 < below["crossed"].mean() < 0.954  # check band: crossing
    harm = large.tables["complications"].join(below, on="attempt_id")
    site = harm.filter(
        pl.col("kind").is_in(["access_hematoma", "pseudoaneurysm", "arteriovenous_fistula", "access_vessel_occlusion"])
    )
    assert 0.033 < site["attempt_id"].n_unique() / below.height < 0.041  # check band: puncture-site complication
    assert harm.filter(pl.col("kind") == "perforation").height / below.height < 0.011  # check band: perforation


def test_caps_are_shared_out_as_in_300_femoropopliteal_occlusions(large: Service) -> None:
    # Bernardini 2022: types I to IV were 9, 61, 8 and 22 %; how the types pair the caps is from memory.
    published = {
        ("concave", "convex"): 0.09,
        ("concave", "concave"): 0.61,
        ("convex", "convex"): 0.08,
        ("convex", "concave"): 0.22,
    }
    counted = large.truth.group_by("proximal_cap", "distal_cap").len()
    for proximal, distal, number in counted.iter_rows():
        assert number / large.truth.height == pytest.approx(published[proximal, distal], abs=0.03)


def test_patients_limbs_and_sessions_are_in_proportion(large: Service) -> None:
    tables = large.tables
    assert 1.35 < tables["lesions"].height / tables["patients"].height < 1.45
    limbs = tables["procedures"].group_by("patient_id").agg(pl.col("side").n_unique(), pl.len())
    assert 0.05 < (limbs["side"] == 2).mean() < 0.15
    assert 0.10 < (limbs["len"] > 1).mean() < 0.25
    age = (
        tables["procedures"]
        .join(tables["patients"], on="patient_id")
        .select(pl.col("procedure_date").dt.year() - pl.col("birth_year"))
    )
    assert age.to_series().drop_nulls().is_between(50, 96).all()
    assert str(tables["procedures"]["procedure_date"].min()) >= "2023-01-02"
    assert str(tables["procedures"]["procedure_date"].max()) <= "2025-12-31"
    assert tables["lesions"].filter(pl.struct("procedure_id", "segment").is_duplicated()).height == 0


def test_two_sites_share_nine_operators_and_one_site_writes_its_plan_down(demo: Service) -> None:
    procedures = demo.tables["procedures"]
    assert procedures["operator_id"].n_unique() == 9
    planned = procedures.drop_nulls("planned_approach")
    assert planned["site_id"].n_unique() == 1
    assert procedures["site_id"].n_unique() == 2
    one_lesion = demo.tables["lesions"].filter(pl.col("procedure_id").is_unique()).join(planned, on="procedure_id")
    done = one_lesion.join(first_attempts(demo), on="lesion_id")
    assert 0.85 < (done["planned_approach"] == done["approach"]).mean() < 0.97


def test_lengths_and_calcium_are_those_of_their_segments_and_patients(large: Service) -> None:
    median = dict(large.tables["lesions"].group_by("segment").agg(pl.col("length_mm").median()).iter_rows())
    assert median["superficial_femoral"] > median["anterior_tibial"] > median["popliteal"] > median["dorsalis_pedis"]
    assert 100 < large.tables["lesions"]["length_mm"].median() < 150
    severe = dict(large.truth.group_by("renal").agg((pl.col("calcium") == "severe").mean()).iter_rows())
    assert severe["dialysis"] > severe["normal"] + 0.10
    assert 0.15 < (large.truth["calcium"] == "severe").mean() < 0.28  # 17-28 % by scale in Bernardini 2022


def test_toe_pressure_sets_the_ischemia_grade(large: Service) -> None:
    # WIfI, Mills 2014: 60, 40 and 30 mmHg.
    known = large.tables["procedures"].drop_nulls(["toe_pressure_mmhg", "ischemia"])
    toe = pl.col("toe_pressure_mmhg")
    grade = known.select(
        pl.when(toe >= 60).then(0).when(toe >= 40).then(1).when(toe >= 30).then(2).otherwise(3)
    ).to_series()
    assert (grade == known["ischemia"]).all()
    stiff = (
        known.join(large.tables["patients"], on="patient_id")
        .group_by(pl.col("renal") == "dialysis")
        .agg((pl.col("abi") > 1.3).mean())
    )
    share = dict(stiff.drop_nulls("renal").iter_rows())
    assert share[True] > 1.5 * share[False]


def test_glass_grades_agree_with_the_occlusion(large: Service) -> None:
    # GLASS, Conte 2019: any popliteal occlusion is FP 4, any of the trunk IP 4, a superficial femoral one over 20 cm FP 4.
    lesion = large.tables["lesions"]
    assert set(lesion.filter(pl.col("segment") == "popliteal")["fp_grade"].drop_nulls()) == {4}
    assert set(lesion.filter(pl.col("segment") == "tibioperoneal_trunk")["ip_grade"].drop_nulls()) == {4}
    long = lesion.filter((pl.col("segment") == "superficial_femoral") & (pl.col("length_mm") > 200))
    assert set(long["fp_grade"].drop_nulls()) == {4}


def test_radiation_and_contrast_are_those_of_such_sessions(large: Service) -> None:
    session = large.tables["procedures"]
    kerma = session["air_kerma_mgy"].drop_nulls()
    assert 300 < kerma.median() < 900
    assert 0.001 < (kerma >= 5000).mean() < 0.02  # substantial dose level, NCRP 168
    assert 40 < session["contrast_ml"].median() < 120
    tries = large.tables["attempts"].join(large.tables["lesions"], on="lesion_id").group_by("procedure_id").len()
    dose = (
        session.join(tries, on="procedure_id")
        .group_by(pl.col("len") > 1)
        .agg(pl.col("air_kerma_mgy").median())
        .sort("len")
    )
    assert dose["air_kerma_mgy"][1] > 1.3 * dose["air_kerma_mgy"][0]


def test_complications_are_as_frequent_as_expected_and_rise_over_the_years(large: Service) -> None:
    sessions, harm = large.tables["procedures"], large.tables["complications"]
    harmed = sessions.select(
        "procedure_date", pl.col("procedure_id").is_in(harm["procedure_id"].implode()).alias("harmed")
    )
    assert 0.08 < harmed["harmed"].mean() < 0.12
    by_year = harmed.group_by(pl.col("procedure_date").dt.year()).agg(pl.col("harmed").mean()).sort("procedure_date")
    assert by_year["harmed"][2] > by_year["harmed"][0] + 0.01
    below = harm.join(large.tables["attempts"], on="attempt_id").filter(pl.col("kind") == "access_vessel_occlusion")
    assert (below["approach"] == "retrograde").mean() > 0.7
    dated = harm.join(sessions, on="procedure_id")
    assert (dated["complication_date"] >= dated["procedure_date"]).all()


def within_a_year(service: Service, event: str, keys: list[str]) -> float:
    start = service.tables["procedures"].group_by(keys).agg(pl.col("procedure_date").min().alias("start"))
    when = service.tables["follow_up"].filter(pl.col("event") == event).group_by(keys).agg(pl.col("event_date").min())
    followed = start.filter(pl.col("start") <= pl.date(2024, 12, 31)).join(when, on=keys, how="left")
    soon = (followed["event_date"] - followed["start"]).dt.total_days() <= 365
    return float(soon.fill_null(value=False).mean())


def test_limb_loss_and_death_within_a_year_are_those_of_limb_threatening_ischemia(large: Service) -> None:
    assert 0.08 < within_a_year(large, "major_amputation", ["patient_id", "side"]) < 0.12
    assert 0.15 < within_a_year(large, "death", ["patient_id"]) < 0.21


def test_a_limb_that_was_opened_is_lost_less_often(large: Service) -> None:
    opened = (
        large.tables["attempts"]
        .group_by("lesion_id")
        .agg(pl.col("crossed").any())
        .join(with_procedure(large), on="lesion_id")
        .group_by("patient_id", "side")
        .agg(pl.col("crossed").any())
    )
    lost = (
        large.tables["follow_up"]
        .filter(pl.col("event") == "major_amputation")
        .select("patient_id", "side", pl.lit(1).alias("lost"))
    )
    rate = (
        opened.join(lost, on=["patient_id", "side"], how="left")
        .group_by("crossed")
        .agg(pl.col("lost").fill_null(0).mean())
    )
    rates = dict(rate.iter_rows())
    assert rates[True] < 0.75 * rates[False]


def test_nothing_of_a_patient_follows_death_and_nothing_is_done_to_a_lost_limb(large: Service) -> None:
    rows_ = large.tables["follow_up"]
    death = rows_.filter(pl.col("event") == "death").select("patient_id", pl.col("event_date").alias("died"))
    assert death["patient_id"].is_unique().all()
    for name, day in (("follow_up", "event_date"), ("procedures", "procedure_date")):
        later = large.tables[name].join(death, on="patient_id").filter(pl.col(day) > pl.col("died"))
        assert later.height == 0, name
    last = rows_.group_by("patient_id", maintain_order=True).last().join(death, on="patient_id")
    assert (last["event"] == "death").all()  # the last row of whoever died
    lost = rows_.filter(pl.col("event") == "major_amputation").select(
        "patient_id", "side", pl.col("event_date").alias("lost")
    )
    after = rows_.join(lost, on=["patient_id", "side"]).filter(pl.col("event_date") > pl.col("lost"))
    assert set(after["event"]) <= {"seen"}
    operated = large.tables["procedures"].join(lost, on=["patient_id", "side"])
    assert (operated["procedure_date"] < operated["lost"]).all()
