"""The outputs of a run: written beside those that stand, hashed into the manifest, and put in their place all at once."""

from __future__ import annotations

import hashlib
import json
import platform
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path

import polars as pl

from models.results import Edition
from pipeline.editions import put_in_place
from pipeline.faults import NeedsMending
from pipeline.plan import Plan

# Libraries whose release could change a number or a chart; named in the manifest.
VERSIONED = (
    "crosswise",
    "polars",
    "duckdb",
    "numpy",
    "scipy",
    "statsmodels",
    "scikit-learn",
    "altair",
    "vl-convert-python",
    "prefect",
)


@dataclass(frozen=True, slots=True)
class Outputs:
    """All that a run writes beside the DuckDB file. `pages` by file name; `tables` by name, written as CSV and Parquet.

    `inputs` tell the files that were read, one mapping each; `delivery` which delivery the outputs are of.
    """

    pages: Mapping[str, str]
    tables: Mapping[str, pl.DataFrame]
    edition: Edition
    plan: Plan
    inputs: Sequence[Mapping[str, object]]
    delivery: Mapping[str, object]
    seconds: tuple[tuple[str, float], ...]


def publish(out: Path, folder: Path, outputs: Outputs) -> None:
    """Write the outputs into `folder`, which `editions.writing` gave for `out` and which holds the DuckDB file, and put it in place.

    Raises NeedsMending when they cannot be written; those that stand are then untouched.
    """
    try:
        _write_all(folder, outputs)
        put_in_place(folder, out)
    except (OSError, pl.exceptions.ComputeError) as error:  # polars tells of a full disk by the second
        if isinstance(error, pl.exceptions.ComputeError) and "os error" not in str(error):
            raise
        raise NeedsMending(f"{out}: cannot be written ({_reason(error)}); the last outputs are untouched") from None


def _write_all(folder: Path, outputs: Outputs) -> None:
    report, results = folder / "report", folder / "results"
    report.mkdir()
    results.mkdir()
    for name, page in outputs.pages.items():
        (report / name).write_text(page, encoding="utf-8")
    for name, frame in outputs.tables.items():
        frame.write_csv(results / f"{name}.csv")
        frame.write_parquet(results / f"{name}.parquet")
    (folder / "edition.json").write_text(json.dumps(asdict(outputs.edition), indent=1), encoding="utf-8")
    written = sorted(p for p in folder.rglob("*") if p.is_file())
    manifest = _manifest(outputs, {p.relative_to(folder).as_posix(): _sha256(p) for p in written})
    (folder / "manifest.json").write_text(json.dumps(manifest, indent=1), encoding="utf-8")


def _manifest(outputs: Outputs, files: Mapping[str, str]) -> dict[str, object]:
    return {
        "versions": {"python": platform.python_version(), **{name: version(name) for name in VERSIONED}},
        "plan": outputs.plan.model_dump(mode="json"),
        "plan_sha256": outputs.plan.hash,
        "seed": outputs.plan.seed,
        "delivery": outputs.delivery,
        "inputs": outputs.inputs,
        "rows": [asdict(count) for count in outputs.edition.table_counts],
        "files_sha256": files,
        "seconds": {name: round(seconds, 3) for name, seconds in outputs.seconds},
    }


def _reason(error: Exception) -> str:
    """Why a file could not be written, without its path."""
    told = error.strerror if isinstance(error, OSError) else None
    found = re.search(r"([A-Z][\w ]+) \(os error \d+\)", str(error))  # as polars tells it
    return told or (found[1] if found else "unknown reason")


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
