"""Marks of a picture drawn by hand as SVG, in the report's own type and colors. Coordinates are CSS pixels from the upper left corner."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable
from html import escape
from typing import Literal

from markupsafe import Markup

from reports import palette
from reports.row_chart import WIDEST_LETTER

Anchor = Literal["start", "middle", "end"]


def picture(width: float, height: float, marks: Iterable[str]) -> Markup:
    """The whole picture. Its text alternative stands on the element around it."""
    return Markup(  # noqa: S704 - made by the functions below, which escape every text
        f'<svg aria-hidden="true" focusable="false" viewBox="0 0 {width:g} {height:g}" width="{width:g}" height="{height:g}" '
        f'font-family="{escape(palette.FONT, quote=True)}">{"".join(marks)}</svg>'
    )


def words(
    x: float, y: float, text: str, *, size: float = 12, color: str = palette.INK, anchor: Anchor = "start", bold: bool = False
) -> str:  # fmt: skip
    """A line of text whose baseline is at `y`."""
    weight = ' font-weight="bold"' if bold else ""
    place = "" if anchor == "start" else f' text-anchor="{anchor}"'
    return f'<text x="{x:g}" y="{y:g}" font-size="{size:g}" fill="{color}"{place}{weight}>{escape(text)}</text>'


def upright(x: float, y: float, text: str, *, size: float = 12, color: str = palette.QUIET) -> str:
    """A line of text that reads upward, its middle at this point."""
    return f'<text transform="translate({x:g} {y:g}) rotate(-90)" font-size="{size:g}" fill="{color}" text-anchor="middle">{escape(text)}</text>'


def line(x1: float, y1: float, x2: float, y2: float, *, color: str = palette.LINE, width: float = 1, dash: str = "") -> str:  # fmt: skip
    """A straight line."""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path d="M{x1:g} {y1:g}L{x2:g} {y2:g}" stroke="{color}" stroke-width="{width:g}"{dashed}/>'


def course(points: Iterable[tuple[float, float]], *, color: str, width: float = 1.2) -> str:
    """A line through these points."""
    path = "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    return f'<path d="M{path}" fill="none" stroke="{color}" stroke-width="{width:g}"/>'


def box(
    x: float, y: float, width: float, height: float, *, fill: str = palette.PAGE, edge: str = palette.QUIET, thick: float = 1, round_by: float = 0
) -> str:  # fmt: skip
    """A rectangle."""
    return f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" rx="{round_by:g}" fill="{fill}" stroke="{edge}" stroke-width="{thick:g}"/>'


def arrow(x1: float, y1: float, x2: float, y2: float, *, color: str = palette.QUIET) -> str:
    """A straight line with a head at its end, along one axis."""
    along = (x2 > x1) - (x2 < x1), (y2 > y1) - (y2 < y1)
    back = (x2 - 7 * along[0], y2 - 7 * along[1])
    side = (3.5 * along[1], 3.5 * along[0])
    head = f"M{x2:g} {y2:g}L{back[0] + side[0]:g} {back[1] + side[1]:g}L{back[0] - side[0]:g} {back[1] - side[1]:g}Z"
    return line(x1, y1, back[0], back[1], color=color, width=1.2) + f'<path d="{head}" fill="{color}"/>'


def wrapped(text: str, width: float, *, size: float = 12) -> list[str]:
    """The text in lines that fit into this many pixels."""
    letters = max(int(width / (WIDEST_LETTER * size / 12)), 8)
    return textwrap.wrap(text, letters, break_on_hyphens=False) or [""]


def ticks(low: float, high: float, about: int = 5) -> tuple[float, ...]:
    """Round numbers from `low` to `high`, about so many of them."""
    span = high - low
    if span <= 0:
        return (low,)
    power = 10.0 ** math.floor(math.log10(span / about))
    step = min((power * f for f in (1, 2, 5, 10)), key=lambda size: abs(span / size - about))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return tuple(round(n * step, 10) for n in range(first, last + 1))
