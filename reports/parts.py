"""A page in sections and parts, where figures and tables follow each other in any order."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from markupsafe import Markup

from reports.page import Figure, Key
from reports.row_chart import SIZES, Size
from reports.table_text import Table

NOTHING = Table("", (), ())


@dataclass(frozen=True, slots=True)
class Part:
    """Paragraphs, then figures and tables, under a heading of their own where `title` is given. `kind`: "quoted" text stands in a box."""

    title: str
    paragraphs: tuple[str, ...] = ()
    items: tuple[Figure | Table, ...] = ()
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    """One section of the page."""

    name: str
    title: str
    parts: tuple[Part, ...]


def drawn_figure(
    name: str,
    title: str,
    draw: Callable[[Size], Markup],
    *,
    alternative: str,
    caption: str,
    table: Table = NOTHING,
    key: tuple[Key, ...] = (),
    absent: str = "",
    print_table: bool = False,
) -> Figure:
    """A figure from pictures drawn by hand at both sizes; with `absent` given the reason is printed instead."""
    if absent:
        return Figure(name, title, "", table, absent=absent, print_table=print_table)
    drawings = tuple((size.name, draw(size)) for size in SIZES)
    return Figure(name, title, alternative, table, drawings, (), key, caption, "", print_table)
