"""The data-quality page, its lines on the terminal and its files, as a clinician or a data manager meets them."""

from __future__ import annotations

import base64
import hashlib
import html
import itertools
import os
import re
import shutil
import stat
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest
from playwright.sync_api import Browser, sync_playwright

from models.quality_results import Fault, Oddity, Part, QualitySummary
from pipeline.__main__ import _status
from pipeline.check import check
from pipeline.faults import NeedsMending
from pipeline.quality.files import write_quality
from pipeline.quality.summary import summarize
from reports.palette import contrast
from reports.quality import HEAT_STEPS, quality_page, shade
from reports.quality_lines import MOST_LINES, quality_lines
from reports.quality_words import SUPPRESSED, mend_first, of_kind, period_sentence, rows_in_brackets
from reports.sheet import style
from reports.wording import CAUTIONS
from synthetic_data.rows import valid_tables
from tests.export_files import write_csvs
from tests.planted_oddities import AT_SITE2, LATE, clean, where

KEY = "a key for tests, of no use elsewhere"


@cache
def summary(kind: str = "planted") -> QualitySummary:
    if kind == "clean":
        return summarize(check(clean())).summary
    tables = where("procedures", AT_SITE2 & LATE, air_kerma_mgy=pl.col("air_kerma_mgy") / 1000, wound=pl.lit(None))
    tables["lesions"] = tables["lesions"].with_columns(length_mm=(pl.col("length_mm") / 10).round() * 10)
    lost = pl.when(pl.int_range(pl.len()) % 30 == 4).then(pl.lit("nowhere")).otherwise("lesion_id")
    tables["attempts"] = tables["attempts"].with_columns(lesion_id=lost)
    return summarize(check(tables)).summary


@cache
def page(kind: str = "planted") -> str:
    return quality_page(summary(kind))


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


# The page as a file


def test_the_same_summary_gives_the_same_bytes() -> None:
    assert quality_page(summary()) == page()


