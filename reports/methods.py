"""The methods report for the researcher: every objection to the comparison with the numbers that answer it. One still page, no scripts."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable, Iterable

from markupsafe import Markup

from models.methods_results import MethodsReport
from reports import methods_adjustment, methods_sensitivity, methods_words, sheet
from reports.charts import hidden_note
from reports.methods_disclosure import hide_small
from reports.methods_paragraph import paper
from reports.methods_shown import ShownMethods
from reports.methods_sources import SOURCES
from reports.methods_tables import run
from reports.page import Figure
from reports.parts import Part, Section
from reports.reporting_checklists import checklists
from reports.table_text import Table
from reports.wording import CAUTIONS, month


def methods_page(report: MethodsReport) -> str:
    """The report as one HTML document. Small numbers are hidden first; the same results give the same bytes."""
    m = hide_small(report)
    body = (*methods_adjustment.sections(m), *methods_sensitivity.sections(m))
    titles = {s.name: s.title for s in body} | {name: title for name, title, _ in _ENDING}
    sections = (*body, *(Section(name, title, tuple(parts(m, titles))) for name, title, parts in _ENDING))
    css = sheet.style("page.css", "methods.css")
    inside = dict.fromkeys(style for s in sections for f in _figures(s) for _, d in f.drawings for style in _styles(d))
    allowed = " ".join(_hash(text) for text in (f"\n{css}\n", *inside))
    return sheet.template("methods.html").render(
        m=m,
        sections=sections,
        objections=methods_words.objections(m),
        answer=methods_words.answer_sentence(m),
        titles=titles,
        period=f"{month(m.run.period_start)} to {month(m.run.period_end)}"
        if m.run.period_start
        else "no lesion compared",
        cautions=CAUTIONS,
        hidden_note=hidden_note(m.run.smallest_count_shown),
        policy=f"default-src 'none'; style-src {allowed}; img-src data:; base-uri 'none'; form-action 'none'",
        style=Markup(css),  # noqa: S704 - our own files
    )


def _figures(section: Section) -> Iterable[Figure]:
    return (item for part in section.parts for item in part.items if isinstance(item, Figure))


def _styles(drawing: Markup) -> list[str]:
    """Style sheets within a drawing, which the policy must name too."""
    return re.findall(r"<style>(.*?)</style>", str(drawing), re.S)


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _paper(m: ShownMethods, _: dict[str, str]) -> Iterable[Part]:
    yield Part("", ("Composed from this run's own facts. Check it against the plan before it goes into a manuscript.",))
    yield Part("", paper(m), kind="quoted")


def _checklists(m: ShownMethods, titles: dict[str, str]) -> Iterable[Part]:
    yield Part(
        "",
        (
            "\u201cThis run\u201d: the answer stands on this page. \u201cIn part\u201d: what the run knows is given, the rest is the author's. "
            "\u201cAuthor\u201d: the run cannot know it. Items are in our own words, so that the official forms are still needed.",
        ),
        checklists(m, titles),
    )


def _run(m: ShownMethods, _: dict[str, str]) -> Iterable[Part]:
    yield Part("", (), (run(m),))


def _sources(_: ShownMethods, __: dict[str, str]) -> Iterable[Part]:
    yield Part("", (), (Table("Where the methods and limits on this page are from.", ("Source", "Used for"), SOURCES, frozenset({0, 1})),))  # fmt: skip


_ENDING: tuple[tuple[str, str, Callable[[ShownMethods, dict[str, str]], Iterable[Part]]], ...] = (
    ("paper", "A methods paragraph for a paper", _paper),
    ("checklists", "Reporting checklists", _checklists),
    ("run", "What identifies this run", _run),
    ("sources", "Sources", _sources),
)
