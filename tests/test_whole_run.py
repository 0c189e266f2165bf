"""The commands as a user meets them: demo, a foreign export, faults, exit statuses, private and repeatable outputs."""

from __future__ import annotations

import json
import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline import Plan, analyze, read_tables
from reports.strategy import strategy_page
from synthetic_data.rows import valid_tables
from synthetic_data.service import invent

ROOT = Path(__file__).parent.parent
FOREIGN = ROOT / "synthetic_data" / "foreign_site"
ESTIMATE_COLUMNS = [
    "endpoint",
    "contrast",
    "population",
    "method",
    "profile",
    "measure",
    "estimate",
    "lower",
    "upper",
    "level",
    "p_value",
    "n",
    "n_retrograde",
    "n_antegrade",
    "events_retrograde",
    "events_antegrade",
    "effective_n",
    "note",
]


def crosswise(*words: str | Path, home: Path) -> subprocess.CompletedProcess[str]:
    environment = {k: v for k, v in os.environ.items() if not k.startswith(("PREFECT", "CROSSWISE"))}
    environment["XDG_CONFIG_HOME"] = str(home)
    return subprocess.run(
        [sys.executable, "-m", "pipeline", *map(str, words)],
        capture_output=True,
        text=True,
        env=environment,
        cwd=ROOT,
        timeout=240,
        check=False,
    )


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("home")


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory, home: Path) -> Path:
    out = tmp_path_factory.mktemp("demo") / "out"
    done = crosswise("demo", "--out", out, home=home)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == str(out / "report" / "strategy.html")
    return out


@pytest.fixture(scope="module")
def foreign(tmp_path_factory: pytest.TempPathFactory, home: Path) -> Path:
    out = tmp_path_factory.mktemp("foreign") / "out"
    done = crosswise("run", "--tables", FOREIGN, "--mapping", FOREIGN / "mapping.toml", "--out", out, home=home)
    assert done.returncode == 0, done.stderr
    return out


def _main_line(out: Path, **wanted: str) -> dict[str, object]:
    frame = pl.read_csv(out / "results" / "estimates.csv")
    wanted = {"profile": "all", "measure": "risk_difference", "endpoint": "first_approach_crossed"} | wanted
    return frame.filter(*(pl.col(k) == v for k, v in wanted.items())).row(0, named=True)


def test_the_demo_shows_the_crude_table_pointing_the_wrong_way_and_the_adjusted_interval_holding_the_truth(
    demo,
) -> None:
    crude = _main_line(demo, method="crude")
    adjusted = _main_line(demo, method="doubly_robust", population="overlap")
    truth = json.loads((demo / "tables" / "truth" / "truth.json").read_text())
    true = next(
        r["risk_retrograde"] - r["risk_antegrade"]
        for r in truth["risks"]
        if (r["endpoint"], r["population"], r["profile"]) == ("first_approach_crossed", "overlap", "all")
    )
    assert crude["estimate"] < 0 < adjusted["estimate"]
    assert crude["upper"] < 0 < adjusted["lower"]
    assert adjusted["lower"] < true < adjusted["upper"]


@pytest.mark.parametrize("which", ["demo", "foreign"])
def test_rows_read_are_rows_used_and_rows_set_aside_for_every_table(which: str, request: pytest.FixtureRequest) -> None:
    out = request.getfixturevalue(which)
    counts = pl.read_csv(out / "results" / "counts.csv").filter(
        pl.col("stage") == "intake", pl.col("reason").fill_null("") == ""
    )
    wide = counts.pivot(on="label", index="table", values="count")
    assert wide.height == 6
    assert (wide["rows read"] == wide["rows used"] + wide["rows set aside"]).all()
    aside = pl.read_csv(out / "results" / "set_aside.csv").filter(pl.col("what") == "row")
    assert aside.height == wide["rows set aside"].sum()
    with duckdb.connect(str(out / "service.duckdb"), read_only=True) as store:
        for table, read, used in wide.select("table", "rows read", "rows used").iter_rows():
            told = f"SELECT read, used FROM history.counts WHERE table_name = '{table}'"
            assert store.sql(told).fetchall() == [(read, used)]
            assert store.sql(f"SELECT count(*) FROM checked.{table}").fetchall() == [(used,)]
        compared = store.sql("SELECT count(*) FROM derived.lesions").fetchall()
    assert compared == [(_main_line(out, method="crude")["n"],)]


def test_the_foreign_export_sets_aside_just_the_rows_that_were_broken(foreign: Path) -> None:
    expected = json.loads((FOREIGN / "expected_faults.json").read_text())
    counts = json.loads((foreign / "manifest.json").read_text())["rows"]
    for count in counts:
        assert count["set_aside"] == expected[count["table"]]["rows_set_aside"], count["table"]
        assert count["read"] == expected[count["table"]]["rows_read"], count["table"]


