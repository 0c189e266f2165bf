import os
import stat
import subprocess
import sys
from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.faults import NeedsMending
from pipeline.store import building, connect, create, insert, put_tables, reading
from synthetic_data.rows import valid_tables

TABLES = valid_tables(lesions=[{"length_mm": None}, {"length_mm": 400.5, "in_stent": None}])


def content(path: Path) -> dict[tuple[str, str], pl.DataFrame]:
    with reading(path) as connection:
        names = connection.sql("SELECT table_schema, table_name FROM information_schema.tables ORDER BY ALL").fetchall()
        return {name: connection.sql(f'FROM "{name[0]}"."{name[1]}"').pl() for name in names}


def test_every_table_comes_back_as_it_was_kept(tmp_path: Path) -> None:
    path = tmp_path / "service.duckdb"
    put_tables(path, "checked", TABLES)
    put_tables(path, "derived", {"lesions": TABLES["lesions"]})
    kept = content(path)
    assert sorted(kept) == sorted([*(("checked", n) for n in TABLES), ("derived", "lesions")])
    for (_, name), frame in kept.items():
        assert_frame_equal(frame, TABLES[name])


def test_an_empty_table_keeps_its_columns(tmp_path: Path) -> None:
    put_tables(tmp_path / "s.duckdb", "derived", {"follow_up": TABLES["follow_up"].clear()})
    assert_frame_equal(content(tmp_path / "s.duckdb")["derived", "follow_up"], TABLES["follow_up"].clear())


def test_pseudonyms_and_codes_are_kept_as_text(tmp_path: Path) -> None:
    frame = pl.DataFrame(
        {
            "lesion_id": pl.Series([1, 2**64 - 1, None], dtype=pl.UInt64),
            "side": pl.Series(["left", None, "right"], dtype=pl.Enum(["left", "right"])),
        }
    )
    put_tables(tmp_path / "s.duckdb", "derived", {"lesions": frame})
    assert content(tmp_path / "s.duckdb")["derived", "lesions"].rows() == [
        ("l_0000000000000001", "left"),
        ("l_ffffffffffffffff", None),
        (None, "right"),
    ]


def test_rows_keep_their_order_however_many_there_are(tmp_path: Path) -> None:
    many = pl.DataFrame({"n": range(1_100_000), "d": [date(2024, 1, 1)] * 1_100_000})  # more than are written at once
    put_tables(tmp_path / "a.duckdb", "derived", {"many": many})
    assert_frame_equal(content(tmp_path / "a.duckdb")["derived", "many"], many)


def test_a_schema_is_replaced_whole_and_others_stay(tmp_path: Path) -> None:
    path = tmp_path / "service.duckdb"
    put_tables(path, "derived", TABLES)
    put_tables(path, "other", {"patients": TABLES["patients"]})
    put_tables(path, "derived", {"lesions": TABLES["lesions"]})
    assert list(content(path)) == [("derived", "lesions"), ("other", "patients")]


def test_rows_are_added_by_the_names_of_their_columns(tmp_path: Path) -> None:
    with building(tmp_path / "s.duckdb") as connection:
        create(connection, "kept", pl.DataFrame({"a": [1], "b": ["x"]}))
        connection.execute("ALTER TABLE kept ADD COLUMN delivery INTEGER")
        insert(connection, "kept", pl.DataFrame({"b": ["y"], "a": [2]}), ", 7 AS delivery")
        assert connection.sql("FROM kept").fetchall() == [(1, "x", None), (2, "y", 7)]


def test_the_database_is_one_file_of_its_owners_alone(tmp_path: Path) -> None:
    path = tmp_path / "service.duckdb"
    put_tables(path, "derived", TABLES)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [p.name for p in tmp_path.iterdir()] == ["service.duckdb"]


def test_the_database_is_opened_for_reading_only_and_reads_no_other_file(tmp_path: Path) -> None:
    path = tmp_path / "service.duckdb"
    put_tables(path, "derived", TABLES)
    (tmp_path / "other.csv").write_text("a\n1\n", encoding="utf-8")
    with connect(path) as connection:
        with pytest.raises(duckdb.Error):
            connection.execute("DELETE FROM derived.patients")
        with pytest.raises(duckdb.PermissionException):
            connection.sql(f"FROM read_csv('{tmp_path / 'other.csv'}')").fetchall()


def test_a_database_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(NeedsMending, match="no such database"):
        connect(tmp_path / "none.duckdb")


@pytest.mark.parametrize("damage", ["no database at all", "cut short", "overwritten"])
def test_a_damaged_database_is_one_clear_line(damage: str, tmp_path: Path) -> None:
    path = tmp_path / "service.duckdb"
    put_tables(
        path, "derived", {"many": pl.DataFrame({"n": range(300_000)}).with_columns(pl.col("n").hash().alias("h"))}
    )
    whole = path.read_bytes()
    middle = len(whole) // 2
    path.write_bytes(
        {
            "no database at all": b"case tables " * 1000,
            "cut short": whole[:5000],
            "overwritten": whole[: middle - 300_000] + b"\xff" * 600_000 + whole[middle + 300_000 :],
        }[damage]
    )
    with pytest.raises(
        NeedsMending, match=r"service\.duckdb: the database that holds the earlier deliveries is damaged"
    ):
        content(path)


def test_a_database_open_for_writing_elsewhere_is_one_clear_line(tmp_path: Path) -> None:
    path = tmp_path / "service.duckdb"
    put_tables(path, "derived", TABLES)
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            f"import duckdb; c = duckdb.connect({os.fspath(path)!r}); print('held', flush=True); input()",
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    try:
        assert holder.stdout is not None and holder.stdout.readline() == b"held\n"
        with pytest.raises(NeedsMending, match=r"service\.duckdb: the file is open for writing in another program"):
            content(path)
    finally:
        holder.communicate(b"\n")


def test_a_fault_of_ours_in_the_sql_is_not_blamed_on_the_file(tmp_path: Path) -> None:
    with pytest.raises(duckdb.ParserException), building(tmp_path / "s.duckdb") as connection:
        connection.execute("SELEKT 1")


def test_a_database_that_cannot_be_written_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(NeedsMending, match=r"service\.duckdb"):
        put_tables(tmp_path / "file" / "service.duckdb", "derived", TABLES)
