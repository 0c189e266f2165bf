"""The history file: what it holds after any sequence of deliveries, what it refuses, and that it keeps no identity."""

from __future__ import annotations

import re
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest
from deliveries_example import DROP, KEEP, QUICK, Service, history, in_three, outputs
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import flow
from pipeline.case_tables import PSEUDONYM_COLUMNS, TABLES, table
from pipeline.check import check
from pipeline.deliveries.history import Delivery, Run, load_accepted, load_missing
from pipeline.deliveries.join import in_key_order, join
from pipeline.deliveries.keep import TableChange, keep, make_ready
from pipeline.faults import NeedsMending
from pipeline.flow import Request
from pipeline.store import reading
from pipeline.table_rows import TableRows
from pipeline.typed_values import settle
from synthetic_data.rows import rows, valid_tables
from synthetic_data.service import invent

ROOT = Path(__file__).parent.parent


@pytest.fixture(autouse=True)
def _no_charts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(flow, "strategy_page", repr)


@pytest.fixture
def service(tmp_path: Path) -> Service:
    return Service(tmp_path)


# Any sequence of deliveries, beside the least code that says what must come out


@dataclass(frozen=True)
class Procedure:
    key: int
    patient: int
    minutes: float


@dataclass
class Model:
    """Patients by key with their year of birth; procedures by key, which may stand on several rows."""

    patients: dict[int, int] = field(default_factory=dict)
    procedures: dict[int, Counter[Procedure]] = field(default_factory=dict)

    def used(self) -> dict[int, Procedure]:
        """A procedure is used when all rows with its key agree and its patient is there."""
        return {
            key: next(iter(found))
            for key, found in self.procedures.items()
            if len(found) == 1 and next(iter(found)).patient in self.patients
        }

    def rows(self) -> int:
        return sum(found.total() for found in self.procedures.values())


@dataclass(frozen=True)
class Export:
    patients: dict[int, int]
    procedures: tuple[Procedure, ...]
    keep: bool

    def state(self) -> Model:
        found: dict[int, Counter[Procedure]] = {}
        for one in self.procedures:
            found.setdefault(one.key, Counter())[one] += 1
        return Model(dict(self.patients), found)


KEYS = st.integers(1, 4)
EXPORTS = st.lists(
    st.builds(
        Export,
        patients=st.dictionaries(KEYS, st.sampled_from([1940, 1950]), min_size=1),
        procedures=st.lists(
            st.builds(Procedure, key=KEYS, patient=KEYS, minutes=st.sampled_from([30.0, 60.0])), max_size=5
        ).map(tuple),
        keep=st.booleans(),
    ),
    min_size=2,
    max_size=4,
)


def as_tables(export: Export) -> dict[str, TableRows]:
    patients = rows("patients", *({"patient_id": str(k), "birth_year": year} for k, year in export.patients.items()))
    procedures = rows(
        "procedures",
        *(
            {"procedure_id": str(p.key), "patient_id": str(p.patient), "duration_min": p.minutes}
            for p in export.procedures
        ),
    )
    frames = {one.name: rows(one.name).clear() for one in TABLES} | {"patients": patients, "procedures": procedures}
    return {name: in_key_order(name, _under_numbers(name, frame)) for name, frame in frames.items()}


def _under_numbers(name: str, frame: pl.DataFrame) -> TableRows:
    numbered = frame.with_columns(row=pl.int_range(1, pl.len() + 1, dtype=pl.Int64), fault=pl.lit(None, pl.String))
    settled = settle(table(name), numbered)
    keys = [pl.col(c).cast(pl.UInt64, strict=False) for c in table(name).column_names if c in PSEUDONYM_COLUMNS]
    return TableRows(settled.rows.with_columns(keys), settled.unread, settled.bad)


