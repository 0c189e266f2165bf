"""An export in the making: cells, then text, then bytes, then files on the disk."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from pathlib import Path

from tests.malformed.sound import Cells, sound_cells


class Stage(IntEnum):
    """When a change is made."""

    CELLS = 1
    TEXT = 2
    BYTES = 3
    FILES = 4
    DISK = 5


@dataclass(slots=True)
class Written:
    """How one table's text is written."""

    separator: str = ","
    line_end: str = "\n"
    encoding: str = "utf-8"
    quoting: int = csv.QUOTE_MINIMAL


@dataclass(slots=True)
class Draft:
    """An export in the making: cells, then text by table, then bytes by file name. `mapping` and `plan` are TOML, None for none."""

    cells: Cells = field(default_factory=sound_cells)
    written: dict[str, Written] = field(default_factory=dict)
    texts: dict[str, str] = field(default_factory=dict)
    files: dict[str, bytes] = field(default_factory=dict)
    mapping: bytes | None = None
    plan: bytes | None = None

    def __post_init__(self) -> None:
        self.written = {name: Written() for name in self.cells}


@dataclass(frozen=True, slots=True)
class Change:
    """One thing done to the draft, or to the folder once it is on the disk."""

    stage: Stage
    make: Callable[[Draft], None] = lambda draft: None
    on_disk: Callable[[Path], None] = lambda folder: None


@dataclass(frozen=True, slots=True)
class OnDisk:
    """An export that is written out: its draft, and where its mapping and its plan are, None for none."""

    draft: Draft
    mapping: Path | None
    plan: Path | None


def written_out(changes: Sequence[Change], folder: Path) -> OnDisk:
    """The export with `changes` in `folder`, its mapping and its plan beside it."""
    draft = Draft()
    _make(draft, changes, Stage.CELLS)
    draft.texts = {name: as_csv(rows, draft.written[name]) for name, rows in draft.cells.items()}
    _make(draft, changes, Stage.TEXT)
    draft.files = {f"{name}.csv": text.encode(draft.written[name].encoding) for name, text in draft.texts.items()}
    _make(draft, changes, Stage.BYTES)
    _make(draft, changes, Stage.FILES)
    folder.mkdir()
    for name, content in draft.files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    for change in changes:
        change.on_disk(folder)
    return OnDisk(draft, _beside(folder, "mapping.toml", draft.mapping), _beside(folder, "plan.toml", draft.plan))


def _beside(folder: Path, name: str, content: bytes | None) -> Path | None:
    if content is None:
        return None
    folder.with_name(name).write_bytes(content)
    return folder.with_name(name)


def _make(draft: Draft, changes: Sequence[Change], stage: Stage) -> None:
    for change in changes:
        if change.stage == stage:
            change.make(draft)


def as_csv(rows: Sequence[Sequence[str]], how: Written) -> str:
    """Cells as CSV text."""
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=how.separator, lineterminator=how.line_end, quoting=how.quoting).writerows(rows)  # type: ignore[arg-type]
    return out.getvalue()
