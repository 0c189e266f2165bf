"""Deliveries: what a later export adds, corrects and leaves out, and every earlier report again."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline import flow
from pipeline.as_of import rebuild
from pipeline.faults import NeedsMending
from pipeline.flow import Request, Work
from pipeline.identity import key_text, pseudonyms
from synthetic_data.rows import valid_tables
from synthetic_data.service import invent

KEY = b"a key for tests, sixteen and more"
Tables = Mapping[str, pl.DataFrame]


@pytest.fixture(autouse=True)
def _no_charts(monkeypatch: pytest.MonkeyPatch) -> None:
    """The page is all that the edition says, in words: drawing it takes longer than all else, and other tests look at it."""
    monkeypatch.setattr(flow, "strategy_page", repr)


@dataclass
class Service:
    """A service that delivers into one folder, each export from a folder of its own."""

    folder: Path
    out: Path = field(init=False)
    exports: int = 0

    def __post_init__(self) -> None:
        self.out = self.folder / "out"

    def deliver(
        self, tables: Tables, plan: str = "", mapping: str = "", key: bytes = KEY, day: date | None = None
    ) -> Work:
        self.exports += 1
        export = self.folder / f"export-{self.exports}"
        export.mkdir()
        for name, frame in tables.items():
            frame.write_csv(export / f"{name}.csv")
        return self.run(export, plan, mapping, key, day)

    def run(
        self, export: Path, plan: str = "", mapping: str = "", key: bytes = KEY, day: date | None = None, **more: bool
    ) -> Work:
        request = Request(
            export,
            self.out,
            mapping=self._written("mapping.toml", mapping),
            plan=self._written("plan.toml", plan),
            key=key,
            received=day,
            **more,
        )
        return flow.run(request, engine="direct")

    def _written(self, name: str, text: str) -> Path | None:
        if not text:
            return None
        (self.folder / name).write_text(text, encoding="utf-8")
        return self.folder / name

    def csv(self, name: str) -> pl.DataFrame:
        return pl.read_csv(self.out / "results" / f"{name}.csv")

    def sql(self, query: str) -> list[tuple[object, ...]]:
        with duckdb.connect(str(self.out / "service.duckdb"), read_only=True) as connection:
            return connection.sql(query).fetchall()


KEEP, DROP = 'withdrawn_rows = "keep"', 'withdrawn_rows = "drop"'


@pytest.fixture
def service(tmp_path: Path) -> Service:
    return Service(tmp_path)


def outputs(out: Path) -> dict[str, bytes]:
    """What must be the same to the last byte: every results file, the report and the edition."""
    found = {f"results/{path.name}": path.read_bytes() for path in (out / "results").glob("*.csv")}
    found |= {f"report/{path.name}": path.read_bytes() for path in (out / "report").iterdir()}
    return found | {"edition.json": (out / "edition.json").read_bytes()}


def history(out: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every line of every table of the history."""
    with duckdb.connect(str(out / "service.duckdb"), read_only=True) as connection:
        names = connection.sql("SELECT table_name FROM duckdb_tables() WHERE schema_name = 'history'").fetchall()
        return {name: sorted(connection.sql(f"FROM history.{name}").fetchall(), key=repr) for (name,) in names}


def key_of(column: str, value: str) -> str:
    return key_text(column, pseudonyms(pl.Series(column, [value]), column, KEY))[0]


def rows_of(tables: Tables, where: pl.Expr) -> dict[str, pl.DataFrame]:
    """The procedures that fulfil a condition, with all that belongs to them."""
    procedures = tables["procedures"].filter(where)
    lesions = tables["lesions"].join(procedures, on="procedure_id", how="semi", maintain_order="left")
    return {
        "patients": tables["patients"].join(procedures, on="patient_id", how="semi", maintain_order="left"),
        "procedures": procedures,
        "lesions": lesions,
        "attempts": tables["attempts"].join(lesions, on="lesion_id", how="semi", maintain_order="left"),
        "complications": tables["complications"].join(procedures, on="procedure_id", how="semi", maintain_order="left"),
    }


