import stat
from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.faults import NeedsMending
from pipeline.store import connect, write_store
from synthetic_data.rows import valid_tables

TABLES = valid_tables(lesions=[{"length_mm": None}, {"length_mm": 400.5, "in_stent": None}])


def content(path: Path) -> dict[tuple[str, str], pl.DataFrame]:
    with connect(path) as connection:
        names = connection.sql("SELECT table_schema, table_name FROM information_schema.tables ORDER BY ALL").fetchall()
        return {name: connection.sql(f'FROM "{name[0]}"."{name[1]}"').pl() for name in names}


def test_every_table_comes_back_as_it_was_kept(tmp_path: Path) -> None:
    path = tmp_path / "service.duckdb"
    write_store(path, {"raw": TABLES, "checked": TABLES, "derived": {"lesions": TABLES["lesions"]}})
    kept = content(path)
    assert sorted(kept) == sorted(
        [*(("raw", n) for n in TABLES), *(("checked", n) for n in TABLES), ("derived", "lesions")]
    )
    for (_, name), frame in kept.items():
        assert_frame_equal(frame, TABLES[name])


def test_an_empty_table_keeps_its_columns(tmp_path: Path) -> None:
    write_store(tmp_path / "s.duckdb", {"raw": {"follow_up": TABLES["follow_up"].clear()}})
    assert_frame_equal(content(tmp_path / "s.duckdb")["raw", "follow_up"], TABLES["follow_up"].clear())


def test_the_same_tables_kept_twice_are_equal_row_by_row(tmp_path: Path) -> None:
    many = pl.DataFrame({"n": range(300_000), "d": [date(2024, 1, 1)] * 300_000})  # more than one row group
    for name in ("a.duckdb", "b.duckdb"):
        write_store(tmp_path / name, {"raw": {"many": many}})
    first, second = content(tmp_path / "a.duckdb"), content(tmp_path / "b.duckdb")
    assert_frame_equal(first["raw", "many"], second["raw", "many"])
    assert_frame_equal(first["raw", "many"], many)


def test_the_database_is_its_owners_alone_and_nothing_is_left_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "new" / "service.duckdb"
    write_store(path, {"raw": TABLES})
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert [p.name for p in path.parent.iterdir()] == ["service.duckdb"]


def test_a_failed_writing_leaves_the_last_good_database(tmp_path: Path) -> None:
    path = tmp_path / "service.duckdb"
    write_store(path, {"raw": {"patients": TABLES["patients"]}})
    with pytest.raises(Exception, match="unwritable"):
        write_store(path, {"raw": {"patients": _Unwritable()}})  # type: ignore[dict-item]
    assert_frame_equal(content(path)["raw", "patients"], TABLES["patients"])
    assert [p.name for p in tmp_path.iterdir()] == ["service.duckdb"]


class _Unwritable:
    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        raise RuntimeError("unwritable")


def test_a_later_run_replaces_the_database_whole(tmp_path: Path) -> None:
    path = tmp_path / "service.duckdb"
    write_store(path, {"raw": TABLES})
    write_store(path, {"checked": {"patients": TABLES["patients"]}})
    assert list(content(path)) == [("checked", "patients")]


def test_the_database_is_opened_for_reading_only_and_reads_no_other_file(tmp_path: Path) -> None:
    path = tmp_path / "service.duckdb"
    write_store(path, {"raw": TABLES})
    (tmp_path / "other.csv").write_text("a\n1\n", encoding="utf-8")
    with connect(path) as connection:
        with pytest.raises(duckdb.Error):
            connection.execute("DELETE FROM raw.patients")
        with pytest.raises(duckdb.PermissionException):
            connection.sql(f"FROM read_csv('{tmp_path / 'other.csv'}')").fetchall()


def test_a_folder_that_cannot_be_written_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(NeedsMending, match="cannot be written to"):
        write_store(tmp_path / "file" / "service.duckdb", {"raw": TABLES})


def test_a_database_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(NeedsMending, match="no such database"):
        connect(tmp_path / "none.duckdb")
