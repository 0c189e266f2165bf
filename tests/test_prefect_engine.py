"""The real Prefect engine, once: the same run as a flow of tasks on a temporary server."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from synthetic_data.service import invent, write_service

ROOT = Path(__file__).parent.parent


@pytest.mark.engine
def test_the_prefect_flow_writes_the_same_results_as_the_direct_run(tmp_path: Path) -> None:
    tables = tmp_path / "tables"
    write_service(invent(300, 7), tables)
    told = {}
    for engine in ("direct", "prefect"):
        done = _run(tmp_path, tables, engine, out=engine)
        assert done.returncode == 0, done.stderr
        told[engine] = done.stderr
    assert "Prefect flow" in told["prefect"]
    for name in ("estimates.csv", "counts.csv", "set_aside.csv"):
        direct, prefect = (tmp_path / engine / "results" / name for engine in ("direct", "prefect"))
        assert direct.read_bytes() == prefect.read_bytes(), name
    _prefect_keeps_nothing_of_a_case(tmp_path / "prefect" / ".prefect", tables)


def _prefect_keeps_nothing_of_a_case(home: Path, tables: Path) -> None:
    assert home.is_dir()
    patients = [line.split(",")[0].encode() for line in (tables / "patients.csv").read_text().splitlines()[1:60]]
    for path in home.rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            for patient in patients:
                assert patient not in content, f"Prefect kept a patient's key in {path.name}"
    assert not list((home / "storage").glob("*")) if (home / "storage").exists() else True


def test_auto_takes_prefect_only_where_a_server_is_configured(monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline.engine import prefect_server

    monkeypatch.delenv("PREFECT_API_URL", raising=False)
    assert prefect_server() is None
    monkeypatch.setenv("PREFECT_API_URL", "http://127.0.0.1:4200/api")
    assert prefect_server() == "http://127.0.0.1:4200/api"


def test_a_server_that_does_not_answer_is_named_in_one_line(tmp_path: Path) -> None:
    done = _run(tmp_path, tmp_path / "tables", engine="auto", PREFECT_API_URL="http://127.0.0.1:9/api")
    assert done.returncode == 1
    assert (
        done.stderr.strip()
        .splitlines()[-1]
        .startswith("crosswise: no Prefect server answers at http://127.0.0.1:9/api")
    )
    assert "Traceback" not in done.stderr


@pytest.mark.engine
def test_a_fault_in_a_step_comes_through_prefect_as_one_line_and_stays_out_of_its_records(tmp_path: Path) -> None:
    tables = tmp_path / "tables"
    write_service(invent(60, 7), tables)
    patients = tables / "patients.csv"
    patients.write_text(patients.read_text().replace("patient_id", "Nachname", 1))
    done = _run(tmp_path, tables, engine="prefect")
    assert done.returncode == 1
    assert "patients.csv" in done.stderr
    assert "Traceback" not in done.stderr
    for path in (tmp_path / "out" / ".prefect").rglob("*"):
        if path.is_file():
            assert b"Nachname" not in path.read_bytes(), path.name


def _run(folder: Path, tables: Path, engine: str, out: str = "out", **more: str) -> subprocess.CompletedProcess[str]:
    tables.mkdir(exist_ok=True)
    environment = {k: v for k, v in os.environ.items() if not k.startswith("PREFECT")}
    return subprocess.run(
        [
            sys.executable,
            "-m",
            "pipeline",
            "run",
            "--tables",
            str(tables),
            "--out",
            str(folder / out),
            "--engine",
            engine,
        ],
        capture_output=True,
        text=True,
        env=environment | {"XDG_CONFIG_HOME": str(folder)} | more,
        cwd=ROOT,
        timeout=400,
        check=False,
    )
