"""Drafts a mapping file from an export: which file is which table, which header which column, which code which of ours.

`draft_export` looks, `written` puts it down as a mapping file, `keep` saves it.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from pipeline.case_tables import TABLES
from pipeline.draft.export_sheets import Sheet, see
from pipeline.draft.language import language_of
from pipeline.draft.lines import Draft
from pipeline.draft.table_draft import draft_table
from pipeline.draft.tables import also_like, find_tables, stands_in
from pipeline.draft.written import in_short, written
from pipeline.faults import NeedsMending
from pipeline.reading.export_folder import ExportFolder

__all__ = ["Draft", "draft_export", "in_short", "keep", "must_be_new", "written"]


def draft_export(folder: Path) -> Draft:
    """The draft of a mapping for the export in `folder`.

    Raises NeedsMending when the folder or every file in it cannot be read, or nothing in it looks like one of the tables.
    """
    files = ExportFolder(folder)
    seen = see(files)
    sheets = [sheet for sheet in seen.sheets if sheet.headed]
    faults = [*seen.faults, *_unheaded(seen.sheets)]
    language = language_of(sheets)
    found = find_tables(sheets, language)
    if not found:
        nothing = f"{folder}: no file looks like one of the tables {', '.join(table.name for table in TABLES)}"
        raise NeedsMending(f"{nothing}; check --tables, and that the files have a line of headings", *faults)
    tables = []
    told: set[str] = set()
    for table in TABLES:
        if table.name in found:
            others = also_like(table, found, sheets, language)
            told |= set(others)
            notes = [
                f"{other} looks like {table.name} too; a table is read from one file, so put them together"
                for other in others
            ]
            tables.append(draft_table(files, found[table.name], language, notes))
    used = {id(one.sheet) for one in found.values()}
    return Draft(
        language=language,
        tables=tuple(tables),
        absent=tuple((table, stands_in(table, found, language)) for table in TABLES if table.name not in found),
        spare=tuple(sheet.name for sheet in sheets if id(sheet) not in used and sheet.name not in told),
        faults=tuple(faults),
    )


def must_be_new(path: Path) -> None:
    """Raises NeedsMending when there is something of this name, so that it is told before any work is done."""
    if os.path.lexists(path):
        raise NeedsMending(_not_written_over(path))


def keep(text: str, path: Path) -> None:
    """Saves the text in a new file that only its owner can read. Raises NeedsMending when there is one already, or none can be made."""
    try:
        handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
    except FileExistsError:
        raise NeedsMending(_not_written_over(path)) from None
    except OSError as error:
        raise NeedsMending(f"{path}: the file cannot be made ({error.strerror}); give another to --out") from None
    with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
        file.write(text)


def _not_written_over(path: Path) -> str:
    return f"{path}: there is a file of this name, which is not written over; give another to --out"


def _unheaded(sheets: tuple[Sheet, ...]) -> Iterator[str]:
    for sheet in sheets:
        if not sheet.headed:
            yield f"{sheet.name}: its first line does not look like headings; add a header line"
