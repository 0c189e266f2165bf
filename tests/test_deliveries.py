"""Deliveries: what a later export adds, corrects and leaves out."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest
from deliveries_example import DROP, KEEP, KEY, Service, Tables, history, in_three, key_of, outputs, with_faults

from pipeline import flow
from pipeline.case_tables import TABLES
from pipeline.faults import NeedsMending
from pipeline.flow import Request, Work
from pipeline.identity import key_text
from synthetic_data.rows import valid_tables
from synthetic_data.service import invent


@pytest.fixture(autouse=True)
def _no_charts(monkeypatch: pytest.MonkeyPatch) -> None:
    """The page is all that the edition says, in words: drawing it takes longer than all else, and other tests look at it."""
    monkeypatch.setattr(flow, "strategy_page", repr)


@pytest.fixture
def service(tmp_path: Path) -> Service:
    return Service(tmp_path)


# The same export again


def test_running_the_same_export_again_changes_nothing(service: Service) -> None:
    first = service.deliver(invent(150, 3).tables)
    before, kept = outputs(service.out), history(service.out)
    again = service.run(service.folder / "export-1", day=date(2031, 1, 1))
    assert first.kept.new and not again.kept.new
    assert outputs(service.out) == before
    assert history(service.out) == kept
    assert again.kept.in_words() == "The same export as delivery 1: nothing new"


def test_another_plan_on_the_same_export_is_noted_and_adds_no_delivery(service: Service) -> None:
    service.deliver(invent(150, 3).tables)
    before = history(service.out)
    service.run(service.folder / "export-1", plan="level = 0.9")
    after = history(service.out)
    assert len(after.pop("runs")) == 2 and len(before.pop("runs")) == 1
    assert after == before


def test_the_order_of_an_exports_rows_makes_no_difference(service: Service, tmp_path: Path) -> None:
    tables = invent(200, 5).tables
    service.deliver(tables)
    other = Service(tmp_path / "other")
    other.folder.mkdir()
    other.deliver({name: frame.sample(fraction=1, shuffle=True, seed=1) for name, frame in tables.items()})
    for name in ("estimates", "counts"):
        assert (other.out / "results" / f"{name}.csv").read_bytes() == (
            service.out / "results" / f"{name}.csv"
        ).read_bytes(), name


def test_a_plan_that_was_given_before_and_is_not_now_is_told_in_one_line(service: Service) -> None:
    told: list[str] = []

    def told_by(plan: Path | None) -> list[str]:
        told.clear()
        flow.run(
            Request(service.folder / "export-1", service.out, plan=plan, key=KEY), engine="direct", tell=told.append
        )
        return [line for line in told if "default plan" in line]

    other = service.deliver(valid_tables(), "level = 0.9").plan
    assert told_by(service.folder / "plan.toml") == []
    assert told_by(None) == [f"No --plan: the default plan is used; delivery 1 was run with another ({other.hash[:8]})"]
    assert told_by(None) == []


# Additions and corrections


def test_a_later_delivery_adds_and_corrects_and_both_versions_of_a_lesion_stand_in_the_history(
    service: Service,
) -> None:
    service.deliver(valid_tables(lesions=[{"length_mm": 100.0}, {"length_mm": 80.0}]))
    work = service.deliver(valid_tables(lesions=[{"length_mm": 140.0}, {"length_mm": 80.0}, {}]))
    lesions = next(change for change in work.kept.changes if change.table == "lesions")
    assert (lesions.added, lesions.corrected, lesions.unchanged, lesions.withdrawn) == (1, 1, 1, 0)
    versions = service.sql(
        "SELECT length_mm, first_delivery, until_delivery FROM history.lesions "
        f"WHERE lesion_id = '{key_of('lesion_id', 'lesions-1')}' ORDER BY first_delivery"
    )
    assert versions == [(100.0, 1, 2), (140.0, 2, None)]
    assert service.sql("SELECT length_mm FROM checked.lesions ORDER BY length_mm") == [(80.0,), (120.0,), (140.0,)]
    assert service.csv("deliveries").filter(table="lesions").select("delivery", "added", "corrected").rows() == [
        (1, 2, 0),
        (2, 1, 1),
    ]


def test_a_row_that_does_not_change_is_not_written_again(service: Service) -> None:
    service.deliver(valid_tables())
    service.deliver(valid_tables(lesions=[{}, {}]))
    assert service.sql("SELECT count(*) FROM history.patients") == [(1,)]
    assert service.sql("SELECT count(*) FROM history.lesions") == [(2,)]


def test_a_row_set_aside_comes_into_use_when_the_row_that_it_hangs_on_arrives(service: Service) -> None:
    whole = valid_tables(patients=[{}, {}], procedures=[{}, {"patient_id": "patients-2"}])
    work = service.deliver(whole | {"patients": whole["patients"][:1]})
    assert dict(work.accepted.set_aside.select("table", "reason").rows()) == {
        "procedures": "its patient is not in the patients table"
    }
    work = service.deliver(
        {**{name: frame.clear() for name, frame in whole.items()}, "patients": whole["patients"][1:]}, KEEP
    )
    assert work.accepted.set_aside.is_empty()
    assert service.sql("SELECT count(*) FROM checked.procedures") == [(2,)]


def test_a_value_blanked_for_a_reference_that_led_nowhere_comes_back_when_the_row_arrives(service: Service) -> None:
    whole = valid_tables(
        attempts=[{"attempt_no": 1, "crossed": False}, {"attempt_no": 2}], complications=[{"attempt_id": "attempts-2"}]
    )
    service.deliver(whole | {"attempts": whole["attempts"][:1]})
    assert service.sql("SELECT attempt_id FROM checked.complications") == [(None,)]
    service.deliver({**{name: frame.clear() for name, frame in whole.items()}, "attempts": whole["attempts"][1:]}, KEEP)
    assert service.sql("SELECT attempt_id FROM checked.complications") == [(key_of("attempt_id", "attempts-2"),)]


def test_rows_that_contradicted_each_other_are_put_right_by_a_later_delivery(service: Service) -> None:
    torn = valid_tables(lesions=[{"length_mm": 100.0}, {"lesion_id": "lesions-1", "length_mm": 200.0}])
    work = service.deliver(torn)
    assert work.accepted.frames["lesions"].is_empty()
    again = service.deliver({**{n: f.clear() for n, f in torn.items()}, "patients": torn["patients"]}, KEEP)
    assert [c.set_aside for c in again.accepted.counts if c.table == "lesions"] == [2]
    work = service.deliver(valid_tables(lesions=[{"length_mm": 200.0}]), KEEP)
    assert work.accepted.frames["lesions"]["length_mm"].to_list() == [200.0]
    lesions = next(change for change in work.kept.changes if change.table == "lesions")
    assert (lesions.added, lesions.corrected) == (0, 1)


def test_what_was_wrong_with_a_row_of_an_earlier_delivery_is_still_told_without_a_row_number(service: Service) -> None:
    first = valid_tables(lesions=[{"length_mm": 5000.0}, {"segment": "thigh"}])
    service.deliver(first)
    work = service.deliver(
        {**{name: frame.clear() for name, frame in first.items()}, "patients": first["patients"]}, KEEP
    )
    assert work.accepted.blanked.select("table", "row", "column", "reason").rows() == [
        ("lesions", None, "length_mm", "length_mm is outside 1 to 900 mm")
    ]
    assert work.accepted.set_aside.select("table", "row", "reason").rows() == [
        ("lesions", None, "segment is not one of its codes")
    ]


# Rows that are no longer there


def test_rows_that_vanish_stop_the_run_until_the_plan_says_what_that_means(service: Service) -> None:
    service.deliver(valid_tables(lesions=[{}, {}, {}]))
    before, kept = outputs(service.out), history(service.out)
    with pytest.raises(NeedsMending) as fault:
        service.deliver(valid_tables(lesions=[{}]))
    (line,) = fault.value.lines
    assert "2 of 3 lesions" in line and 'withdrawn_rows = "keep"' in line and '"drop"' in line
    assert outputs(service.out) == before and history(service.out) == kept


@pytest.mark.parametrize(("plan", "what", "lesions"), [(KEEP, "kept", 3), (DROP, "dropped", 2)])
def test_withdrawn_rows_are_kept_or_dropped_as_the_plan_says_and_listed(
    plan: str, what: str, lesions: int, service: Service
) -> None:
    service.deliver(valid_tables(lesions=[{}, {}, {}]))
    work = service.deliver(valid_tables(lesions=[{}, {}]), plan)
    assert service.sql("SELECT count(*) FROM checked.lesions") == [(lesions,)]
    assert service.csv("withdrawn").rows() == [("lesions", key_of("lesion_id", "lesions-3"), 1, what)]
    assert service.csv("deliveries").filter(delivery=2, table="lesions")["withdrawn"].to_list() == [1]
    told = "1 earlier rows stay in use" if what == "kept" else "1 not in it and dropped"
    assert f", {told} (results/withdrawn.csv)" in work.kept.in_words()


def test_a_kept_row_tells_when_it_was_last_delivered_and_is_no_longer_listed_once_it_is_back(service: Service) -> None:
    three, two = valid_tables(lesions=[{}, {}, {}]), valid_tables(lesions=[{}, {}])
    service.deliver(three)
    service.deliver(two, KEEP)
    service.deliver(valid_tables(lesions=[{"length_mm": 33.0}, {}]), KEEP)
    assert service.csv("withdrawn").rows() == [("lesions", key_of("lesion_id", "lesions-3"), 1, "kept")]
    service.deliver(valid_tables(lesions=[{"length_mm": 44.0}, {}]), DROP)
    assert service.csv("withdrawn").rows() == [("lesions", key_of("lesion_id", "lesions-3"), 1, "dropped")]
    service.deliver(valid_tables(lesions=[{}, {}, {"length_mm": 11.0}]), DROP)
    assert service.csv("withdrawn").is_empty()


def test_a_row_set_aside_that_vanishes_is_withdrawn_like_any_other(service: Service) -> None:
    service.deliver(valid_tables(lesions=[{}, {"segment": "thigh"}]))
    work = service.deliver(valid_tables(lesions=[{}]), DROP)
    assert service.csv("withdrawn")["key"].to_list() == [key_of("lesion_id", "lesions-2")]
    assert work.accepted.set_aside.is_empty()


def test_a_line_without_a_key_is_of_its_own_delivery_alone(service: Service) -> None:
    service.deliver(valid_tables(lesions=[{}, {"lesion_id": None}]))
    work = service.deliver(valid_tables(lesions=[{"length_mm": 9.0}]))
    assert work.accepted.set_aside.is_empty() and service.csv("withdrawn").is_empty()


def test_an_export_that_has_nothing_in_common_looks_like_another_services(service: Service) -> None:
    service.deliver(invent(60, 1).tables)
    other = {
        name: frame.with_columns(pl.col("^(patient|procedure|lesion|attempt|complication|follow_up)_id$") + "x")
        for name, frame in invent(60, 2).tables.items()
    }
    for plan in ("", DROP):
        with pytest.raises(NeedsMending, match="as if it were another service's: choose another --out"):
            service.deliver(other, plan)
    assert service.deliver(other, KEEP).kept.delivery.number == 2


def under_running_numbers(tables: Tables) -> dict[str, pl.DataFrame]:
    """The same rows under keys 1, 2, ... in each table, as many services number theirs."""
    numbers = {}
    for one in TABLES:
        keys = tables[one.name][one.key].unique(maintain_order=True).drop_nulls()
        numbers[one.key] = {key: str(number) for number, key in enumerate(keys, start=1)}
    return {
        name: frame.with_columns(
            pl.col(key).replace_strict(new, default=None, return_dtype=pl.String)
            for key, new in numbers.items()
            if key in frame.columns
        )
        for name, frame in tables.items()
    }


@pytest.mark.parametrize("plan", ["", KEEP, DROP])
def test_another_service_with_the_same_running_numbers_does_not_replace_the_first(plan: str, service: Service) -> None:
    service.deliver(under_running_numbers(invent(80, 1).tables))
    before, kept = outputs(service.out), history(service.out)
    with pytest.raises(NeedsMending) as fault:
        service.deliver(under_running_numbers(invent(140, 2).tables), plan)
    (line,) = fault.value.lines
    assert "looks like another service's export under the same keys as delivery 1" in line
    assert line.endswith("choose another --out")
    assert outputs(service.out) == before and history(service.out) == kept


@pytest.mark.parametrize(
    ("name", "corrected"),
    [
        ("patients", [pl.col("birth_year") + 1]),
        ("procedures", [pl.col("procedure_date").dt.offset_by("-1d"), pl.lit("left").alias("side")]),
    ],
)
def test_a_column_corrected_in_every_row_is_not_taken_for_another_service(
    name: str, corrected: list[pl.Expr], service: Service
) -> None:
    tables = under_running_numbers(invent(80, 1).tables)
    service.deliver(tables)
    work = service.deliver(tables | {name: tables[name].with_columns(corrected)})
    change = next(change for change in work.kept.changes if change.table == name)
    assert change.corrected > 0.9 * tables[name].height


def test_a_mended_mapping_may_change_every_year_of_birth_and_every_date(service: Service) -> None:
    tables = under_running_numbers(invent(80, 1).tables)
    service.deliver({n: f.clear() for n, f in tables.items()} | {"patients": tables["patients"][:1]})
    wrong = dict(tables)
    wrong["patients"] = tables["patients"].with_columns(year=pl.col("birth_year") + 1)
    wrong["procedures"] = tables["procedures"].with_columns(
        day=pl.col("procedure_date").dt.offset_by("1d"), leg=pl.lit("left")
    )
    service.deliver(wrong)
    mapping = (
        "[patients]\ndrop = ['birth_year']\n[patients.columns]\nbirth_year = 'year'\n"
        "[procedures]\ndrop = ['procedure_date', 'side']\n[procedures.columns]\nprocedure_date = 'day'\nside = 'leg'\n"
    )
    assert service.run(service.folder / "export-2", mapping=mapping).kept.delivery.number == 3


def test_a_mended_mapping_reads_the_export_anew_and_makes_no_row_look_withdrawn(service: Service) -> None:
    tables = valid_tables(lesions=[{"length_mm": 12.0}, {"length_mm": 30.0}])
    service.deliver(tables)
    mapping = "[lesions.units]\nlength_mm = 'cm'\n[patients.constants]\nsex = 'male'\n"
    (service.folder / "export-1" / "patients.csv").write_text(tables["patients"].drop("sex").write_csv())
    service.run(service.folder / "export-1")  # another file: a delivery of its own
    work = service.run(service.folder / "export-1", mapping=mapping)
    assert work.kept.new and (work.kept.delivery.number, work.kept.delivery.laid_on) == (3, 1)
    assert service.sql("SELECT length_mm FROM checked.lesions ORDER BY ALL") == [(120.0,), (300.0,)]
    assert service.csv("withdrawn").is_empty()


def test_a_key_read_from_the_wrong_column_is_put_right_by_a_mended_mapping(service: Service) -> None:
    tables = valid_tables()
    tables["patients"] = tables["patients"].with_columns(chart=pl.lit("patients-9"))
    work = service.deliver(
        tables, mapping="[patients]\ndrop = ['patient_id']\n[patients.columns]\npatient_id = 'chart'\n"
    )
    assert work.accepted.frames["procedures"].is_empty()
    work = service.run(service.folder / "export-1", mapping="[patients]\ndrop = ['chart']\n")
    assert len(work.accepted.frames["procedures"]) == 1
    assert service.csv("withdrawn").is_empty()
    assert service.sql("SELECT count(*) FROM checked.patients") == [(1,)]


def test_the_plan_can_be_changed_on_the_same_export_and_dropped_rows_come_back(service: Service) -> None:
    service.deliver(valid_tables(lesions=[{}, {}]))
    service.deliver(valid_tables(lesions=[{}]), DROP)
    assert service.sql("SELECT count(*) FROM checked.lesions") == [(1,)]
    work = service.run(service.folder / "export-2", KEEP)
    assert work.kept.new and work.kept.delivery.number == 3
    assert service.sql("SELECT count(*) FROM checked.lesions") == [(2,)]
    assert not service.run(service.folder / "export-2", KEEP).kept.new


# Once or in parts


def test_three_exports_of_a_third_each_give_what_one_whole_export_gives(tmp_path: Path) -> None:
    tables = with_faults(invent(400, 11).tables)
    whole, growing, parts = (Service(tmp_path / name) for name in ("whole", "growing", "parts"))
    for one in (whole, growing, parts):
        one.folder.mkdir()
    day = date(2031, 5, 5)
    whole.deliver(tables, KEEP, day=day)
    for part in in_three(tables):
        parts.deliver(part, KEEP, day=day)
    so_far: dict[str, pl.DataFrame] = {}
    for part in in_three(tables):
        so_far = {n: pl.concat([so_far[n], f]).unique(maintain_order=True) if so_far else f for n, f in part.items()}
        growing.deliver(so_far, KEEP, day=day)
    for name in ("estimates", "counts"):
        expected = (whole.out / "results" / f"{name}.csv").read_bytes()
        assert (parts.out / "results" / f"{name}.csv").read_bytes() == expected, name
        assert (growing.out / "results" / f"{name}.csv").read_bytes() == expected, name
    listed = [one.csv("set_aside").drop("row").sort(pl.all()) for one in (whole, parts, growing)]
    assert listed[0].height > 10
    assert listed[0].equals(listed[1]) and listed[0].equals(listed[2])


def test_a_lesion_of_which_an_attempt_came_without_its_key_stays_in_doubt_until_it_is_delivered_again(
    service: Service,
) -> None:
    tries = [{"attempt_no": 1, "crossed": False}, {"attempt_no": 2}]
    whole = valid_tables(lesions=[{}], attempts=tries)
    lost = whole | {"attempts": whole["attempts"].with_columns(attempt_id=pl.Series(["attempts-1", None]))}
    other = {name: frame.clear() for name, frame in whole.items()} | {"patients": whole["patients"]}
    doubted = [key_of("lesion_id", "lesions-1")]

    def in_doubt(work: Work) -> list[str]:
        return key_text("lesion_id", work.accepted.lesions_in_doubt).to_list()

    assert in_doubt(service.deliver(lost)) == doubted
    for sex in ("male", "female"):  # carried from the delivery before, and from the one before that
        other["patients"] = whole["patients"].with_columns(sex=pl.lit(sex))
        work = service.deliver(other, KEEP)
        assert in_doubt(work) == doubted
        assert work.accepted.set_aside.is_empty()
        assert in_doubt(service.run(service.folder / f"export-{service.exports}", KEEP)) == doubted
    assert in_doubt(service.deliver(other | {"attempts": whole["attempts"]}, KEEP)) == []
    assert service.sql("SELECT delivery, without_key FROM history.in_doubt ORDER BY ALL") == [
        (1, True),
        (2, True),
        (3, True),
    ]


def test_a_lesion_in_doubt_for_an_attempt_with_a_key_is_so_only_while_that_attempt_is_set_aside(
    service: Service,
) -> None:
    whole = valid_tables(lesions=[{}], attempts=[{"crossed": None}])
    service.deliver(whole)
    other = {name: frame.clear() for name, frame in whole.items()} | {"lesions": whole["lesions"]}
    assert len(service.deliver(other, KEEP).accepted.lesions_in_doubt) == 1
    mended = other | {"attempts": valid_tables(lesions=[{}])["attempts"]}
    assert service.deliver(mended, KEEP).accepted.lesions_in_doubt.is_empty()


def test_attempts_without_a_key_count_alike_in_three_exports_and_in_one(tmp_path: Path) -> None:
    tables = invent(300, 3).tables
    second = tables["attempts"].filter(attempt_no=2, crossed=True)["lesion_id"].head(12)
    assert len(second) == 12
    here = pl.col("lesion_id").is_in(second.implode()) & (pl.col("attempt_no") == 2)
    tables["attempts"] = tables["attempts"].with_columns(attempt_id=pl.when(~here).then("attempt_id"))
    whole, parts = Service(tmp_path / "whole"), Service(tmp_path / "parts")
    for one in (whole, parts):
        one.folder.mkdir()
    whole.deliver(tables, KEEP)
    for part in in_three(tables):
        parts.deliver(part, KEEP)
    expected = (whole.out / "results" / "estimates.csv").read_bytes()
    assert (parts.out / "results" / "estimates.csv").read_bytes() == expected
    flows = [one.csv("counts").filter(stage="analysis") for one in (whole, parts)]
    assert flows[0].height > 3 and flows[0].equals(flows[1])
