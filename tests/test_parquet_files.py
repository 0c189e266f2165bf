"""Parquet files: every type that a column can have, as the text that a CSV would hold."""

from __future__ import annotations

import io
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from export_files import write_csvs
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.check import check
from pipeline.faults import NeedsMending
from pipeline.mapping import load_mapping
from pipeline.read import read_export
from pipeline.reading.parquet_files import open_parquet
from synthetic_data.rows import valid_tables

LATE = datetime(2024, 3, 28, 23, 30, tzinfo=UTC)


def as_read(column: pa.Array, **how: object) -> list[str | None]:
    """One column of a Parquet file, as text."""
    out = io.BytesIO()
    pq.write_table(pa.table({"a": column}), out, **how)
    return open_parquet(out.getvalue(), name="x.parquet").rows([0])["0"].to_list()


@pytest.mark.parametrize(
    ("column", "text"),
    [
        (pa.array(["right", None]).dictionary_encode(), ["right", None]),
        (pa.array([1, None], pa.int8()), ["1", None]),
        (pa.array([2**60, None], pa.int64()), ["1152921504606846976", None]),
        (pa.array([14.35, 75.0, None]), ["14.35", "75", None]),
        (pa.array([14.3, 0.1, 75.0], pa.float32()), ["14.3", "0.1", "75"]),
        (pa.array([1.5, 75.0], pa.float16()), ["1.5", "75"]),
        (pa.array([float("nan"), float("inf")]), [None, "inf"]),
        (pa.array([Decimal("14.30"), Decimal("75.00"), None]), ["14.3", "75", None]),
        (pa.array([Decimal("12345678901234567891"), Decimal("12345678901234567890")]), [*("12345678901234567891", "12345678901234567890")]),
        (pa.array([True, False, None]), ["true", "false", None]),
        (pa.array([date(2024, 3, 28)]), ["2024-03-28"]),
        (pa.array([date(2024, 3, 28)], pa.date64()), ["2024-03-28"]),
        (pa.array([datetime(2024, 3, 28, 23, 59, 59)], pa.timestamp("ms")), ["2024-03-28"]),
        (pa.array([time(14, 5)], pa.time64("us")), ["14:05:00"]),
        (pa.array([timedelta(minutes=5)], pa.duration("us")), ["300 s"]),
        (pa.array([b"left", b"\xff"]), ["left", "\ufffd"]),
        (pa.array([[1, 2], None]), ["(several values)", None]),
        (pa.array([{"x": 1}]), ["(several values)"]),
        (pa.array([None, None]), [None, None]),
        (pa.array([], pa.string()), []),
    ],
)  # fmt: skip
def test_a_column_of_any_type_is_the_text_that_a_csv_would_hold(column: pa.Array, text: list[str | None]) -> None:
    assert as_read(column) == text


@pytest.mark.parametrize(
    ("zone", "day"),
    [
        ("UTC", "2024-03-28"),
        ("Europe/Berlin", "2024-03-29"),
        ("America/New_York", "2024-03-28"),
        ("+02:00", "2024-03-29"),
        ("-0330", "2024-03-28"),
    ],
)
def test_a_moment_is_the_day_in_the_zone_that_is_written(zone: str, day: str) -> None:
    assert as_read(pa.array([LATE, None], pa.timestamp("us", tz=zone))) == [day, None]


def test_a_zone_that_is_not_known_is_asked_about() -> None:
    with pytest.raises(NeedsMending, match="column 'a' has a time zone that is not known; export dates"):
        as_read(pa.array([LATE], pa.timestamp("us", tz="Nowhere/At_All")))


@pytest.mark.parametrize("unit", ["ms", "us"])
def test_a_moment_beyond_the_calendar_is_no_date_and_no_traceback(unit: str) -> None:
    assert as_read(pa.array([-(2**62), 2**62, None], pa.timestamp(unit))) == [str(-(2**62)), str(2**62), None]


def test_two_keys_of_twenty_digits_stay_two(tmp_path: Path) -> None:
    # As double floats they would be one: the patients of a site that exports NUMERIC(20) would be merged.
    keys = [Decimal("12345678901234567890"), Decimal("12345678901234567891")]
    tables = valid_tables(patients=[{}, {}], procedures=[{"patient_id": str(key)} for key in keys], follow_up=[])
    write_csvs(tmp_path, {name: frame for name, frame in tables.items() if name != "patients"})
    patients = tables["patients"].to_arrow().set_column(0, "patient_id", pa.array(keys))
    pq.write_table(patients, tmp_path / "patients.parquet")
    accepted = check(read_export(tmp_path, load_mapping(None)).frames)
    assert accepted.frames["procedures"].height == 2


@pytest.mark.parametrize(
    ("names", "read"),
    [(["Pat.-Nr.", "a.b"], ["1", "2"]), (["x", "x"], ["1", "2"]), (["", " "], ["1", "2"])],
)
def test_columns_are_told_apart_by_their_place(names: list[str], read: list[str]) -> None:
    out = io.BytesIO()
    pq.write_table(pa.Table.from_arrays([pa.array(["1"]), pa.array(["2"])], names=names), out)
    source = open_parquet(out.getvalue(), name="x.parquet")
    assert list(source.headers) == names
    assert [source.rows([at])[str(at)].item() for at in (0, 1)] == read
    assert [source.sample([at])[str(at)].item() for at in (1, 0)] == read[::-1]


WHOLE = io.BytesIO()
pq.write_table(pa.table({"a": [f"P{n}" for n in range(200)], "b": list(range(200))}), WHOLE, write_page_checksum=True)
BYTES = WHOLE.getvalue()


@settings(max_examples=250, deadline=None, derandomize=True)
@given(st.integers(0, len(BYTES) - 1), st.integers(0, 7), st.booleans())
def test_no_damage_gives_other_values_than_were_written(at: int, bit: int, cut: bool) -> None:
    broken = BYTES[:at] if cut else BYTES[:at] + bytes([BYTES[at] ^ 1 << bit]) + BYTES[at + 1 :]
    try:
        source = open_parquet(broken, name="x.parquet")
        rows = source.rows(range(len(source.headers)))
    except NeedsMending as fault:
        assert len(fault.lines) == 1
        return
    assert rows.height == 200
    if source.headers == ("a", "b"):
        assert rows["0"].to_list() == [f"P{n}" for n in range(200)]