def test_no_identity_of_the_foreign_export_reaches_any_output(foreign: Path) -> None:
    raw = pl.read_csv(
        FOREIGN / "Patienten.csv", separator=";", encoding="cp1252", infer_schema=False, truncate_ragged_lines=True
    )
    words = [v for v in raw["Nachname"].drop_nulls().unique() if len(v) > 4][:40]
    words += [v for v in raw["Pat-Schlüssel"].drop_nulls().unique() if len(v) > 4][:40]
    assert len(words) > 20
    for path in foreign.rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            for word in words:
                assert word.encode() not in content, f"{path.name} holds a value of an identifying column"


def test_the_same_inputs_and_plan_give_the_same_bytes(demo: Path, tmp_path: Path, home: Path) -> None:
    again = tmp_path / "again"
    assert crosswise("demo", "--out", again, home=home).returncode == 0
    for name in ("estimates.csv", "counts.csv", "set_aside.csv"):
        assert (demo / "results" / name).read_bytes() == (again / "results" / name).read_bytes(), name
    assert (demo / "report" / "strategy.html").read_bytes() == (again / "report" / "strategy.html").read_bytes()


def test_outputs_are_private(demo: Path) -> None:
    for path in (demo, *demo.rglob("*")):
        mode = stat.S_IMODE(path.stat().st_mode)
        assert mode == (0o700 if path.is_dir() else 0o600), path


def test_estimates_have_the_columns_that_users_rely_on(demo: Path) -> None:
    frame = pl.read_csv(demo / "results" / "estimates.csv")
    assert frame.columns == ESTIMATE_COLUMNS
    assert pl.read_parquet(demo / "results" / "estimates.parquet").columns == ESTIMATE_COLUMNS
    given = frame.filter(pl.col("estimate").is_not_null())
    assert given.height > 100
    for column in ("lower", "upper"):
        assert given[column].is_not_null().all() and given[column].is_finite().all()
    assert (given["lower"] <= given["estimate"]).all() and (given["estimate"] <= given["upper"]).all()
    absent = frame.filter(pl.col("estimate").is_null())
    assert absent["note"].str.len_chars().min() > 10


def test_a_run_that_fails_leaves_the_last_outputs_untouched(foreign: Path, tmp_path: Path, home: Path) -> None:
    out = tmp_path / "out"
    shutil.copytree(foreign, out, symlinks=True)
    before = {p: p.read_bytes() for p in out.rglob("*") if p.is_file()}
    tables = tmp_path / "tables"
    shutil.copytree(FOREIGN, tables)
    (tables / "Versuche.csv").unlink()
    failed = crosswise("run", "--tables", tables, "--mapping", FOREIGN / "mapping.toml", "--out", out, home=home)
    assert failed.returncode == 1
    assert failed.stderr.strip().splitlines()[-1].startswith("crosswise: ")
    assert "Traceback" not in failed.stderr
    assert {p: p.read_bytes() for p in out.rglob("*") if p.is_file()} == before


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (["run"], 2, "--out"),
        (["run", "--out", "unused"], 2, "--tables"),
        (["run", "--tables", str(FOREIGN), "--as-of", "1", "--out", "unused"], 2, "--as-of"),
        (["run", "--as-of", "yesterday", "--out", "unused"], 2, "--as-of yesterday"),
        (["run", "--as-of", "1", "--mapping", "m.toml", "--out", "unused"], 2, "--mapping"),
        (["run", "--as-of", "1", "--out", "unused"], 1, "no service.duckdb"),
        (["demo", "--cases", "3"], 2, "--cases"),
        (["nonsense"], 2, "nonsense"),
        ([], 2, ""),
        (["--help"], 0, ""),
        (["--version"], 0, ""),
        (["check", "--tables", "no/such/folder"], 1, "no such folder"),
        (["run", "--tables", str(FOREIGN), "--mapping", "no.toml", "--out", "unused"], 1, "no.toml"),
        (["run", "--tables", str(FOREIGN), "--plan", "no.toml", "--out", "unused"], 1, "no.toml"),
    ],
)
def test_exit_status_and_one_clear_line(words: list[str], status: int, says: str, home: Path) -> None:
    done = crosswise(*(home / word if word == "unused" else word for word in words), home=home)
    assert done.returncode == status
    assert says in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("own", ["results/thesis.csv", "report/notes/mine.txt"])
def test_a_file_of_the_users_own_is_never_replaced(own: str, tmp_path: Path, home: Path) -> None:
    out = tmp_path / "out"
    kept = out / own
    kept.parent.mkdir(parents=True)
    kept.write_text("my work")
    done = crosswise("run", "--tables", FOREIGN, "--mapping", FOREIGN / "mapping.toml", "--out", out, home=home)
    assert done.returncode == 1
    assert own in done.stderr
    assert kept.read_text() == "my work"


def test_an_out_folder_that_cannot_be_made_is_told_before_any_work(tmp_path: Path, home: Path) -> None:
    (tmp_path / "file").write_text("")
    done = crosswise(
        "run", "--tables", FOREIGN, "--mapping", FOREIGN / "mapping.toml", "--out", tmp_path / "file" / "out", home=home
    )
    assert done.returncode == 1
    assert "cannot be written" in done.stderr
    assert "Reading" not in done.stderr


