"""Outputs of a few bytes, whole and sealed, for tests of the folder that they stand in. Imports nothing slow."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path


def build(folder: Path, word: str) -> None:
    """Outputs that all say `word`, sealed by a manifest."""
    for name in ("report/strategy.html", "results/counts.csv", "service.duckdb", "edition.json"):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(f"{word} {name}")
    files = {p.relative_to(folder).as_posix(): sha256(p) for p in sorted(folder.rglob("*")) if p.is_file()}
    (folder / "manifest.json").write_text(json.dumps({"word": word, "files_sha256": files}))


def sha256(path: Path) -> str:
    """Of the file's bytes, 64 hexadecimal digits."""
    return hashlib.sha256(path.read_bytes()).hexdigest()
