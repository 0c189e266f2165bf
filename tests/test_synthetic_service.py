"""The invented service: its tables are valid and consistent, and the same seed writes the same bytes."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.case_tables import TABLES, Table
from synthetic_data.service import DEMO, EFFECT, Service, invent, write_service
from synthetic_data.tables import POLARS_TYPES

FIRST, SESSION = "first_approach_crossed", "crossed_in_session"
FROM_THE_GROIN_OR_ARM = (
    "common_femoral_ipsilateral",
    "common_femoral_contralateral",
    "superficial_femoral",
    "radial",
    "brachial",
)


@pytest.fixture(scope="module")
def demo() -> Service:
    return invent(2000, 1)


@pytest.fixture(scope="module")
def large() -> Service:
    """So many lesions that a share is known to about half a point."""
    return invent(20_000, 3)


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_every_table_has_the_dictionarys_columns_types_codes_and_limits(demo: Service, table: Table) -> None:
    frame = demo.tables[table.name]
    assert tuple(frame.columns) == table.column_names
    for column in table.columns:
        values = frame[column.name]
        assert values.dtype == POLARS_TYPES[column.type], column.name
        if column.needed:
            assert values.null_count() == 0, column.name
        if column.codes:
            assert set(values.drop_nulls()) <= set(column.codes), column.name
        if column.limits:
            assert values.drop_nulls().is_between(*column.limits).all(), column.name


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_keys_are_unique_and_every_reference_leads_somewhere(demo: Service, table: Table) -> None:
    frame = demo.tables[table.name]
    assert frame[table.key].is_unique().all()
    optional = {"complications": {"attempt_id": "attempts"}, "follow_up": {"lesion_id": "lesions"}}
    for column, parent in {**table.refers, **optional.get(table.name, {})}.items():
        keys = demo.tables[parent][column]
        assert frame[column].drop_nulls().is_in(keys.implode()).all()


def test_a_service_has_exactly_the_lesions_asked_for() -> None:
    for wanted in (1, 2, 17, 1500):
        assert invent(wanted, 5).tables["lesions"].height == wanted
    with pytest.raises(ValueError, match="1 or more"):
        invent(0, 5)


def test_attempts_are_numbered_from_one_without_gaps_and_none_follows_a_crossing(large: Service) -> None:
    each = (
        large.tables["attempts"]
        .group_by("lesion_id")
        .agg(
            pl.col("attempt_no").sort().alias("numbers"),
            pl.col("attempt_no").filter("crossed").min().alias("crossed_at"),
            pl.len(),
        )
    )
    assert each.height == 20_000  # at least one attempt at every lesion
    assert (each["numbers"].list.min() == 1).all()
    assert (each["numbers"].list.max() == each["len"]).all()
    assert (each["numbers"].list.n_unique() == each["len"]).all()
    assert each["len"].max() == 4
    crossed = each.drop_nulls("crossed_at")
    assert (crossed["crossed_at"] == crossed["len"]).all()


def test_a_failed_puncture_never_crosses_and_a_crossing_is_the_reason_to_stop(large: Service) -> None:
    attempts = large.tables["attempts"]
    assert (attempts["crossed"] == (attempts["stopped_because"] == "crossed")).all()
    assert (attempts["access_gained"] == (attempts["stopped_because"] != "puncture_failed")).all()
    failed = attempts.filter(~pl.col("access_gained"))
    assert failed.height > 100
    assert not failed["crossed"].any()
    assert set(failed["approach"]) == {"retrograde"}
    assert failed["plane"].null_count() == failed.height


def test_access_is_possible_for_the_approach(large: Service) -> None:
    attempts = large.tables["attempts"]
    above = attempts.filter(pl.col("approach") == "antegrade")
    assert set(above["access_site"]) <= set(FROM_THE_GROIN_OR_ARM)
    assert set(above["route"]) == {"direct"}
    direct = attempts.filter((pl.col("approach") == "retrograde") & (pl.col("route") == "direct"))
    thigh = direct.join(large.tables["lesions"].select("lesion_id", "segment"), on="lesion_id").filter(
        pl.col("access_site") == "superficial_femoral"
    )
    assert not direct["access_site"].is_in(["common_femoral_ipsilateral", "radial", "brachial"]).any()
    assert set(thigh["segment"]) == {"superficial_femoral"}
    through_graft = attempts.filter(pl.col("route") == "through_bypass").join(large.tables["lesions"], on="lesion_id")
    assert set(through_graft["prior_bypass"].drop_nulls()) == {"patent"}


def test_bailouts_go_both_ways_and_meeting_techniques_belong_to_crossings(large: Service) -> None:
    attempts = large.tables["attempts"].sort("lesion_id", "attempt_no")
    before = pl.col("approach").shift(1).over("lesion_id")
    bailouts = attempts.with_columns(before.alias("before")).filter(pl.col("before") != pl.col("approach"))
    assert bailouts.group_by("approach").len().filter(pl.col("len") > 200).height == 2
    met = attempts.filter(pl.col("rendezvous") != "none")
    assert set(met["rendezvous"]) == {"snare", "double_balloon", "needle_reentry"}
    assert met["crossed"].all()


def test_a_session_lasts_at_least_as_long_as_its_attempts() -> None:
    service = invent(3000, 8, replace(DEMO, missing=0.0))
    spent = (
        service.tables["attempts"]
        .join(service.tables["lesions"].select("lesion_id", "procedure_id"), on="lesion_id")
        .group_by("procedure_id")
        .agg(pl.col("minutes").sum())
        .join(service.tables["procedures"], on="procedure_id")
    )
    assert (spent["minutes"] <= spent["duration_min"]).all()
    assert (spent["fluoroscopy_min"] <= spent["duration_min"]).all()


def test_values_go_missing_by_site_and_never_by_outcome(large: Service) -> None:
    lesion = large.tables["lesions"].with_columns(
        pl.when(large.truth["started_from_below"])
        .then(large.truth["first_if_below"])
        .otherwise(large.truth["first_if_above"])
        .alias("crossed")
    )
    assert 0.01 < lesion["length_mm"].is_null().mean() < 0.03
    for column in ("length_mm", "calcium_grade", "proximal_cap", "distal_cap", "runoff_vessels"):
        gone, crossed = lesion[column].is_null().to_numpy(), lesion["crossed"].to_numpy()
        assert gone.any(), column
        assert abs(np.corrcoef(gone, crossed)[0, 1]) < 4 / np.sqrt(len(gone)), column


def test_missing_values_can_be_switched_off_without_changing_anything_else(demo: Service) -> None:
    complete = invent(2000, 1, replace(DEMO, missing=0.0))
    assert complete.truth.equals(demo.truth)
    by_nature = {"target_angiosome", "planned_approach", "attempt_id", "lesion_id", "side", "plane"}
    for table in TABLES:
        whole, gappy = complete.tables[table.name], demo.tables[table.name]
        for name in table.column_names:
            if name not in by_nature:
                assert whole[name].null_count() == 0, name
            assert ((whole[name] == gappy[name]).fill_null(value=True)).all(), name


def test_the_scenarios_differ_as_their_names_say() -> None:
    assert invent(500, 9, EFFECT).truth.equals(invent(500, 9, DEMO).truth)  # only their gaps differ
    calm = invent(2000, 9, replace(DEMO, confounding=0.0)).truth_summary
    assert abs(calm.difference(FIRST, "treated") - calm.difference(FIRST, "all")) < 0.02


def test_a_large_extract_has_more_operators_and_sites() -> None:
    procedures = invent(10_000, 2).tables["procedures"]
    assert procedures["operator_id"].n_unique() == 20
    assert procedures["site_id"].n_unique() == 4


def test_the_same_seed_writes_the_same_bytes_for_the_user_alone(tmp_path: Path) -> None:
    for place in ("one", "two"):
        write_service(invent(400, 11), tmp_path / place)
    files = sorted(path.relative_to(tmp_path / "one") for path in (tmp_path / "one").rglob("*") if path.is_file())
    assert [str(file) for file in files if len(file.parts) == 1] == sorted(f"{table.name}.csv" for table in TABLES)
    assert [str(file) for file in files if len(file.parts) == 2] == ["truth/truth.csv", "truth/truth.json"]
    for file in files:
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()
        assert (tmp_path / "one" / file).stat().st_mode & 0o777 == 0o600
    for folder in (tmp_path / "one", tmp_path / "one" / "truth"):
        assert folder.stat().st_mode & 0o777 == 0o700
    write_service(invent(400, 12), tmp_path / "other")
    assert (tmp_path / "other" / "lesions.csv").read_bytes() != (tmp_path / "one" / "lesions.csv").read_bytes()


def test_what_is_written_reads_back_as_the_same_tables(tmp_path: Path) -> None:
    service = invent(300, 13)
    write_service(service, tmp_path)
    for table in TABLES:
        types = {column.name: POLARS_TYPES[column.type] for column in table.columns}
        assert pl.read_csv(tmp_path / f"{table.name}.csv", schema=types).equals(service.tables[table.name])
    told = json.loads((tmp_path / "truth" / "truth.json").read_text(encoding="utf-8"))
    overlap = next(
        r for r in told["risks"] if (r["endpoint"], r["population"], r["profile"]) == (SESSION, "overlap", "all")
    )
    assert overlap["difference"] == pytest.approx(
        service.truth_summary.difference(SESSION, "overlap"), abs=1e-8
    )  # 9 decimals


def test_a_tables_bytes_do_not_depend_on_the_process(tmp_path: Path) -> None:
    # Hash seeds differ between processes: nothing may hang on the order of a set.
    code = "import sys; from pathlib import Path; from synthetic_data.service import invent, write_service; write_service(invent(200, 21), Path(sys.argv[1]))"
    for place, seed in (("one", "1"), ("two", "2")):
        subprocess.run(
            [sys.executable, "-c", code, str(tmp_path / place)],
            check=True,
            env={"PYTHONHASHSEED": seed},
            cwd=Path(__file__).parent.parent,
        )
    for file in sorted((tmp_path / "one").rglob("*.*")):
        assert file.read_bytes() == (tmp_path / "two" / file.relative_to(tmp_path / "one")).read_bytes()
