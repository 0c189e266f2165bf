"""What can be done to a sound export to make it wrong, in the order in which a file comes into being: cells, text, bytes, folder."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

from tests.malformed.draft import Change, Draft, Stage, Written
from tests.malformed.sound import Cells

# Cells


def cell(table: str, row: int, column: str, value: str) -> Change:
    """Another value in one cell; `row` is the file's, in which the header is row 1."""

    def make(draft: Draft) -> None:
        rows = draft.cells[table]
        rows[row - 1][rows[0].index(column)] = value

    return Change(Stage.CELLS, make)


def column(table: str, name: str, value: str | Callable[[str], str]) -> Change:
    """Another value in every row of one column: the same one, or made of what was there."""

    def make(draft: Draft) -> None:
        rows = draft.cells[table]
        at = rows[0].index(name)
        for row in rows[1:]:
            row[at] = value(row[at]) if callable(value) else value

    return Change(Stage.CELLS, make)


def header(table: str, name: str, new: str) -> Change:
    """Another header over one column."""

    def make(draft: Draft) -> None:
        headers = draft.cells[table][0]
        headers[headers.index(name)] = new

    return Change(Stage.CELLS, make)


def headers(table: str, new: Callable[[str], str]) -> Change:
    """Another header over every column."""

    def make(draft: Draft) -> None:
        draft.cells[table][0] = [new(name) for name in draft.cells[table][0]]

    return Change(Stage.CELLS, make)


def without_column(table: str, name: str) -> Change:
    """The column left out."""

    def make(draft: Draft) -> None:
        at = draft.cells[table][0].index(name)
        draft.cells[table] = [row[:at] + row[at + 1 :] for row in draft.cells[table]]

    return Change(Stage.CELLS, make)


def more_column(table: str, name: str, values: Callable[[int], str], *, at: int | None = None) -> Change:
    """One column more, at the end or before the column `at`; `values` gives the value of each row from its place, from 0."""

    def make(draft: Draft) -> None:
        rows = draft.cells[table]
        place = len(rows[0]) if at is None else at
        for number, row in enumerate(rows):
            row.insert(place, name if number == 0 else values(number - 1))

    return Change(Stage.CELLS, make)


def more_row(table: str, like: int, at: int | None = None, **values: str) -> Change:
    """A copy of row `like` with other values, at the end or as row `at`."""

    def make(draft: Draft) -> None:
        rows = draft.cells[table]
        made = dict(zip(rows[0], rows[like - 1], strict=True)) | values
        rows.insert(len(rows) if at is None else at - 1, [made[name] for name in rows[0]])

    return Change(Stage.CELLS, make)


def without_row(table: str, row: int) -> Change:
    """The row left out."""

    def make(draft: Draft) -> None:
        del draft.cells[table][row - 1]

    return Change(Stage.CELLS, make)


def cells(table: str, make: Callable[[list[list[str]]], list[list[str]]]) -> Change:
    """Whatever else is done to a table's cells, the header's among them."""

    def change(draft: Draft) -> None:
        draft.cells[table] = make(draft.cells[table])

    return Change(Stage.CELLS, change)


def key(old: str, new: str) -> Change:
    """Another key for one row, wherever it stands."""

    def make(draft: Draft) -> None:
        for rows in draft.cells.values():
            for row in rows[1:]:
                row[:] = [new if value == old else value for value in row]

    return Change(Stage.CELLS, make)


# Text and bytes


def written(
    *tables: str,
    separator: str = ",",
    line_end: str = "\n",
    encoding: str = "utf-8",
    quoting: int = csv.QUOTE_MINIMAL,
) -> Change:
    """How the tables are written; every table when none is named."""

    def make(draft: Draft) -> None:
        for name in tables or draft.cells:
            draft.written[name] = Written(separator, line_end, encoding, quoting)

    return Change(Stage.CELLS, make)


def text(table: str, make: Callable[[str], str]) -> Change:
    """Whatever is done to a table's text."""

    def change(draft: Draft) -> None:
        draft.texts[table] = make(draft.texts[table])

    return Change(Stage.TEXT, change)


def line(table: str, row: int, make: Callable[[str], str]) -> Change:
    """One line of the text, its line end left as it is; `row` counts the header as 1."""

    def change(draft: Draft) -> None:
        lines = draft.texts[table].splitlines(keepends=True)
        body = lines[row - 1].rstrip("\r\n")
        lines[row - 1] = make(body) + lines[row - 1][len(body) :]
        draft.texts[table] = "".join(lines)

    return Change(Stage.TEXT, change)


def line_before(table: str, row: int, *lines: str) -> Change:
    """More lines before line `row`."""

    def make(draft: Draft) -> None:
        there = draft.texts[table].splitlines(keepends=True)
        end = draft.written[table].line_end
        draft.texts[table] = "".join([*there[: row - 1], *(one + end for one in lines), *there[row - 1 :]])

    return Change(Stage.TEXT, make)


def data(table: str, make: Callable[[bytes], bytes], *, name: str | None = None) -> Change:
    """Whatever is done to the bytes of a table's CSV file; `name` is the file's new name."""

    def change(draft: Draft) -> None:
        content = make(draft.files.pop(f"{table}.csv"))
        draft.files[name or f"{table}.csv"] = content

    return Change(Stage.BYTES, change)


def from_cells(table: str, name: str, make: Callable[[list[list[str]]], bytes]) -> Change:
    """A file of another format, made of the table's cells, in place of its CSV file."""

    def change(draft: Draft) -> None:
        del draft.files[f"{table}.csv"]
        draft.files[name] = make(draft.cells[table])

    return Change(Stage.BYTES, change)


def all_in(name: str, make: Callable[[Cells], bytes]) -> Change:
    """One file that holds every table, in place of the CSV files."""

    def change(draft: Draft) -> None:
        draft.files = {name: make(draft.cells)}

    return Change(Stage.BYTES, change)


# Files


def file(name: str, content: bytes) -> Change:
    """One more file, or another content for one that is there."""

    def make(draft: Draft) -> None:
        draft.files[name] = content

    return Change(Stage.FILES, make)


def without(table: str) -> Change:
    """The table's CSV file left out."""

    def make(draft: Draft) -> None:
        del draft.files[f"{table}.csv"]

    return Change(Stage.FILES, make)


def renamed(old: str, new: str) -> Change:
    """The file under another name."""

    def make(draft: Draft) -> None:
        draft.files[new] = draft.files.pop(old)

    return Change(Stage.FILES, make)


def copied(old: str, new: str) -> Change:
    """The file a second time, under another name."""

    def make(draft: Draft) -> None:
        draft.files[new] = draft.files[old]

    return Change(Stage.FILES, make)


def mapping(toml: str | bytes) -> Change:
    """A mapping file beside the folder."""

    def make(draft: Draft) -> None:
        draft.mapping = toml if isinstance(toml, bytes) else toml.encode()

    return Change(Stage.FILES, make)


def plan(toml: str | bytes) -> Change:
    """A plan beside the folder."""

    def make(draft: Draft) -> None:
        draft.plan = toml if isinstance(toml, bytes) else toml.encode()

    return Change(Stage.FILES, make)


def on_disk(make: Callable[[Path], None]) -> Change:
    """What is done to the folder once the files are in it."""
    return Change(Stage.DISK, on_disk=make)
