"""A plan that is changed after results were seen: every change is told, with when it came."""

from __future__ import annotations

import json
from datetime import date

import duckdb
import pytest
from deliveries_example import Service, outputs

from models.departure_results import Departure
from pipeline import flow
from pipeline.as_of import rebuild
from pipeline.deliveries.history import PastRun, load_runs
from pipeline.departures import departures
from pipeline.flow import DATABASE
from pipeline.plan import Plan
from synthetic_data.rows import valid_tables


def run(plan: Plan | str, delivery: int = 1, version: str = "1.0") -> PastRun:
    written = plan if isinstance(plan, str) else plan.model_dump_json()
    return PastRun(delivery, date(2026, 3 * delivery, 1), written, version)


def told(*runs: PastRun) -> list[tuple[str, str | None, str | None]]:
    return [(one.field, one.then, one.now) for one in departures(runs)]


def test_a_plan_that_stays_as_it_is_departs_from_nothing() -> None:
    assert departures(()) == departures([run(Plan())]) == departures([run(Plan(), n) for n in (1, 2, 3)]) == ()


def test_a_change_is_told_with_its_field_its_values_and_the_report_that_it_came_with() -> None:
    found = departures([run(Plan()), run(Plan(), 2), run(Plan(level=0.9), 3)])
    assert found == (
        Departure("level", "Level of every interval, as a fraction.", "0.95", "0.9", 3, "2026-09-01", 2, "choice"),
    )
    assert found[0].in_words() == "level: 0.95, then 0.9 since delivery 3 (2026-09-01), after 2 reports had been seen"


def test_a_change_on_the_same_delivery_counts_too() -> None:
    assert told(run(Plan()), run(Plan(seed=1))) == [("seed", "20260101", "1")]


def test_a_change_that_was_taken_back_is_told_twice() -> None:
    fields = told(run(Plan()), run(Plan(primary_method="weighting")), run(Plan(), 2))
    assert fields == [
        ("primary_method", "doubly_robust", "weighting"),
        ("primary_method", "weighting", "doubly_robust"),
    ]


def test_a_change_is_told_in_every_report_after_it() -> None:
    runs = [run(Plan()), run(Plan(level=0.9), 2), run(Plan(level=0.9), 3), run(Plan(level=0.9), 4)]
    assert departures(runs) == departures(runs[:2])


