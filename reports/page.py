"""One self-contained HTML file from sections of words, tables and charts.

A still drawing of every chart is in the page first, wide and narrow, so that it works with scripts off, on paper and on a
phone. Where scripts run, the drawing on screen is replaced by a live one with tips. Nothing is fetched: a content security
policy forbids it, and every script is named there by its hash.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any, TypeVar

import vl_convert
from altair.utils.schemapi import debug_mode
from markupsafe import Markup

from reports import palette, sheet
from reports.row_chart import NARROW, SIZES, WIDE, Size, Spec
from reports.tables import Table

Shown = TypeVar("Shown")  # what a chart is drawn from, after disclosure control

_OPEN_TO_THE_PAGE = "window.vegaEmbed = vegaEmbed;"  # the one name that live_charts.js needs


@dataclass(frozen=True, slots=True)
class Key:
    """One entry of a chart's key: a shape name, its color, whether it is filled, what it stands for."""

    shape: str
    color: str
    filled: bool
    label: str


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart with its heading, text alternative and data table, or the reason why there is none (`absent`)."""

    name: str
    title: str
    alternative: str
    table: Table
    drawings: tuple[tuple[str, Markup], ...] = ()
    specs: tuple[tuple[str, Spec], ...] = ()
    key: tuple[Key, ...] = ()
    caption: str = ""
    absent: str = ""
    print_table: bool = False


@dataclass(frozen=True, slots=True)
class Section:
    """One part of the page. `lead_tables` come before the figures, `tables` after; `notes` are paragraphs under a heading each."""

    name: str
    title: str
    paragraphs: tuple[str, ...] = ()
    figures: tuple[Figure, ...] = ()
    tables: tuple[Table, ...] = ()
    lead_tables: tuple[Table, ...] = ()
    notes: tuple[tuple[str, str], ...] = ()
    closing: str = ""


def figure(
    name: str,
    title: str,
    draw: Callable[[Shown, Size], Spec],
    e: Shown,
    *,
    alternative: str,
    table: Table,
    key: tuple[Key, ...] = (),
    caption: str = "",
    absent: str = "",
    print_table: bool = False,
) -> Figure:
    """A figure drawn at both sizes; with `absent` given nothing is drawn and the reason is printed instead."""
    if absent:
        return Figure(name, title, "", table, absent=absent, print_table=print_table)
    with debug_mode(False):  # as in finish(): checked against the schema by the tests
        specs = tuple((size.name, draw(e, size)) for size in SIZES)
    drawings = tuple((size, _still(_json(spec), f"{name}-{size}")) for size, spec in specs)
    return Figure(name, title, alternative, table, drawings, specs, key, caption, "", print_table)


@lru_cache(maxsize=64)
def _still(spec: str, prefix: str) -> Markup:
    """The still drawing as inline SVG, its ids made this page's own."""
    svg = vl_convert.vegalite_to_svg(spec)
    svg = re.sub(r'\bid="([^"]+)"', rf'id="{prefix}-\1"', svg)
    svg = re.sub(r"url\(#([^)]+)\)", rf"url(#{prefix}-\1)", svg)
    svg = re.sub(r'\s+xmlns(?::\w+)?="[^"]*"', "", svg)  # inline SVG needs no namespace, and the page names no address
    return Markup(svg.replace("<svg ", '<svg aria-hidden="true" focusable="false" ', 1))  # noqa: S704 - our own drawing; its texts are escaped by the drawer


@cache
def _chart_library() -> str:
    """The drawing library, once a page. Wrapped in a function: loose, its thousands of names collide with the page's."""
    return _script_safe(f"(function () {{\n{vl_convert.javascript_bundle(_OPEN_TO_THE_PAGE)}\n}})();")


def _script_safe(code: str) -> str:
    return code.replace("</script", "<\\/script").replace("<!--", "\\u003c!--")


def _json_safe(value: Any) -> str:
    return _json(value).replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def _hash(script: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'"


def render(template: str, sections: tuple[Section, ...], **context: Any) -> str:
    """The whole document. `context` is what the template needs besides the sections."""
    library, upgrade = _chart_library(), _script_safe((sheet.TEMPLATES / "live_charts.js").read_text(encoding="utf-8"))
    specs = {f.name: dict(f.specs) for s in sections for f in s.figures if f.specs}
    policy = (
        f"default-src 'none'; script-src {_hash(library)} {_hash(upgrade)}; style-src 'unsafe-inline'; "
        "img-src data:; connect-src 'none'; base-uri 'none'; form-action 'none'"
    )
    return sheet.template(template).render(
        sections=sections,
        policy=policy,
        style=Markup(sheet.style("page.css")),  # noqa: S704 - our own file
        colors=palette,
        library=Markup(library),  # noqa: S704 - hashed in the policy
        upgrade=Markup(upgrade),  # noqa: S704 - our own file
        specs=Markup(_json_safe(specs)),  # noqa: S704 - escaped just above
        sizes=(WIDE, NARROW),
        **context,
    )