def test_the_page_has_no_script_no_address_and_a_policy_that_allows_none() -> None:
    assert "<script" not in page()
    assert not re.search(r"https?://|\burl\(|@import|\bon\w+=", page())
    assert not any("style" in attrs for _, attrs in tags(page()))
    policy = next(a["content"] for t, a in tags(page()) if a.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None and policy.startswith("default-src 'none'; style-src 'sha256-")
    block = re.search(r"<style>(.*?)</style>", page(), re.S)
    assert block is not None
    digest = base64.b64encode(hashlib.sha256(block[1].encode()).digest()).decode()
    assert f"'sha256-{digest}'" in policy


def test_the_page_is_small_enough_to_mail_and_needs_no_chart_library() -> None:
    assert len(page().encode()) < 150_000


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
    assert set(targets) <= set(ids)
    assert all(a.get("scope") in ("col", "row") for t, a in found if t == "th")
    assert page().count("<table") == page().count("<caption")


def test_every_caution_is_printed_and_that_it_stays_inside_stands_at_the_top() -> None:
    text = words(page())
    assert all(caution in text for caution in CAUTIONS if caution != SUPPRESSED)
    assert SUPPRESSED in CAUTIONS and SUPPRESSED not in text  # it would be false here: faults are counted exactly
    assert "faults are counted exactly, so this page stays inside" in text
    assert text.index("stays inside the service") < text.index("What to mend first")


def test_markup_in_a_name_is_printed_not_obeyed() -> None:
    odd = Oddity(
        "<b>kind</b>",
        "lesions",
        "<i>c</i>",
        "<script>s</script>",
        "",
        "<img src=x>.",
        "&?",
        "counted",
        "m",
        1.0,
        1,
        None,
        True,
    )
    fault = Fault("lesions", "row", "<u>why</u>", 9, 10, (1,), "<a href=x>do</a>")
    made = quality_page(replace(summary(), sites=("<script>x</script>", "B"), oddities=(odd,), faults=(fault,)))
    assert not re.search(r"<(script|b|i|u|img)\b", made)
    assert "<script>s</script>" in html.unescape(made)


# What it says


def test_what_matters_most_comes_first_with_what_to_do() -> None:
    told = [f"{m.what} {m.told} {m.do}" for m in mend_first(summary())]
    assert "attempts" in told[0] and "its lesion is not in the lesions table" in told[0]
    assert any("Doubtful unit: air_kerma_mgy, SITE2, 2024 Q4" in line and "Taken as Gy" in line for line in told)
    assert sum("air_kerma_mgy" in line for line in told) == 1  # the other site is not accused along with it
    assert any("Sudden gap: wound, SITE2, 2024 Q4" in line for line in told)
    assert not any("Digit preference" in line for line in told)  # it is below: it changes no comparison
    assert len(told) <= 6
    assert all(m.do for m in mend_first(summary()))


def test_a_clean_export_is_told_so() -> None:
    assert mend_first(summary("clean")) == ()
    text = words(page("clean"))
    assert "Nothing stands out: no reason sets aside both five rows and one row in a hundred of a table" in text
    assert any("no reason sets aside both five rows" in line for line in quality_lines(summary("clean")))
    assert "Every row was used as it stands." in text


def test_a_row_that_merely_stands_twice_is_not_what_to_mend_first() -> None:
    tables = clean()
    twice = summarize(check(tables | {"lesions": pl.concat([tables["lesions"], tables["lesions"][:100]])})).summary
    assert [f.count for f in twice.faults if f.reason.startswith("the same row")] == [100]
    assert mend_first(twice) == ()


def test_what_the_comparison_rests_on_most_is_mended_first_then_the_larger_share() -> None:
    faults = [
        Fault(table, "row", f"{table} reason {n}", n, 1000, (), "do")
        for table, n in (("follow_up", 900), ("patients", 500), ("attempts", 20), ("attempts", 40))
    ]
    told = [m.what for m in mend_first(replace(summary("clean"), faults=tuple(faults), oddities=()))]
    assert [what.split(": ")[1] for what in told] == [
        "attempts reason 40.",
        "attempts reason 20.",
        "patients reason 500.",
    ]


@pytest.mark.parametrize(
    ("count", "rows", "expected"),
    [(1, (183,), "(row 183)"), (2, (3, 7), "(rows 3, 7)"), (9, (3, 7), "(rows 3, 7 ...)"), (1, (), "")],
)
def test_one_row_is_told_as_one(count: int, rows: tuple[int, ...], expected: str) -> None:
    assert rows_in_brackets(Fault("lesions", "row", "why", count, 10, rows, "do")) == expected


@pytest.mark.parametrize(
    ("sites", "without", "expected"),
    [
        (2, 3, "2 sites; 3 procedures without a site"),
        (1, 1, "1 site; 1 procedure without a site"),
        (2, 0, "2 sites"),
        (0, 9, "sites are not told apart"),
    ],
)
def test_procedures_without_a_site_are_told_beside_the_sites(sites: int, without: int, expected: str) -> None:
    assert period_sentence(replace(summary(), named_sites=sites, without_site=without)).endswith(f"2025 Q4; {expected}")


def test_a_column_whose_values_could_not_be_used_is_not_told_as_never_filled_in() -> None:
    tables = {name: frame.cast(pl.String) for name, frame in clean().items()}
    tables["patients"] = tables["patients"].with_columns(smoking=pl.lit("own word"))
    told = summarize(check(tables)).summary
    text = words(quality_page(told))
    assert "Never filled in, or not in the export" not in text
    assert "‡ mostly because recorded values could not be used" in text
    assert "smoking patients ‡ 100%" in text
    assert not any("Never filled in, or" in line for line in quality_lines(told))


def test_page_and_terminal_call_what_was_not_used_by_the_same_names() -> None:
    faults = tuple(Fault("lesions", kind, "why", 9, 100, (), "do") for kind in ("row", "value", "warning"))
    made = replace(summary(), faults=faults)
    for name in ("Rows set aside", "Values blanked (the row stays)", "Warnings (the row stays as it is)"):
        assert name in words(quality_page(made))
        assert any(line.startswith(name) for line in quality_lines(made))


def test_no_heading_of_a_table_ends_with_a_period() -> None:
    captions = re.findall(r"<caption><span>(.*?)</span>", page())
    assert len(captions) > 5
    assert [c for c in captions if c.endswith(".") and ". " not in c] == []


def test_rows_that_only_follow_from_others_are_told_last() -> None:
    row = [
        Fault("lesions", "row", reason, n, 900, (), "do")
        for reason, n in (("its procedure was set aside", 90), ("x is missing", 3))
    ]
    assert [f.reason for f in of_kind(replace(summary(), faults=tuple(row)), "row")] == [
        "x is missing",
        "its procedure was set aside",
    ]


def test_rows_read_are_shown_as_the_sum_of_rows_used_and_set_aside() -> None:
    text = words(page())
    read, used = sum(t.read for t in summary().tables), sum(t.used for t in summary().tables)
    assert f"together {read:,} {used:,} {read - used:,}" in text
    assert f"{used:,} of {read:,} rows can be used" in text


def test_a_gap_is_a_number_and_a_shade() -> None:
    row = re.search(r"<code>wound</code>.*?</tr>", page(), re.S)
    assert row is not None
    cells = re.findall(r'<td class="(heat-\w+)">([^<]+)</td>', row[0])
    assert len(cells) == 1 + len(summary().periods)
    assert {name for name, text in cells if text.endswith("%") and 20 <= int(text[:-1]) < 50} == {"heat-2"}
    assert {name for name, text in cells if text.endswith("%") and 5 <= int(text[:-1]) < 20} == {"heat-1"}


@pytest.mark.parametrize(
    ("part", "expected"),
    [
        (Part(0, 100), "heat-0"),
        (Part(4, 100), "heat-0"),
        (Part(46, 1000), "heat-1"),  # printed as 5%
        (Part(20, 100), "heat-2"),
        (Part(50, 100), "heat-3"),
        (Part(100, 100), "heat-4"),
        (Part(1, 2, hidden=True), "heat-none"),
        (Part(0, 0), "heat-none"),
    ],
)
def test_the_shade_follows_the_printed_share(part: Part, expected: str) -> None:
    assert shade(part) == expected


def test_every_shade_can_be_read() -> None:
    shades = re.findall(r"\.(heat-\d)[^{]*\{ background: (#\w{6}); color: (#\w{3,6}); \}", style("quality.css"))
    assert len({name for name, *_ in shades}) == len(HEAT_STEPS) + 1
    for name, background, ink in shades:
        full = ink if len(ink) == 7 else "#" + "".join(c * 2 for c in ink[1:])
        assert contrast(background, full) >= 4.5, name


def test_many_sites_with_one_finding_are_told_as_a_few_and_a_number() -> None:
    one = next(o for o in summary().oddities if o.kind == "coding change")
    many = replace(summary(), oddities=tuple(replace(one, site=f"S{i}") for i in range(40)))
    assert "37 more in quality.csv" in words(quality_page(many))
    assert sum("S0" in line for line in quality_lines(many)) == 1


def test_nothing_usable_is_said_plainly_with_the_reason() -> None:
    tables = {name: frame.cast(pl.String) for name, frame in valid_tables(procedures=[{}] * 3).items()}
    tables["procedures"] = tables["procedures"].with_columns(procedure_date=pl.lit("3rd of May"))
    nothing = summarize(check(tables)).summary
    first = mend_first(nothing)[0]
    assert first.what == "Nothing can be compared: not one of 3 rows of procedures can be used."
    assert "procedure_date is not a date" in first.told and "mapping" in first.do
    assert "Nothing can be compared" in words(quality_page(nothing))
    assert any("Nothing can be compared" in line for line in quality_lines(nothing))


def test_an_empty_table_is_named() -> None:
    tables = valid_tables()
    nothing = summarize(check(tables | {"attempts": tables["attempts"].clear()})).summary
    assert mend_first(nothing)[0].what == "Nothing can be compared: the table attempts holds no row."


# On the terminal


@pytest.mark.parametrize("kind", ["clean", "planted"])
def test_the_terminal_gets_a_screenful_of_plain_text(kind: str) -> None:
    lines = quality_lines(summary(kind))
    assert len(lines) <= MOST_LINES
    assert all(line.isprintable() or line == "" for line in lines)
    assert lines[0].split() == ["table", "read", "used", "set", "aside", "file"]
    assert sum(line.startswith(tuple(t.table for t in summary(kind).tables)) for line in lines) == 6


def test_however_much_is_wrong_the_terminal_gets_no_more_than_a_screenful() -> None:
    s = summary()
    faults = tuple(
        Fault("lesions", kind, f"reason {i}", 50 + i, 1000, (1, 2), "do")
        for kind in ("row", "value", "warning")
        for i in range(40)
    )
    odd = tuple(replace(o, column=f"{o.column}{i}") for o in s.oddities for i in range(10))
    assert len(quality_lines(replace(s, faults=faults, oddities=odd))) <= MOST_LINES


# As a command


@pytest.fixture
def export(tmp_path: Path) -> Path:
    tables = clean(300, 5)
    lost = pl.when(pl.int_range(pl.len()) % 30 == 4).then(pl.lit("nowhere")).otherwise("lesion_id")
    return write_csvs(tmp_path / "export", tables | {"attempts": tables["attempts"].with_columns(lesion_id=lost)})


@pytest.fixture(autouse=True)
def key(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CROSSWISE_KEY", KEY)


def test_check_ends_well_with_rows_set_aside_and_writes_three_private_files(
    export: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "quality"
    assert _status(["check", "--tables", str(export), "--out", str(out)]) == 0
    printed = capsys.readouterr().out.splitlines()
    assert printed[-1] == str(out / "quality.html")
    assert sorted(path.name for path in out.iterdir()) == ["not_used.csv", "quality.csv", "quality.html"]
    assert stat.S_IMODE(out.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in out.iterdir()} == {0o600}
    listed = pl.read_csv(out / "not_used.csv").filter(reason="its lesion is not in the lesions table")
    assert listed["file"].unique().to_list() == ["attempts.csv"]
    assert listed["row"].head(3).to_list() == [6, 36, 66]  # the header is row 1
    assert listed["key"].str.contains(r"^a_[0-9a-f]{16}$").all()
    page = (out / "quality.html").read_text(encoding="utf-8")
    assert "attempts.csv" in page and "utf-8; separated by commas" in page
    assert "export export; no mapping</p>" in page
    assert not re.search(r"[a-z]_[0-9a-f]{16}", page)


def test_an_export_that_no_table_is_found_in_is_led_to_the_draft_of_a_mapping(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    export = tmp_path / "own"
    export.mkdir()
    (export / "Fallliste.csv").write_text("Nr;Datum\n1;2\n", encoding="utf-8")
    assert _status(["check", "--tables", str(export), "--out", str(tmp_path / "out")]) == 1
    told = capsys.readouterr().err.replace("\n", " ").split("crosswise: ")
    assert f"draft-mapping --tables {export}" in told[-1] + " ".join(told[-2:])
    assert sum("draft-mapping" in line for line in " ".join(told).split(" ")) == 1


def test_a_second_check_replaces_the_first_and_leaves_nothing_lying_about(export: Path, tmp_path: Path) -> None:
    out = tmp_path / "quality"
    words_given = ["check", "--tables", str(export), "--out", str(out)]
    assert _status(words_given) == 0
    first = {path.name: path.read_bytes() for path in out.iterdir()}
    (export / "follow_up.csv").unlink()
    assert _status(words_given) == 0
    assert (out / "quality.html").read_bytes() != first["quality.html"]
    assert sorted(path.name for path in out.iterdir()) == sorted(first)


def test_a_file_of_the_users_own_is_not_replaced(tmp_path: Path) -> None:
    out = tmp_path / "mine"
    out.mkdir()
    (out / "quality.csv").write_text("ward,score\nA,1\n", encoding="utf-8")
    with pytest.raises(NeedsMending, match=r"quality\.csv was not written by Crosswise"):
        write_quality(out, "<!DOCTYPE html>", {})
    assert (out / "quality.csv").read_text(encoding="utf-8") == "ward,score\nA,1\n"
    assert [path.name for path in out.iterdir()] == ["quality.csv"]


def test_a_folder_that_cannot_be_made_is_told_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(NeedsMending) as told:
        write_quality(tmp_path / "file" / "below", "<!DOCTYPE html>", {})
    assert len(told.value.lines) == 1 and "choose another --out" in told.value.lines[0]


def test_what_a_killed_check_left_is_cleared_away(tmp_path: Path) -> None:
    made = summarize(check(valid_tables()))
    left, begun = tmp_path / ".next-old", tmp_path / ".next-now"
    left.mkdir()
    begun.mkdir()
    os.utime(left, (0, 0))
    write_quality(tmp_path, quality_page(made.summary), {"quality": made.table, "not_used": made.not_used})
    assert not left.exists()
    assert begun.exists()  # another check may be at work


# In a browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = shutil.which("chromium")
    if path is None:
        if os.environ.get("CI"):
            pytest.fail("Chromium is not installed: the browser tests must run in CI (apt-get install chromium)")
        pytest.skip("Chromium is not installed")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        yield opened
        opened.close()


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_the_page_fits_asks_for_nothing_and_has_nothing_to_complain_of(
    browser: Browser, tmp_path: Path, width: int
) -> None:
    path = tmp_path / "quality.html"
    path.write_text(page(), encoding="utf-8")
    context = browser.new_context(viewport={"width": width, "height": 900})
    opened = context.new_page()
    requests: list[str] = []
    complaints: list[str] = []
    opened.on("request", lambda r: requests.append(r.url))
    opened.on("console", lambda m: complaints.append(m.text))
    opened.goto(path.as_uri())
    opened.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    assert opened.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert requests == [path.as_uri()]
    assert complaints == []
    # The style is that of the policy's hash: without it the sheet would be as wide as the window.
    assert opened.locator(".brief").evaluate("e => getComputedStyle(e).backgroundColor") == "rgb(244, 246, 245)"
    context.close()


@pytest.mark.browser
def test_on_a_phone_what_to_do_stands_under_the_reason_and_nothing_is_cut(browser: Browser, tmp_path: Path) -> None:
    path = tmp_path / "quality.html"
    path.write_text(page(), encoding="utf-8")
    context = browser.new_context(viewport={"width": 390, "height": 900})
    opened = context.new_page()
    opened.goto(path.as_uri())
    row = opened.locator(".faults tbody tr").first
    why, do = row.locator("th").bounding_box(), row.locator("td").nth(3).bounding_box()
    assert why is not None and do is not None
    assert do["y"] >= why["y"] + why["height"] - 1
    for part in (".faults .scroll", "#used .scroll"):
        for scroll in opened.locator(part).all():
            assert scroll.evaluate("e => e.scrollWidth <= e.clientWidth")
    context.close()


@pytest.mark.browser
def test_the_page_prints_on_a_few_sheets(browser: Browser, tmp_path: Path) -> None:
    path = tmp_path / "quality.html"
    path.write_text(page(), encoding="utf-8")
    context = browser.new_context()
    opened = context.new_page()
    opened.goto(path.as_uri())
    pdf = opened.pdf(format="A4", prefer_css_page_size=True, print_background=True)
    assert 3 <= pdf.count(b"/Type /Page\n") <= 8
    context.close()
