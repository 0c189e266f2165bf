"""The strategy report as a reader meets it: headless Chromium, wide, on a phone, on paper, with scripts off."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from pipeline import analyze
from pipeline.__main__ import DEMO_SEED
from reports.strategy import strategy_page
from synthetic_data.service import invent
from tests.edition_example import edition

pytestmark = pytest.mark.browser

ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
CHARTS = 9
WIDTHS = {"wide": 1280, "narrow": 390}
# Letters and marks inside a drawing; a chart that failed has none.
COUNT_MARKS = "e => [e.querySelectorAll('text').length, e.querySelectorAll('path').length]"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = shutil.which("chromium")
    if path is None:
        if os.environ.get("CI"):
            pytest.fail("Chromium is not installed: the browser tests must run in CI (apt-get install chromium)")
        pytest.skip("Chromium is not installed")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "strategy.html"
    path.write_text(strategy_page(edition()), encoding="utf-8")
    return path


class Visit:
    """A page with everything it asked for and complained about."""

    def __init__(self, browser: Browser, report: Path, width: int, **options: Any) -> None:
        self.context = browser.new_context(viewport={"width": width, "height": 900}, **options)
        self.page: Page = self.context.new_page()
        self.requests: list[str] = []
        self.complaints: list[str] = []
        self.page.on("request", lambda r: self.requests.append(r.url))
        self.page.on("console", lambda m: self.complaints.append(m.text))
        self.page.on("pageerror", lambda e: self.complaints.append(str(e)))
        self.page.goto(report.as_uri())
        if options.get("java_script_enabled", True):
            self.page.wait_for_selector("html[data-charts=done]", timeout=60_000, state="attached")


@pytest.fixture(scope="module", params=WIDTHS)
def visit(request: pytest.FixtureRequest, browser: Browser, report: Path) -> Iterator[Visit]:
    made = Visit(browser, report, WIDTHS[request.param])
    yield made
    made.context.close()


def test_the_page_asks_for_nothing_but_itself(visit: Visit, report: Path) -> None:
    assert visit.requests == [report.as_uri()]


def test_the_page_has_nothing_to_complain_of(visit: Visit) -> None:
    assert visit.complaints == []


def test_every_chart_is_live_with_letters_and_marks(visit: Visit) -> None:
    live = visit.page.locator("[data-chart][data-live] .live svg").all()
    assert len(live) == CHARTS
    for chart in live:
        assert chart.is_visible()
        letters, marks = chart.evaluate(COUNT_MARKS)
        assert letters > 3
        assert marks > 3


def test_nothing_scrolls_sideways_but_tables_in_their_own_frame(visit: Visit) -> None:
    visit.page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    assert visit.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    wide = visit.page.evaluate(
        "[...document.querySelectorAll('.drawing')].filter(d => d.scrollWidth > d.clientWidth + 1).length"
    )
    assert wide == 0


def test_a_mark_tells_its_numbers_when_pointed_at(browser: Browser, report: Path) -> None:
    made = Visit(browser, report, 1280)
    made.page.locator("[data-chart=length-calcium] .live .mark-rect path").last.hover()
    made.page.wait_for_selector("#vg-tooltip-element.visible", timeout=10_000)
    assert "calcium" in made.page.locator("#vg-tooltip-element").inner_text()
    assert made.complaints == []
    made.context.close()


@pytest.mark.parametrize("size", WIDTHS)
def test_with_scripts_off_the_still_drawing_of_the_right_size_is_there(
    browser: Browser, report: Path, size: str
) -> None:
    made = Visit(browser, report, WIDTHS[size], java_script_enabled=False)
    other = "narrow" if size == "wide" else "wide"
    drawings = made.page.locator(f".still-{size} svg").all()
    assert len(drawings) == CHARTS
    assert all(d.is_visible() for d in drawings)
    assert not any(d.is_visible() for d in made.page.locator(f".still-{other} svg").all())
    made.context.close()


def test_no_letter_on_a_phone_is_smaller_than_ten_pixels(browser: Browser, report: Path) -> None:
    made = Visit(browser, report, 390)
    smallest = made.page.evaluate(
        """() => Math.min(...[...document.querySelectorAll('.live svg')].flatMap(svg => {
            const shrunk = svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
            return [...svg.querySelectorAll('text')].map(t => parseFloat(getComputedStyle(t).fontSize) * shrunk);
        }))"""
    )
    assert smallest >= 10
    made.context.close()


def test_the_page_prints_on_a4_with_every_chart_and_the_key_tables_open(browser: Browser, report: Path) -> None:
    made = Visit(browser, report, 1280)
    made.page.emulate_media(media="print")
    stills = made.page.locator(".still-wide svg").all()
    assert len(stills) == CHARTS
    assert all(s.is_visible() for s in stills)
    assert not made.page.locator(".live svg").first.is_visible()
    made.page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert all(t.is_visible() for t in made.page.locator("details.on-paper table").all())
    pdf = made.page.pdf(format="A4", prefer_css_page_size=True, print_background=True)
    assert pdf.startswith(b"%PDF")
    assert 6 <= pdf.count(b"/Type /Page\n") <= 16
    made.context.close()


@pytest.mark.parametrize("size", WIDTHS)
def test_the_demo_report_draws_every_chart_and_asks_for_nothing(
    browser: Browser, tmp_path_factory: pytest.TempPathFactory, size: str
) -> None:
    path = tmp_path_factory.mktemp("demo") / "strategy.html"
    path.write_text(strategy_page(analyze(invent(2000, DEMO_SEED).tables).edition), encoding="utf-8")
    assert path.stat().st_size < 4_000_000
    made = Visit(browser, path, WIDTHS[size])
    made.page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    charts = made.page.locator("[data-chart]").count()
    live = made.page.locator("[data-chart][data-live] .live svg").all()
    assert len(live) == charts >= CHARTS
    for chart in live:
        letters, marks = chart.evaluate(COUNT_MARKS)
        assert letters > 3
        assert marks > 3
    assert made.requests == [path.as_uri()]
    assert made.complaints == []
    assert made.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    made.context.close()
