"""A table as the template lays it out: text cells under headings."""

from __future__ import annotations

from dataclasses import dataclass

from reports.notation import HIDDEN


@dataclass(frozen=True, slots=True)
class Table:
    """Text cells under column headings; the first column names the row. `words` are the columns that are not numbers."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: frozenset[int] = frozenset({0})
    row_classes: tuple[str, ...] = ()
    nothing: str = "Nothing to list."

    @property
    def has_hidden(self) -> bool:
        """True when a cell is or holds a hidden number, so that the footnote is needed."""
        return any(HIDDEN in cell for row in self.rows for cell in row)
