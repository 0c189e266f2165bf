"""Any earlier report again, to the last byte."""

from __future__ import annotations

import json
import shutil
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from deliveries_example import DROP, KEEP, Service, history, in_three, outputs, with_faults

from pipeline import flow
from pipeline.as_of import rebuild
from pipeline.faults import NeedsMending
from reports.strategy import strategy_page
from synthetic_data.service import invent


@pytest.fixture(autouse=True)
def _no_charts(monkeypatch: pytest.MonkeyPatch) -> None:
    """The page is all that the edition says, in words: drawing it takes longer than all else, and other tests look at it."""
    monkeypatch.setattr(flow, "strategy_page", repr)


@pytest.fixture(scope="module")
def grown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Service, list[dict[str, bytes]]]:
    """Three deliveries with broken rows, corrections, additions and withdrawals, and what each report was."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(flow, "strategy_page", repr)
        one = Service(tmp_path_factory.mktemp("grown"))
        tables = with_faults(invent(300, 21).tables)
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
    shutil.copytree(work.request.out, again.out, symlinks=True)
    (tmp_path / "plan.toml").write_text(KEEP)
    again.run(one.folder / "export-2", KEEP, day=date(2026, 4, 9))
    assert outputs(again.out) == found[1]


def test_deliveries_added_to_an_earlier_report_are_not_discarded_when_it_is_asked_for_again(
    grown: tuple[Service, list[dict[str, bytes]]], tmp_path: Path
) -> None:
    one = Service(tmp_path)
    shutil.copytree(grown[0].out, one.out, symlinks=True)
    gone_on = Service(tmp_path)
    gone_on.out = rebuild(one.out, 1).request.out
    gone_on.run(grown[0].folder / "export-2", KEEP)
    before = history(gone_on.out)
    with pytest.raises(NeedsMending, match="holds delivery 2, which was added there and would be lost"):
        rebuild(one.out, 1)
    assert history(gone_on.out) == before
    rebuild(one.out, 2)


@pytest.mark.parametrize(
    ("when", "says"),
    [
        (7, r"no such delivery for --as-of 7; there are: 1 \(2026-01-09\), 2"),
        (date(2020, 1, 1), "no delivery was received by 2020-01-01; the first came on 2026-01-09"),
    ],
)
def test_a_delivery_that_never_was_is_told_with_those_that_are(
    when: int | date, says: str, grown: tuple[Service, list[dict[str, bytes]]]
) -> None:
    with pytest.raises(NeedsMending, match=says):
        rebuild(grown[0].out, when)


def test_there_is_nothing_to_rebuild_where_nothing_was_run(tmp_path: Path) -> None:
    with pytest.raises(NeedsMending, match=r"there is no service\.duckdb"):
        rebuild(tmp_path / "none", 1)
    assert not (tmp_path / "none").exists()


def test_the_drawn_report_too_is_the_same_to_the_last_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(flow, "strategy_page", strategy_page)  # the charts and all
    one = Service(tmp_path)
    first, second, _ = in_three(invent(90, 2).tables)
    one.deliver(first)
    found = outputs(one.out)
    assert found["report/strategy.html"].startswith(b"<!DOCTYPE html>")
    one.deliver(second, KEEP)
    assert outputs(one.out) != found
    assert outputs(rebuild(one.out, 1).request.out) == found
