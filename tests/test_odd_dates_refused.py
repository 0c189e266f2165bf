"""Dates that would be read as other days without a sign of it: they stop the reading, and ask."""

from collections.abc import Sequence
from datetime import date

import polars as pl
import pytest

from pipeline.case_tables import TABLES
from pipeline.mapping import TableMapping
from pipeline.reading.date_order import Dates, Found
from pipeline.reading.manner import Evidence
from pipeline.reading.translate import translate
from pipeline.typed_values import settle


def found(values: Sequence[str]) -> Found:
    dates = Dates("procedure_date", day_numbers=False)
    dates.see(pl.Series(values, dtype=pl.String))
    return dates.found()


def plain(values: Sequence[str]) -> bool:
    dates = Dates("procedure_date", day_numbers=False)
    dates.see(pl.Series(values, dtype=pl.String))
    return dates.is_plain


SWAPPED = [f"2024-{month:02}-0{day}" for month, day in ((1, 3), (2, 4), (7, 9), (5, 1), (8, 8), (9, 2))]
LEFT = ["25/03/2024", "13/04/2024", "28/07/2024", "30/11/2024", "19/01/2024"]


def test_a_spreadsheet_that_swapped_the_days_it_could_is_told() -> None:
    # A day-first export opened under American settings: days up to 12 become dates with day and month swapped.
    assert "swapped day and month" in found([*SWAPPED, *LEFT]).fault


@pytest.mark.parametrize(
    "one_more",
    ["2024-03-25", "03/04/2024"],
    ids=["a day above 12 among the dates", "a day up to 12 among the texts"],
)
def test_one_date_on_the_other_side_clears_the_spreadsheet(one_more: str) -> None:
    assert "swapped" not in found([*SWAPPED, *LEFT, one_more]).fault


def test_a_few_dates_may_be_parted_so_by_chance() -> None:
    assert "swapped" not in found(["2024-01-03", "25/03/2024"]).fault


@pytest.mark.parametrize("mark", ["/", ".", ""])
def test_year_day_month_is_told_with_any_sign(mark: str) -> None:
    fault = found([mark.join(("2024", day, month)) for day, month in (("25", "03"), ("28", "07"), ("05", "03"))]).fault
    assert fault.endswith(f'dates = "{mark.join(("%Y", "%d", "%m"))}"')


@pytest.mark.parametrize("mark", ["/", ".", ""])
def test_one_slip_does_not_make_year_month_day_another_order(mark: str) -> None:
    written = [mark.join(("2024", month, day)) for month, day in (("03", "25"), ("07", "28"), ("25", "03"))]
    assert not found(written).fault


def test_midnights_of_another_zone_in_universal_time_are_told() -> None:
    moments = ["2023-12-31T23:00:00.000Z", "2024-06-30T22:00:00.000Z", "2024-02-09T23:00:00Z"]
    assert not plain(moments)
    assert "midnight elsewhere" in found(moments).fault


@pytest.mark.parametrize(
    "moments",
    [
        ["2024-01-01T00:00:00Z", "2024-07-01T00:00:00Z", "2024-08-01T00:00:00Z"],
        ["2024-01-01T05:00:00Z", "2024-07-01T04:00:00Z", "2024-08-01T04:00:00Z"],  # west of Greenwich: the same day
        ["2024-01-01T14:25:00Z", "2024-07-01T16:10:00Z", "2024-08-01T15:00:00Z"],  # times of day
        ["2024-01-01T12:00:00Z", "2024-07-01T12:00:00Z", "2024-08-01T12:00:00Z"],  # noon, as some programs write a day
    ],
)
def test_moments_whose_day_is_right_pass(moments: list[str]) -> None:
    assert plain(moments) and not found(moments).fault


def test_a_stated_year_day_month_reads_nothing_as_year_month_day() -> None:
    table = next(t for t in TABLES if t.name == "procedures")
    rows = pl.DataFrame(
        {"row": [2, 3], "fault": [None, None], "0": ["2024-25-12", "2024-12-25"]}, schema_overrides={"fault": pl.String}
    )
    mapping = TableMapping(dates="%Y-%d-%m")
    manner = Evidence(table, {"procedure_date": 0}, mapping).plain()
    read = translate(table, rows, {"procedure_date": 0}, mapping, manner, typed_cells=False)
    assert settle(table, read).rows["procedure_date"].to_list() == [date(2024, 12, 25), None]