@pytest.mark.parametrize("column", ["birth_year", "rutherford", "in_stent", "distal_cap", "operator_id"])
def test_a_service_that_does_not_export_an_optional_column_gets_its_report(column: str, tmp_path: Path) -> None:
    tables = {name: frame.drop(column, strict=False) for name, frame in invent(500, 6).tables.items()}
    results = analyze(tables)
    assert results.estimates.filter(pl.col("method") == "crude")["estimate"].is_not_null().any()
    assert results.edition.diagnostics is not None


def test_tables_without_a_row_give_an_empty_answer_and_no_fault() -> None:
    results = analyze({name: frame.clear() for name, frame in invent(60, 6).tables.items()})
    assert results.estimates["estimate"].is_null().all()
    assert strategy_page(results.edition).startswith("<!DOCTYPE html>")


def test_a_plan_with_a_fault_is_named_field_by_field(tmp_path: Path, home: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text('level = 2\nprofiles = ["shoe_size"]\n')
    done = crosswise(
        "run",
        "--tables",
        FOREIGN,
        "--mapping",
        FOREIGN / "mapping.toml",
        "--plan",
        plan,
        "--out",
        tmp_path / "o",
        home=home,
    )
    assert done.returncode == 1
    assert "level" in done.stderr
    plan.write_text('profiles = ["shoe_size"]\n')
    done = crosswise(
        "run",
        "--tables",
        FOREIGN,
        "--mapping",
        FOREIGN / "mapping.toml",
        "--plan",
        plan,
        "--out",
        tmp_path / "o",
        home=home,
    )
    assert done.returncode == 1
    assert "shoe_size" in done.stderr
    assert [path.name for path in (tmp_path / "o").iterdir()] == [".writing"]


def test_an_unforeseen_fault_is_told_without_a_traceback_and_ends_with_status_3(tmp_path: Path, home: Path) -> None:
    code = (
        "import sys; import pipeline.flow as f; import pipeline.__main__ as m\n"
        "def broken(*a, **k): raise ValueError('Jane Q. Patient')\n"
        "f.run = broken\n"
        f"sys.argv = ['crosswise', 'run', '--tables', {str(FOREIGN)!r}, '--out', {str(tmp_path / 'o')!r}]\n"
        "m.main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, timeout=60, check=False
    )
    assert done.returncode == 3
    assert "a fault of the tool" in done.stderr
    assert "Jane" not in done.stderr + done.stdout


def test_the_python_interface_gives_the_numbers_of_the_command(demo: Path) -> None:
    results = analyze(read_tables(demo / "tables"), Plan())
    written = pl.read_parquet(demo / "results" / "estimates.parquet")
    # To the last digit, although the pseudonyms are others: nothing is summed in the order of the keys.
    assert results.estimates.equals(written)


def test_typed_tables_give_the_numbers_of_the_files(demo: Path) -> None:
    typed = analyze(invent(2000, 20260101).tables).estimates
    written = pl.read_parquet(demo / "results" / "estimates.parquet")
    assert typed["estimate"].to_list() == pytest.approx(written["estimate"].to_list(), abs=1e-9)


def test_a_service_of_one_lesion_gets_a_report_that_says_it_is_too_few() -> None:
    results = analyze(valid_tables())
    assert results.estimates["estimate"].is_null().all()
    assert results.estimates["note"].str.contains("fewer than").all()


def test_a_later_row_order_does_not_change_an_estimate() -> None:
    tables = invent(400, 3).tables
    turned = {name: frame.reverse() for name, frame in tables.items()}
    there = analyze(tables).estimates["estimate"].to_list()
    assert analyze(turned).estimates["estimate"].to_list() == pytest.approx(there, abs=1e-9)


def test_every_folder_is_imported_from_this_checkout() -> None:
    import models
    import pipeline
    import reports
    import synthetic_data

    for folder in (pipeline, models, reports, synthetic_data):
        assert Path(str(folder.__file__)).is_relative_to(ROOT)


def test_a_lesion_with_an_attempt_that_cannot_be_read_is_left_out_and_counted() -> None:
    tables = invent(300, 5).tables
    attempts = tables["attempts"].with_columns(pl.col("approach").cast(pl.String))
    broken = attempts.with_columns(
        approach=pl.when(pl.int_range(pl.len()) == 0).then(pl.lit("sideways")).otherwise(pl.col("approach"))
    )
    twice = pl.concat([attempts, attempts.head(1)])
    plain = analyze(tables).counts
    for changed, lost in ((broken, 1), (twice, 0)):
        counts = analyze({**tables, "attempts": changed}).counts
        left = counts.filter(pl.col("reason").str.contains("set aside at intake"), pl.col("stage") == "analysis")
        assert left["count"].sum() == lost
        assert _compared(counts) == _compared(plain) - lost


def _compared(counts: pl.DataFrame) -> int:
    return counts.filter(pl.col("stage") == "analysis", pl.col("reason") == "")["count"].to_list()[-1]
