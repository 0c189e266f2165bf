"""The methods page as a statistician meets it: complete, still, readable on every medium, and honest about what is absent."""

from __future__ import annotations

import base64
import hashlib
import html
import itertools
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import fields, replace
from functools import cache
from html.parser import HTMLParser

import pytest
from playwright.sync_api import Browser, sync_playwright

from models.methods_results import Absent, MethodsReport
from models.results import Effect
from reports.checklist_items import RECORD, STROBE, TARGET
from reports.drawn import ticks
from reports.methods import methods_page
from reports.methods_disclosure import hide_small
from reports.methods_paragraph import paper
from reports.methods_words import answer_sentence, objections
from reports.reporting_checklists import checklists
from reports.wording import CAUTIONS
from tests.methods_example import FIRST, SESSION, methods_report


@cache
def page() -> str:
    return methods_page(methods_report())


def words(text: str) -> str:
    bare = re.sub(r"<style\b.*?</style>", "", text, flags=re.S)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", bare))).replace("\u00a0", " ")


class Outline(HTMLParser):
    """Every start tag with its attributes, in order."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


def tags(text: str) -> list[tuple[str, dict[str, str | None]]]:
    outline = Outline()
    outline.feed(text)
    return outline.tags


def section(text: str, name: str) -> str:
    found = re.search(rf'<section id="{name}".*?</section>', text, re.S)
    assert found, name
    return found[0]


def empty(**changes: object) -> MethodsReport:
    """A run in which nothing could be worked out."""
    whole = methods_report()
    blank = {
        f.name: () if isinstance(getattr(whole, f.name), tuple) else None
        for f in fields(whole)
        if f.name not in ("run", "question")
    }
    return replace(whole, **(blank | changes))  # type: ignore[arg-type]


# The page as a file


def test_the_same_results_give_the_same_bytes() -> None:
    assert methods_page(methods_report()) == page()


def test_the_page_is_still_and_its_policy_allows_its_own_styles_alone() -> None:
    assert "<script" not in page()
    assert not re.search(r"https?://|@import|\bon\w+=\"", page())
    assert not re.search(r"url\((?!#)", page())
    assert not any("style" in attrs for _, attrs in tags(page()))
    policy = next(a["content"] for t, a in tags(page()) if a.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None and policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy and "script-src" not in policy
    for block in re.findall(r"<style>(.*?)</style>", page(), re.S):
        digest = base64.b64encode(hashlib.sha256(block.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy


def test_the_page_is_small_enough_to_mail() -> None:
    assert len(page().encode()) < 1_500_000


def test_a_screen_reader_finds_its_way() -> None:
    found = tags(page())
    assert next(a for t, a in found if t == "html")["lang"] == "en-US"
    assert {"header", "main", "nav", "footer"} <= {t for t, _ in found}
    levels = [int(t[1]) for t, _ in found if re.fullmatch(r"h[1-6]", t)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))
    ids = [a["id"] for _, a in found if a.get("id")]
    assert len(ids) == len(set(ids))
    targets = [str(a["href"])[1:] for t, a in found if t == "a" and str(a.get("href")).startswith("#")]
    assert targets and set(targets) <= set(ids)
    assert all(a.get("scope") in ("col", "row") for t, a in found if t == "th")
    assert page().count("<table") == page().count("<caption")
    assert all(a.get("aria-label") for _, a in found if a.get("role") == "img" and a.get("class") == "drawing")


def test_no_operator_patient_or_seed_of_a_name_is_invented_into_the_page() -> None:
    assert "operator_id" not in page() and "op1" not in page()


# What it says


def test_every_caution_and_the_invented_marker_stand_above_the_answer() -> None:
    top = words(page().split('id="brief"')[0])
    assert all(caution in top for caution in CAUTIONS)
    assert "Invented data: nothing here is evidence." in top


def test_real_data_carry_no_invented_marker() -> None:
    real = methods_report(run=replace(methods_report().run, invented=False))
    assert "Invented data" not in words(methods_page(real))


def test_each_objection_is_answered_with_a_number_and_leads_to_a_section() -> None:
    for o in objections(hide_small(methods_report())):
        assert re.search(r"\d", o.answer), o
        assert f'<section id="{o.section}"' in page()


def test_the_answer_is_the_primary_difference_beside_the_plain_one() -> None:
    # 0.0482 with half-width 0.056, and 282/412 - 803/1088 = -0.0536, both of the example
    told = answer_sentence(hide_small(methods_report())).replace("\u00a0", " ")
    assert "+4.8 (\u22120.8 to +10.4) points" in told
    assert "\u22125.4 (" in told


def test_a_withheld_primary_answer_says_why_and_gives_no_number() -> None:
    whole = methods_report()
    none = tuple(Effect(m, None, None, None, None) for m in ("risk_difference", "risk_ratio", "odds_ratio"))
    held = tuple(
        replace(
            e, comparison=replace(e.comparison, effects=none, withheld_because="fewer than 20 lesions by one approach")
        )
        if e.primary
        else e
        for e in whole.estimates
    )
    told = answer_sentence(hide_small(replace(whole, estimates=held)))
    assert told == "The primary answer is withheld: fewer than 20 lesions by one approach."
    assert "fewer than 20 lesions by one approach" in words(methods_page(replace(whole, estimates=held)))


def test_a_verdict_that_fails_its_own_self_check_is_said_to_be_held_back() -> None:
    whole = methods_report()
    failed = tuple(replace(s, endpoint=FIRST) for s in whole.self_checks if s.held_back)
    assert "held back by the self-check" in answer_sentence(hide_small(replace(whole, self_checks=failed)))
    assert "held back" in words(section(page(), "self-check"))


def test_all_methods_stand_side_by_side_with_what_they_take_for_granted() -> None:
    told = words(section(page(), "methods"))
    for e in methods_report().estimates:
        assert e.label in told and e.assumes.rstrip(".") in told


def test_a_method_without_risks_has_an_odds_ratio_and_no_difference() -> None:
    part = section(page(), "methods")
    row = next(r for r in re.findall(r"<tr.*?</tr>", part, re.S) if "Estimating equations" in r)
    cells = [words(c).strip() for c in re.findall(r"<td[^>]*>(.*?)</td>", row, re.S)]
    assert cells[:2] == ["\u2013", "\u2013"] and cells[2].startswith("1.35")


def test_the_bootstrap_interval_stands_under_the_primary_one() -> None:
    assert re.search(r"the same, bootstrap interval", section(page(), "methods"))


def test_covariates_have_reasons_and_refused_columns_have_roles() -> None:
    told = words(section(page(), "adjusted"))
    diagram = methods_report().diagram
    assert diagram
    assert all(t.reason in told for t in diagram.adjustment)
    assert "collider" in told and "mediator" in told and "Left open by the adjustment set" in told


def test_every_look_is_shown_both_ways() -> None:
    told = words(section(page(), "looks"))
    assert "2024 Q1" in told and "As if alone" in told and "Over all looks" in told


def test_a_choice_changed_after_results_is_named_and_a_planned_move_is_not_called_one() -> None:
    told = words(section(page(), "departures"))
    assert "Changed after results had been seen: margin_points." in told
    assert "as the plan foresees" in told
    none = words(methods_page(methods_report(departures=())))
    assert "No choice was changed" in none


def test_the_instruments_weakness_is_said_where_its_estimate_stands() -> None:
    assert "weak instrument" in words(section(page(), "hidden"))


def test_every_figure_has_a_caption_that_says_what_to_see() -> None:
    for figure in re.findall(r"<figure.*?</figure>", page(), re.S):
        assert "<figcaption>" in figure or 'class="absent"' in figure


# The paragraph and the checklists


def test_the_paper_paragraph_is_composed_from_the_run() -> None:
    told = " ".join(paper(hide_small(methods_report())))
    for fact in ("1,500 lesions in 1,321 patients, 14 operators", "imputed 20 times", "1,000 replicates", "report 8"):
        assert fact in told
    bare = " ".join(paper(hide_small(methods_report(missing=None, hidden=(), bootstrap=(), looks=(), self_checks=()))))
    for absent in ("imputed", "E-values", "bootstrap", "all looks", "simulated"):
        assert absent not in bare


def test_the_checklists_have_as_many_items_as_their_statements() -> None:
    # STROBE 22 numbered items (von Elm 2007), RECORD 13 (Benchimol 2015), TARGET 21 (Cashin 2025)
    def numbers(items: tuple[object, ...]) -> set[str]:
        return {re.match(r"\d+", i.number)[0] for i in items}  # type: ignore[attr-defined,index]

    assert numbers(STROBE) == {str(n) for n in range(1, 23)}
    assert len(RECORD) == 13
    assert numbers(TARGET) == {str(n) for n in range(1, 22)}
    for items in (STROBE, RECORD, TARGET):
        assert len({i.number for i in items}) == len(items)


def test_what_only_the_author_can_know_is_marked_and_the_rest_points_to_a_section() -> None:
    names = {str(a["id"]): "title" for t, a in tags(page()) if t == "section"}
    for table, items in zip(checklists(hide_small(methods_report()), names), (STROBE, RECORD, TARGET), strict=True):
        for row, item in zip(table.rows, items, strict=True):
            assert row[3].startswith("The author must state") == (item.status == "author")
            assert "{" not in row[3]
            if item.status == "run":
                assert "<a href=" in row[3], item


# Nothing there


def test_a_run_without_any_result_still_makes_a_page_that_says_so() -> None:
    made = words(methods_page(empty(absent=(Absent("score", "Only one approach was used."),))))
    assert "Only one approach was used." in made
    assert "Not worked out in this run." in made
    assert not re.search(r"\bnan\b|\bNone\b(?!:)", made)
    assert "Table 1. See" not in made and "Not worked out in this run: see" in made


@pytest.mark.parametrize("name", [f.name for f in fields(MethodsReport) if f.name not in ("run", "question", "absent")])
def test_any_one_part_may_be_absent(name: str) -> None:
    whole = methods_report()
    blank = () if isinstance(getattr(whole, name), tuple) else None
    assert methods_page(replace(whole, **{name: blank}))  # type: ignore[arg-type]


def test_one_endpoint_may_lack_what_the_other_has() -> None:
    whole = methods_report()
    made = methods_page(
        replace(
            whole,
            estimates=tuple(e for e in whole.estimates if e.comparison.endpoint == FIRST),
            absent=(Absent("estimates", "No lesion was crossed.", SESSION),),
        )
    )
    assert "No lesion was crossed." in words(section(made, "methods"))


# Numbers on axes


def test_ticks_are_round_numbers_within_the_range() -> None:
    assert ticks(0.0, 1.0) == (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
    assert ticks(57.3, 59.9, 2) == (58.0, 59.0)
    assert ticks(3.0, 3.0) == (3.0,)


# In a browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    found = shutil.which("chromium")
    if found is None:
        if os.environ.get("CI"):
            pytest.fail("Chromium is not installed: the browser tests must run in CI (apt-get install chromium)")
        pytest.skip("Chromium is not installed")
    with sync_playwright() as p:
        launched = p.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield launched
        launched.close()


@pytest.mark.browser
@pytest.mark.parametrize("width", [390, 1280])
def test_it_fits_the_screen_and_breaks_no_rule_of_its_policy(browser: Browser, width: int) -> None:
    tab = browser.new_page(viewport={"width": width, "height": 900})
    said: list[str] = []
    tab.on("console", lambda message: said.append(message.text))
    tab.set_content(page())
    assert tab.evaluate("document.documentElement.scrollWidth") <= width
    shown = tab.evaluate("[...document.querySelectorAll('.drawing svg')].filter(s => s.checkVisibility()).length")
    assert shown == page().count('class="drawing"')
    assert said == []
    tab.close()
