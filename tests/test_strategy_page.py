"""The strategy report is one offline file that says what it shows, and why where it shows nothing."""

from __future__ import annotations

import base64
import hashlib
import html
import itertools
import re
import subprocess
import sys
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from typing import Any

import pytest

from models.departure_results import Departure
from models.results import Edition, Gate, MethodNote, OverLooks, ReasonCount
from reports import tables
from reports.charts import balance_text
from reports.disclosure import hide_small
from reports.strategy import strategy_page
from reports.wording import CAUTIONS
from tests.edition_example import FIRST, comparison, edition

LARGEST = 4_000_000  # bytes; the product's promise


@cache
def example() -> str:
    return strategy_page(edition())


def without_scripts(page: str) -> str:
    return re.sub(r"<(script|style)\b.*?</\1>", "", page, flags=re.S)


def words(page: str) -> str:
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", without_scripts(page)))).replace("\u00a0", " ")


class Outline(HTMLParser):
    """Every start tag with its attributes, in order."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


def tags(page: str) -> list[tuple[str, dict[str, str | None]]]:
    outline = Outline()
    outline.feed(page)
    return outline.tags


def test_the_same_edition_gives_the_same_bytes() -> None:
    code = (
        "import hashlib; from reports.strategy import strategy_page; from tests.edition_example import edition;"
        "print(hashlib.sha256(strategy_page(edition()).encode()).hexdigest())"
    )
    other = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert other.stdout.strip() == hashlib.sha256(example().encode()).hexdigest()


def test_the_file_is_small_enough_to_mail() -> None:
    assert len(example().encode()) < LARGEST


def test_the_page_names_no_address_to_fetch_from() -> None:
    assert not re.search(r"https?://|\burl\(|@import", without_scripts(example()))
    sources = [v for _, attrs in tags(example()) for k, v in attrs.items() if k in ("src", "href") and v]
    assert all(v.startswith(("#", "data:")) for v in sources)


def test_the_policy_allows_exactly_the_scripts_on_the_page() -> None:
    policy = next(a["content"] for t, a in tags(example()) if a.get("http-equiv") == "Content-Security-Policy")
    assert policy
    assert "default-src 'none'" in policy
    assert "connect-src 'none'" in policy
    scripts = re.findall(r"<script>(.*?)</script>", example(), re.S)
    hashes = {f"sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}" for s in scripts}
    assert set(re.findall(r"sha256-[\w+/=]+", policy)) == hashes
    assert "unsafe-eval" not in policy


def test_the_demo_is_marked_as_invented_and_real_data_is_not() -> None:
    assert "Invented data: nothing here is evidence." in words(example())
    assert "Invented data" not in words(strategy_page(edition(invented=False)))


def test_every_caution_is_printed_and_the_main_ones_stand_at_the_top() -> None:
    text = words(example())
    assert all(c in text for c in CAUTIONS)
    top = text[: text.index("Plain figures against like for like")]
    assert "does not direct the treatment of a patient" in top
    assert "licensed clinical judgment come first" in top


def test_headings_descend_one_step_at_a_time() -> None:
    levels = [int(t[1]) for t, _ in tags(example()) if re.fullmatch(r"h[1-6]", t)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))


def test_a_screen_reader_finds_its_way() -> None:
    found = tags(example())
    assert next(a for t, a in found if t == "html")["lang"] == "en-US"
    assert {"header", "main", "nav", "footer"} <= {t for t, _ in found}
    ids = [a["id"] for _, a in found if a.get("id")]
    assert len(ids) == len(set(ids))
    targets = [a["href"][1:] for t, a in found if t == "a" and (a.get("href") or "").startswith("#")]  # type: ignore[index]
    assert targets
    assert set(targets) <= set(ids)
    assert all(a.get("scope") in ("col", "row") for t, a in found if t == "th")


def test_every_chart_has_a_sentence_two_drawings_and_its_numbers() -> None:
    figures = re.findall(r"<figure.*?</figure>\s*<details.*?</details>", example(), re.S)
    assert len(figures) == 9
    for figure in figures:
        label = re.search(r'role="img" aria-label="([^"]+)"', figure)
        assert label
        assert re.search(r"\d", label[1])
        assert figure.count("<svg") >= 2
        assert "<table" in figure


def test_a_name_with_markup_in_it_is_printed_not_obeyed() -> None:
    page = strategy_page(
        edition(
            service="<b>Ward & Co</b>",
            methods=(MethodNote("</section>", "<script>alert(1)</script>"),),
            reasons=(ReasonCount("lesions", "row", "<img src=x>", 12),),
        )
    )
    assert "<b>Ward" not in page
    assert "<script>alert" not in page
    assert "<img" not in without_scripts(page)
    assert "<b>Ward & Co</b>" in words(page)


def test_hashes_and_version_are_in_the_footer() -> None:
    e = edition()
    footer = words(example())[-200:]
    assert e.plan_hash[:16] in footer
    assert e.data_hash[:16] in footer
    assert e.version in footer


def absent(e: Edition) -> str:
    page = strategy_page(e)
    assert not re.search(r"\bNone\b|\bnan\b|NaN|\{\{|\}\}", words(page))
    return words(page)


@pytest.mark.parametrize(
    ("emptied", "said"),
    [
        ({"comparisons": (), "profile_labels": ()}, "No comparison was made."),
        ({"profile_labels": ()}, "No lesion profile was compared."),
        ({"sequences": ()}, "No sequence of attempts can be shown"),
        ({"length_calcium": ()}, "No combination of length and calcium has enough comparable lesions"),
        ({"prices": ()}, "No price can be shown"),
        ({"quarters": ()}, "No quarter is large enough to show."),
        ({"case_mix": ()}, "No share of a lesion trait can be shown"),
        (
            {"reasons": (), "missing": (), "flow": (), "table_counts": ()},
            "No row was set aside, no value was left blank, and no row is doubtful.",
        ),
    ],
)
def test_an_empty_part_says_why_instead_of_showing_an_empty_chart(emptied: dict[str, object], said: str) -> None:
    assert said in absent(edition(**emptied))


def test_without_diagnostics_the_reason_is_printed() -> None:
    why = "The propensity model could not be fitted."
    made = (comparison("all", (412, 282), (1088, 803)), comparison("all", (412, 282), (1088, 803), withheld=why))
    text = absent(edition(comparisons=made, profile_labels=(), length_calcium=(), diagnostics=None))
    assert "There are no checks to show: the propensity model could not be fitted." in text
    assert f"The like-for-like comparison is withheld: {why}" in text


def test_profiles_that_all_lack_an_estimate_are_a_table_of_reasons_and_no_chart() -> None:
    why = "fewer than 20 lesions by one approach"
    kept = [c for c in edition().comparisons if c.profile == "all"]
    thin = comparison("calcium=severe", (15, 8), (180, 89), withheld=why)
    page = strategy_page(edition(comparisons=(*kept, thin)))
    assert "No lesion profile has an estimate." in words(page)
    assert f"too little to say: {why}" in words(page)
    assert 'data-chart="profile-forest' not in page


def test_an_edition_with_nothing_in_it_still_makes_a_page() -> None:
    nothing = (
        "table_counts",
        "reasons",
        "flow",
        "missing",
        "sequences",
        "quarters",
        "prices",
        "case_mix",
        "comparisons",
        "profile_labels",
        "length_calcium",
        "methods",
        "endpoint_labels",
    )
    text = absent(edition(diagnostics=None, **dict.fromkeys(nothing, ())))
    assert "No like-for-like comparison was made." in text


def test_the_tables_give_ratios_for_both_endpoints_and_every_population() -> None:
    text = words(example())
    for endpoint in ("Crossed by the first approach", "Crossed in the session"):
        for name in (
            "plain figures",
            "like for like, either start realistic (main answer)",
            "like for like, all lesions",
            "like for like, lesions like those started from below",
        ):
            assert f"{endpoint}: {name}" in text
    assert "Risk ratio" in text
    assert "Odds ratio" in text
    c = edition().comparison(FIRST, "doubly_robust", "overlap")
    assert f"{c.effect('odds_ratio').estimate:.2f}" in text


def test_a_report_without_a_lesion_has_no_gap_where_a_quarter_would_stand() -> None:
    gone = ("quarters", "comparisons", "profile_labels", "length_calcium", "case_mix", "sequences", "prices", "missing")
    nothing: dict[str, Any] = dict.fromkeys(gone, ())
    page = strategy_page(edition(latest_quarter="", period_start="", period_end="", diagnostics=None, **nothing))
    text = words(page)
    assert "No lesion could be compared" in text
    assert "five sentences" not in text
    assert not re.search(r"latest quarter|cases from|report, :", text)


def test_a_share_found_by_a_check_is_a_percentage_and_no_zero_has_a_sign() -> None:
    e = edition()
    assert e.diagnostics
    gates = (Gate("score_model", "whole model", 0.75, 0.0, "caution", ""), Gate("b", "alike", 0.12, 0.1, "caution", ""))
    table = tables.gates(hide_small(replace(e, diagnostics=replace(e.diagnostics, gates=gates))))
    assert [row[2:4] for row in table.rows] == [("75%", "0%"), ("0.12", "0.10")]
    assert [balance_text(x) for x in (-0.0049, -0.0051, 0.0, -0.1)] == ["0.00", "\u22120.01", "0.00", "\u22120.10"]


def test_what_looking_each_quarter_costs_stands_in_the_report() -> None:
    page = strategy_page(edition(over_looks=OverLooks(4, -0.011, 0.107)))
    assert "looked at 4 times" in page and "by that stricter measure the question is still open" in page
    assert "looked at" not in strategy_page(edition())


def test_a_plan_that_changed_after_results_were_seen_is_told() -> None:
    changed = Departure("level", "Level of every interval", "0.95", "0.9", 2, "2026-04-09", 1, "choice")
    page = strategy_page(edition(departures=(changed, replace(changed, field="looks.earlier", kind="as_planned"))))
    assert "Changed after results were seen" in page and "level: 0.95, then 0.9" in page
    assert "looks.earlier" not in page