def in_three(tables: Tables) -> list[dict[str, pl.DataFrame]]:
    """A service's tables as three exports, each with the procedures of a third of the time and the follow-up of a third."""
    days = tables["procedures"]["procedure_date"].sort()
    first, second = days[len(days) // 3], days[2 * len(days) // 3]
    day = pl.col("procedure_date")
    parts = [rows_of(tables, day < first), rows_of(tables, day.is_between(first, second, closed="left"))]
    parts.append(rows_of(tables, day >= second))
    never_treated = tables["patients"].join(tables["procedures"], on="patient_id", how="anti", maintain_order="left")
    parts[0]["patients"] = pl.concat([parts[0]["patients"], never_treated])
    contacts = tables["follow_up"]
    size = len(contacts) // 3
    for number, part in enumerate(parts):
        part["follow_up"] = contacts[number * size : None if number == 2 else (number + 1) * size]
    return parts


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
    assert f"1 not in it and {what}" in work.kept.in_words()


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
    tables = _with_faults(invent(400, 11).tables)
    whole, growing, parts = (Service(tmp_path / name) for name in ("whole", "growing", "parts"))
    for one in (whole, growing, parts):
        one.folder.mkdir()
    day = date(2031, 5, 5)
    whole.deliver(tables, day=day)
    for part in in_three(tables):
        parts.deliver(part, KEEP, day=day)
    so_far: dict[str, pl.DataFrame] = {}
    for part in in_three(tables):
        so_far = {n: pl.concat([so_far[n], f]).unique(maintain_order=True) if so_far else f for n, f in part.items()}
        growing.deliver(so_far, day=day)
    for name in ("estimates", "counts"):
        expected = (whole.out / "results" / f"{name}.csv").read_bytes()
        assert (parts.out / "results" / f"{name}.csv").read_bytes() == expected, name
        assert (growing.out / "results" / f"{name}.csv").read_bytes() == expected, name
    listed = [one.csv("set_aside").drop("row").sort(pl.all()) for one in (whole, parts, growing)]
    assert listed[0].height > 10
    assert listed[0].equals(listed[1]) and listed[0].equals(listed[2])


def _with_faults(tables: Tables) -> dict[str, pl.DataFrame]:
    """Some lengths out of limits, some attempts without their outcome, a procedure without a patient."""
    number = pl.int_range(pl.len())
    lesions = tables["lesions"].with_columns(
        length_mm=pl.when(number % 50 == 7).then(5000.0).otherwise("length_mm"),
        segment=pl.when(number % 90 == 11).then(pl.lit("thigh")).otherwise("segment"),
    )
    attempts = tables["attempts"].with_columns(crossed=pl.when(number % 60 != 13).then("crossed"))
    procedures = tables["procedures"].with_columns(
        patient_id=pl.when(number == 5).then(pl.lit("nobody")).otherwise("patient_id")
    )
    return {**tables, "lesions": lesions, "attempts": attempts, "procedures": procedures}


# Any earlier report again


@pytest.fixture(scope="module")
def grown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Service, list[dict[str, bytes]]]:
    """Three deliveries with broken rows, corrections, additions and withdrawals, and what each report was."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(flow, "strategy_page", repr)
        one = Service(tmp_path_factory.mktemp("grown"))
        tables = _with_faults(invent(300, 21).tables)
        first, second, third = in_three(tables)
        found = []
        service_days = (date(2026, 1, 9), date(2026, 4, 9), date(2026, 7, 9))
        one.deliver(first, day=service_days[0])
        found.append(outputs(one.out))
        second["lesions"] = pl.concat([second["lesions"], first["lesions"][3:9].with_columns(length_mm=pl.lit(77.0))])
        one.deliver(second, KEEP, day=service_days[1])
        found.append(outputs(one.out))
        one.deliver(third, DROP + "\nlevel = 0.9", day=service_days[2])
        found.append(outputs(one.out))
    return one, found


@pytest.mark.parametrize("number", [1, 2, 3])
def test_an_earlier_report_is_rebuilt_to_the_last_byte(
    number: int, grown: tuple[Service, list[dict[str, bytes]]]
) -> None:
    one, found = grown
    before = {path: path.read_bytes() for path in (one.out / ".current").rglob("*") if path.is_file()}
    work = rebuild(one.out, number)
    assert work.request.out == one.out / "as_of" / str(number)
    assert outputs(work.request.out) == found[number - 1]
    assert {path: path.read_bytes() for path in (one.out / ".current").rglob("*") if path.is_file()} == before


@pytest.mark.parametrize(
    ("day", "number"), [(date(2026, 1, 9), 1), (date(2026, 4, 8), 1), (date(2026, 4, 9), 2), (date(2030, 1, 1), 3)]
)
def test_a_day_stands_for_the_last_delivery_received_by_then(
    day: date, number: int, grown: tuple[Service, list[dict[str, bytes]]]
) -> None:
    one, found = grown
    assert outputs(rebuild(one.out, day).request.out) == found[number - 1]


def test_an_earlier_report_can_be_made_by_another_plan(grown: tuple[Service, list[dict[str, bytes]]]) -> None:
    one, _ = grown
    plan = one.folder / "other.toml"
    plan.write_text("level = 0.8")
    work = rebuild(one.out, 1, plan=plan)
    assert work.edition.level == 0.8
    assert json.loads((one.out / "as_of" / "1" / "manifest.json").read_text())["delivery"]["number"] == 1


def test_the_history_of_an_earlier_report_ends_with_its_delivery_and_can_be_gone_on_from(
    grown: tuple[Service, list[dict[str, bytes]]], tmp_path: Path
) -> None:
    one, found = grown
    work = rebuild(one.out, 1)
    kept = history(work.request.out)
    assert {line[0] for line in kept["deliveries"]} == {1}
    assert {line[-1] for line in kept["lesions"]} == {None}
    again = Service(tmp_path)
    again.out = work.request.out
    (tmp_path / "plan.toml").write_text(KEEP)
    again.run(one.folder / "export-2", KEEP, day=date(2026, 4, 9))
    assert outputs(again.out) == found[1]


@pytest.mark.parametrize(("when", "says"), [(7, "no such delivery"), (date(2020, 1, 1), "1 \\(2026-01-09\\)")])
def test_a_delivery_that_never_was_is_told_with_those_that_are(
    when: int | date, says: str, grown: tuple[Service, list[dict[str, bytes]]]
) -> None:
    with pytest.raises(NeedsMending, match=says):
        rebuild(grown[0].out, when)


def test_there_is_nothing_to_rebuild_where_nothing_was_run(tmp_path: Path) -> None:
    with pytest.raises(NeedsMending, match=r"there is no service\.duckdb"):
        rebuild(tmp_path / "none", 1)
    assert not (tmp_path / "none").exists()
