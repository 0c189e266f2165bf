"""Writing the outputs so that a failed run leaves the last good ones as they were."""

from __future__ import annotations

import hashlib
import json
import os
import platform
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path

import polars as pl

from models.results import Edition
from pipeline.faults import NeedsMending
from pipeline.plan import Plan
from pipeline.read import SourceFile

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

# What a run replaces under --out, in the order in which it is moved into place: the manifest last, as the seal.
PARTS = ("report", "results", "service.duckdb", "edition.json", "manifest.json")

LOCK = ".writing"


@dataclass(frozen=True, slots=True)
class Outputs:
    """All that a run writes. `pages` by file name; `tables` by name, written as CSV and Parquet; `schemas` for the DuckDB file."""

    pages: Mapping[str, str]
    tables: Mapping[str, pl.DataFrame]
    schemas: Mapping[str, Mapping[str, pl.DataFrame]]
    edition: Edition
    plan: Plan
    sources: tuple[SourceFile, ...]
    seconds: tuple[tuple[str, float], ...]


StoreWriter = Callable[[Path, Mapping[str, Mapping[str, pl.DataFrame]]], None]


def publish(out: Path, outputs: Outputs, write_store: StoreWriter) -> None:
    """Write everything beside `out`'s contents, then move it into place by rename.

    Files are private (0600, folders 0700). Raises NeedsMending when the folder cannot be written or another run is
    writing there.
    """
    try:
        out.mkdir(parents=True, exist_ok=True, mode=0o700)
        with _only_writer(out):
            staging = Path(tempfile.mkdtemp(prefix=".next-", dir=out))  # mkdtemp makes it 0700
            try:
                _write_all(staging, outputs, write_store)
                _make_private(staging)
                _swap_in(staging, out)
            finally:
                shutil.rmtree(staging, ignore_errors=True)
    except OSError as error:
        raise NeedsMending(
            f"{out}: cannot be written ({error.strerror or 'unknown reason'}); the last outputs are untouched"
        ) from None


def check_out(out: Path) -> None:
    """Make sure, before any work, that outputs can go to `out` and that nothing of the user's own would be replaced.

    Raises NeedsMending when the folder cannot be made or written, or when report/ or results/ hold a file that no run wrote.
    """
    try:
        out.mkdir(parents=True, exist_ok=True, mode=0o700)
        with tempfile.TemporaryFile(dir=out):
            pass
    except OSError as error:
        raise NeedsMending(
            f"{out}: cannot be written ({error.strerror or 'unknown reason'}); choose another --out"
        ) from None
    ours = _written_by_the_last_run(out)
    for part in ("report", "results"):
        for path in sorted((out / part).rglob("*")):
            name = path.relative_to(out).as_posix()
            if path.is_file() and name not in ours:
                raise NeedsMending(
                    f"{out}: {name} was not written by Crosswise and would be replaced; move it, or choose another --out"
                )


def _written_by_the_last_run(out: Path) -> frozenset[str]:
    try:
        return frozenset(json.loads((out / "manifest.json").read_text(encoding="utf-8"))["files_sha256"])
    except (OSError, ValueError, KeyError, TypeError):
        return frozenset()


def _write_all(staging: Path, outputs: Outputs, write_store: StoreWriter) -> None:
    report, results = staging / "report", staging / "results"
    report.mkdir()
    results.mkdir()
    for name, page in outputs.pages.items():
        (report / name).write_text(page, encoding="utf-8")
    for name, frame in outputs.tables.items():
        frame.write_csv(results / f"{name}.csv")
        frame.write_parquet(results / f"{name}.parquet")
    write_store(staging / "service.duckdb", outputs.schemas)
    (staging / "edition.json").write_text(json.dumps(asdict(outputs.edition), indent=1), encoding="utf-8")
    written = sorted(p for p in staging.rglob("*") if p.is_file())
    manifest = _manifest(outputs, {str(p.relative_to(staging).as_posix()): _sha256(p) for p in written})
    (staging / "manifest.json").write_text(json.dumps(manifest, indent=1), encoding="utf-8")


def _manifest(outputs: Outputs, files: Mapping[str, str]) -> dict[str, object]:
    return {
        "versions": {"python": platform.python_version(), **{name: version(name) for name in VERSIONED}},
        "plan": outputs.plan.model_dump(mode="json"),
        "plan_sha256": outputs.plan.hash,
        "seed": outputs.plan.seed,
        "inputs": [asdict(source) for source in outputs.sources],
        "rows": [asdict(count) for count in outputs.edition.table_counts],
        "files_sha256": files,
        "seconds": {name: round(seconds, 3) for name, seconds in outputs.seconds},
    }


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _make_private(folder: Path) -> None:
    for path in folder.rglob("*"):
        path.chmod(0o700 if path.is_dir() else 0o600)


def _swap_in(staging: Path, out: Path) -> None:
    """Move each part into place, keeping the one it replaces until all are; on a fault put the old ones back."""
    kept = staging / "replaced"
    kept.mkdir()
    moved: list[str] = []
    try:
        for part in PARTS:
            if (out / part).exists():
                (out / part).rename(kept / part)
            moved.append(part)
            (staging / part).rename(out / part)
    except OSError:
        for part in reversed(moved):
            if (kept / part).exists():
                if (out / part).is_dir():
                    shutil.rmtree(out / part)
                (kept / part).replace(out / part)
        raise


@contextmanager
def _only_writer(out: Path) -> Iterator[None]:
    """A lock that the system drops with the process, so that a killed run does not bar the next."""
    try:
        import fcntl
    except (
        ImportError
    ):  # Windows has no fcntl; there an open file cannot be replaced, which bars a second writer as well
        yield
        return
    handle = os.open(out / LOCK, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise NeedsMending(f"{out}: another run is writing there; wait for it or choose another --out") from None
        yield
    finally:
        os.close(handle)