@pytest.mark.parametrize(
    ("then", "now", "field", "values"),
    [
        (Plan(), Plan(adjust_for=("sex", "renal")), "adjust_for", ("not set", "sex, renal")),
        (Plan(), Plan(gates={"fewest_in_arm": 5}), "gates.fewest_in_arm", ("20", "5")),
        (Plan(), Plan(matching={"replacement": True}), "matching.replacement", ("no", "yes")),
        (Plan(), Plan(margins={"crossed_in_session": 3.0}), "margins", ("not set", "crossed_in_session: 3")),
        (
            Plan(),
            Plan(imputation={"tipping_deltas": (0.0, 2.0)}),
            "imputation.tipping_deltas",
            ("-1, -0.5, 0, 0.5, 1", "0, 2"),
        ),
        (Plan(), Plan(eligibility={"first_date": date(2024, 1, 1)}), "eligibility.first_date", ("not set", "2024-01-01")),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)  # fmt: skip
def test_values_are_told_as_a_reader_takes_them(then: Plan, now: Plan, field: str, values: tuple[str, str]) -> None:
    assert told(run(then), run(now)) == [(field, *values)]


def test_the_name_of_the_service_is_no_choice() -> None:
    assert told(run(Plan()), run(Plan(service="North"))) == []


def test_a_later_last_day_and_one_more_look_move_as_planned_and_an_earlier_day_is_a_choice() -> None:
    def plan(month: int, looks: int) -> Plan:
        return Plan(eligibility={"last_date": date(2026, month, 30)}, looks={"earlier": looks})

    found = departures([run(plan(6, 1)), run(plan(9, 2), 2), run(plan(8, 1), 3)])
    assert [(one.field, one.kind) for one in found] == [
        ("eligibility.last_date", "as_planned"),
        ("looks.earlier", "as_planned"),
        ("eligibility.last_date", "choice"),
        ("looks.earlier", "choice"),
    ]


def of_an_earlier_release() -> str:
    """A plan as it was kept before it had most of its tables, with a field that there is no longer."""
    kept = json.loads(Plan().model_dump_json())
    for name in ("imputation", "matching", "looks", "populations"):
        del kept[name]
    del kept["gates"]["weakest_instrument_f"]
    return json.dumps(kept | {"trim": 0.1})


def test_choices_that_came_with_a_release_are_told_in_one_line_unless_they_were_made_otherwise() -> None:
    release, ratio, gone = departures(
        [run(of_an_earlier_release()), run(Plan(matching={"ratio": 2}), 2, version="1.1")]
    )
    assert (release.field, release.kind, release.then) == ("release", "release", "1.0")
    assert release.now is not None and release.now.startswith("1.1: populations, gates.weakest_instrument_f, ")
    assert "matching.caliper" in release.now and "matching.ratio" not in release.now
    assert (ratio.field, ratio.then, ratio.now) == ("matching.ratio", None, "2")
    assert (gone.field, gone.then, gone.now) == ("trim", "0.1", None)
    assert ratio.in_words().startswith("matching.ratio: not in the plan, then 2 since delivery 2")


def test_every_choice_of_the_plan_is_told_with_what_it_means() -> None:
    none_of_them = run("{}")
    found = departures([run(Plan(matching={"ratio": 2})), none_of_them])
    assert len(found) > 40
    assert all(len(one.meaning.split()) > 3 for one in found)


# In the folder of the outputs


@pytest.fixture
def service(tmp_path, monkeypatch) -> Service:
    monkeypatch.setattr(flow, "strategy_page", repr)
    return Service(tmp_path)


def kept(one: Service) -> list[tuple[str, int, str]]:
    return [(d.field, d.since_delivery, d.since) for d in departures(load_runs(one.out / DATABASE))]


def test_the_history_in_the_output_folder_knows_every_change(service: Service) -> None:
    assert load_runs(service.out / DATABASE) == ()
    service.deliver(valid_tables(), day=date(2026, 1, 9))
    assert kept(service) == []
    service.run(service.folder / "export-1", "level = 0.9", day=date(2026, 1, 20))
    service.deliver(valid_tables(lesions=[{}, {}]), 'withdrawn_rows = "keep"\nlevel = 0.9', day=date(2026, 4, 9))
    assert kept(service) == [("level", 1, "2026-01-09"), ("withdrawn_rows", 2, "2026-04-09")]


def test_a_run_that_fails_shows_no_results_and_is_no_report_seen(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    service.deliver(valid_tables())
    with monkeypatch.context() as broken:
        broken.setattr(flow, "strategy_page", lambda _edition: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            service.run(service.folder / "export-1", "level = 0.9")
    assert kept(service) == []


def test_a_folder_of_an_earlier_release_is_gone_on_from_and_its_report_made_again(service: Service) -> None:
    service.deliver(valid_tables(), day=date(2026, 1, 9))
    old = json.loads(of_an_earlier_release())
    del old["trim"]
    with duckdb.connect(str(service.out / DATABASE)) as connection:
        connection.execute("UPDATE history.runs SET plan = ?, version = '0.0.9'", [json.dumps(old)])
    service.deliver(valid_tables(lesions=[{}, {}]), day=date(2026, 4, 9))
    assert kept(service) == [("release", 2, "2026-04-09")]
    assert outputs(rebuild(service.out, 1).request.out)


def test_an_earlier_report_made_again_by_another_plan_tells_that_it_is_another(service: Service) -> None:
    service.deliver(valid_tables(), day=date(2026, 1, 9))
    service.deliver(valid_tables(lesions=[{}, {}]), day=date(2026, 4, 9))
    other = service.folder / "other.toml"
    other.write_text("level = 0.8")
    again = rebuild(service.out, 1, plan=other).request.out
    assert [(d.field, d.since_delivery) for d in departures(load_runs(again / DATABASE))] == [("level", 1)]
    assert kept(service) == []
