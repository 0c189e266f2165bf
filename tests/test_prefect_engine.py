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
    environment = {k: v for k, v in os.environ.items() if not k.startswith("PREFECT")} | {
        "XDG_CONFIG_HOME": str(tmp_path)
    }
    told = {}
    for engine in ("direct", "prefect"):
        out = tmp_path / engine
        done = subprocess.run(
            [sys.executable, "-m", "pipeline", "run", "--tables", str(tables), "--out", str(out), "--engine", engine],
            capture_output=True,
            text=True,
            env=environment,
            cwd=ROOT,
            timeout=400,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        told[engine] = done.stderr
    assert "Prefect flow" in told["prefect"]
    for name in ("estimates.csv", "counts.csv", "set_aside.csv"):
        assert (tmp_path / "direct" / "results" / name).read_bytes() == (
            tmp_path / "prefect" / "results" / name
        ).read_bytes()
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
    from pipeline.flow import prefect_server

    monkeypatch.delenv("PREFECT_API_URL", raising=False)
    assert prefect_server() is None
    monkeypatch.setenv("PREFECT_API_URL", "http://127.0.0.1:4200/api")
    assert prefect_server() == "http://127.0.0.1:4200/api"