@settings(max_examples=25, deadline=None)
@given(EXPORTS)
def test_after_any_deliveries_every_state_is_what_the_rows_delivered_say(exports: list[Export]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "service.duckdb"
        make_ready(path)
        states: list[Model] = []
        deliveries: list[Delivery] = []
        for export in exports:
            number, new, old = len(states) + 1, export.state(), states[-1] if states else Model()
            tables = as_tables(export)
            nothing_in_common = not (
                old.patients.keys() & new.patients.keys() or old.procedures.keys() & new.procedures.keys()
            )
            if states and nothing_in_common and not export.keep:
                continue  # refused: another test
            missing = load_missing(path, number - 1, tables) if states else None
            joined = join(tables, missing, "keep" if export.keep else "drop", place="out", last=number - 1)
            accepted = check(joined.tables)
            delivery = _delivery(number, joined.withdrawn_rows)
            kept = keep(
                path, joined, accepted, delivery, Run("", "{}", True, ""), last=deliveries[-1] if deliveries else None
            )
            state = new
            if export.keep:
                state = Model(old.patients | new.patients, old.procedures | new.procedures)
            gone = old.procedures.keys() - new.procedures.keys()
            assert kept.changes[1] == _change(old, new, state, len(gone))
            states.append(state)
            deliveries.append(delivery)
            with reading(path) as connection:
                listed = connection.sql(
                    "SELECT key, what FROM history.withdrawn WHERE table_name = 'procedures' AND until_delivery IS NULL"
                ).fetchall()
            assert sorted(listed) == sorted((f"s_{key:016x}", "kept" if export.keep else "dropped") for key in gone)
        for number, state in enumerate(states, start=1):
            accepted = load_accepted(path, number)
            used = accepted.frames["procedures"].select("procedure_id", "patient_id", "duration_min").rows()
            assert used == [(p.key, p.patient, p.minutes) for _, p in sorted(state.used().items())]
            years = accepted.frames["patients"].select("patient_id", "birth_year").rows()
            assert years == sorted(state.patients.items())
            assert accepted.counts[1].read == state.rows()
            assert accepted.counts[1].read == accepted.counts[1].used + accepted.counts[1].set_aside


def _change(old: Model, new: Model, state: Model, withdrawn: int) -> TableChange:
    added, corrected, unchanged = 0, 0, 0
    for key, found in new.procedures.items():
        before, now = old.used().get(key), state.used().get(key)
        if key not in old.procedures:
            added += 1
        elif ((before is not None or now is not None) and before == now) or (
            before is None and now is None and old.procedures[key] == found
        ):
            unchanged += 1
        else:
            corrected += 1
    return TableChange("procedures", added, corrected, withdrawn, unchanged)


def _delivery(number: int, withdrawn_rows: str | None) -> Delivery:
    day = date(2026, 1, number)
    return Delivery(number, number - 1, day, f"files {number}", "", f"data {number}", withdrawn_rows, "", "[]", "")


# What a run refuses to add to


def test_another_pseudonym_key_is_refused(service: Service) -> None:
    service.deliver(valid_tables())
    before = outputs(service.out)
    with pytest.raises(NeedsMending, match="the pseudonym key is not the one of the earlier deliveries"):
        service.run(service.folder / "export-1", key=b"another key, also long enough")
    assert outputs(service.out) == before


def test_the_key_itself_is_not_in_the_history(service: Service) -> None:
    service.deliver(valid_tables(), key=b"a secret that nobody may find")
    assert b"a secret that nobody may find" not in (service.out / "service.duckdb").read_bytes()


def test_an_invented_service_and_a_real_one_are_never_mixed(service: Service, tmp_path: Path) -> None:
    service.deliver(valid_tables())
    with pytest.raises(NeedsMending, match="holds a service's own deliveries"):
        service.run(service.folder / "export-1", invented=True)
    other = Service(tmp_path / "other")
    other.folder.mkdir()
    other.run(service.folder / "export-1", invented=True)
    with pytest.raises(NeedsMending, match="holds deliveries of an invented service"):
        other.run(service.folder / "export-1")


def test_the_demo_begins_anew_when_its_tables_differ_and_adds_nothing_when_they_do_not(tmp_path: Path) -> None:
    from synthetic_data.service import write_service

    for seed, number in ((1, 1), (1, 1), (2, 1)):
        write_service(invent(60, seed), tmp_path / "tables")
        work = flow.run(
            Request(tmp_path / "tables", tmp_path, invented=True, key=b"invented data only"), engine="direct"
        )
        assert work.kept.delivery.number == number
    with duckdb.connect(str(tmp_path / "service.duckdb"), read_only=True) as connection:
        assert connection.sql("SELECT count(*) FROM history.lesions").fetchall() == [(60,)]


def test_the_export_of_an_earlier_delivery_is_not_laid_on_a_later_one(service: Service) -> None:
    service.deliver(valid_tables())
    service.deliver(valid_tables(lesions=[{}, {}]))
    with pytest.raises(NeedsMending, match="this is the export of delivery 1, and delivery 2 came after it"):
        service.run(service.folder / "export-1", KEEP)


def test_a_history_kept_by_a_later_release_is_left_alone(service: Service) -> None:
    service.deliver(valid_tables())
    with duckdb.connect(str(service.out / "service.duckdb")) as connection:
        connection.execute("UPDATE history.layout SET version = version + 1")
    before = (service.out / "service.duckdb").read_bytes()
    with pytest.raises(NeedsMending, match="by a later release of Crosswise"):
        service.run(service.folder / "export-1")
    assert (service.out / "service.duckdb").read_bytes() == before


def test_a_damaged_history_is_told_and_left_as_it_is(service: Service) -> None:
    service.deliver(valid_tables())
    database = (service.out / "service.duckdb").resolve()
    database.write_bytes(database.read_bytes()[:9000])
    with pytest.raises(NeedsMending, match=r"damaged or not one; put back a copy of it, or choose another --out"):
        service.run(service.folder / "export-1")
    assert database.stat().st_size == 9000


def test_a_history_that_is_gone_is_asked_for_and_not_silently_begun_anew(service: Service) -> None:
    service.deliver(valid_tables())
    (service.out / "service.duckdb").resolve().unlink()
    with pytest.raises(NeedsMending, match=r"service\.duckdb, which holds the earlier deliveries, is not there"):
        service.run(service.folder / "export-1")


def test_a_folder_of_an_earlier_release_gets_a_history_from_now_on(service: Service) -> None:
    service.out.mkdir()
    with duckdb.connect(str(service.out / "service.duckdb")) as connection:
        connection.execute("CREATE SCHEMA raw; CREATE TABLE raw.patients AS SELECT 'as written' AS sex")
    (service.out / "manifest.json").write_text('{"files_sha256": {"service.duckdb": "0"}}')
    work = service.deliver(valid_tables())
    assert work.kept.delivery.number == 1
    assert service.sql("SELECT count(*) FROM information_schema.tables WHERE table_schema = 'raw'") == [(0,)]


def test_a_column_that_the_dictionary_has_got_since_is_empty_in_the_rows_before(service: Service) -> None:
    service.deliver(valid_tables(lesions=[{"length_mm": 100.0}]))
    with duckdb.connect(str(service.out / "service.duckdb")) as connection:
        for name in ("lesions", "lesions_as_read"):
            connection.execute(f"ALTER TABLE history.{name} DROP COLUMN length_mm")
        connection.execute("CREATE OR REPLACE VIEW checked.lesions AS SELECT lesion_id FROM history.lesions")
    work = service.deliver(valid_tables(lesions=[{"length_mm": 100.0}, {}]))
    assert (work.kept.changes[2].added, work.kept.changes[2].corrected) == (1, 1)
    assert service.sql("SELECT length_mm, until_delivery FROM history.lesions ORDER BY ALL") == [
        (100.0, None),
        (120.0, None),
        (None, 2),
    ]


# No identity


def test_neither_a_key_of_the_site_nor_an_unusable_value_is_in_any_output(service: Service) -> None:
    named = valid_tables(
        patients=[{"patient_id": "Hosp-4711"}],
        procedures=[{"patient_id": "Hosp-4711"}],
        lesions=[{"calcium_grade": "Quillfeather"}, {"segment": "Quillfeather"}],
    )
    service.deliver(named)
    service.deliver(named | {"patients": rows("patients", {"patient_id": "Hosp-4711", "sex": "Quillfeather"})})
    files = [path for path in service.out.rglob("*") if path.is_file()]
    assert len(files) > 10
    for path in files:
        content = path.read_bytes()
        for word in (b"Hosp-4711", b"Quillfeather", b"quillfeather"):
            assert word not in content, f"{path.name} holds {word.decode()}"


# The page about it


def test_the_sql_examples_of_the_page_run_as_they_stand_and_find_something(service: Service) -> None:
    page = (ROOT / "docs" / "deliveries.md").read_text(encoding="utf-8")
    examples = re.findall(r"^```sql\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    assert len(examples) >= 6
    first, second, third = in_three(invent(90, 4).tables)
    first["attempts"] = first["attempts"].with_columns(crossed=pl.when(pl.int_range(pl.len()) > 0).then("crossed"))
    service.deliver(first)
    second["lesions"] = pl.concat([second["lesions"], first["lesions"][:3].with_columns(length_mm=pl.lit(77.0))])
    service.deliver(second, KEEP)
    service.deliver(third, KEEP)
    for example in examples:
        assert service.sql(example), example


def test_the_page_names_every_table_of_the_history(service: Service) -> None:
    page = (ROOT / "docs" / "deliveries.md").read_text(encoding="utf-8")
    service.deliver(valid_tables())
    names = {name for name in history(service.out) if name != "layout"}
    of_case_tables = {f"{one.name}{end}" for one in TABLES for end in ("", "_as_read")}
    assert of_case_tables < names
    for name in names - of_case_tables:
        assert f"`history.{name}`" in page, name


def test_the_plans_that_the_page_shows_are_plans(service: Service) -> None:
    page = (ROOT / "docs" / "deliveries.md").read_text(encoding="utf-8")
    shown = re.findall(r"^```toml\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    assert [line.split("#")[0].strip() for line in shown] == [KEEP.removesuffix(QUICK), DROP.removesuffix(QUICK)]
