"""The charts can be told apart without color, read on a phone, and say what the numbers say."""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Callable
from dataclasses import replace

import altair as alt
import pytest
import vl_convert

from reports import palette
from reports.charts import balance, case_mix, map_color, plain_against_fair, prices, profile_forest
from reports.disclosure import hide_small
from reports.flow_picture import APPROACHES, Node, on_the_table, panel
from reports.pictures import length_calcium, quarters, score_overlap
from reports.row_chart import NARROW, SIZES, WIDE, Mark, Row, Scale, Size, Spec, row_chart
from reports.shown import ShownEdition
from tests.edition_example import comparison, edition

DRAWERS = (
    plain_against_fair,
    case_mix,
    profile_forest,
    prices,
    balance,
    length_calcium,
    score_overlap,
    quarters,
    on_the_table,
)
Draw = Callable[[ShownEdition, Size], Spec]


def texts(svg: str) -> list[str]:
    return [t.replace("\u00a0", " ") for t in re.findall(r"<text[^>]*>([^<]*)</text>", svg)]


def drawn(spec: Spec) -> str:
    return vl_convert.vegalite_to_svg(spec)


@pytest.mark.parametrize("draw", DRAWERS, ids=lambda d: d.__name__)
@pytest.mark.parametrize("size", SIZES, ids=lambda s: s.name)
def test_every_chart_draws_within_its_width_in_letters_large_enough_to_read(draw: Draw, size: Size) -> None:
    svg = drawn(draw(hide_small(edition()), size))
    width = re.search(r'viewBox="0 0 (\d+)', svg)
    assert width
    assert int(width[1]) <= size.total
    assert min(float(s) for s in re.findall(r'font-size="([\d.]+)px"', svg)) >= 10.5
    assert texts(svg)
    assert "NaN" not in svg
    assert "undefined" not in svg


@pytest.mark.parametrize("draw", DRAWERS, ids=lambda d: d.__name__)
def test_every_chart_is_valid_vega_lite(draw: Draw) -> None:
    alt.LayerChart.from_dict(draw(hide_small(edition()), WIDE), validate=True)


@pytest.mark.parametrize("draw", DRAWERS, ids=lambda d: d.__name__)
def test_the_same_edition_gives_the_same_chart(draw: Draw) -> None:
    e = hide_small(edition())
    assert json.dumps(draw(e, WIDE)) == json.dumps(draw(e, WIDE))


def test_the_forest_prints_each_difference_and_the_reason_for_each_one_missing() -> None:
    words = texts(drawn(profile_forest(hide_small(edition()), WIDE)))
    assert "+14.1 (+4.6 to +23.6)" in words
    assert words.count("fewer than 20 lesions by one approach") >= 2
    assert "172 / 180" in words


def test_a_hidden_count_is_an_asterisk_in_the_forest() -> None:
    made = (
        comparison("all", (103, 60), (200, 140)),
        comparison("calcium=none", (3, 2), (100, 70), adjusted=(0.1, -0.1, 0.3)),
    )
    e = hide_small(edition(comparisons=made, length_calcium=()))
    assert "* / 100" in texts(drawn(profile_forest(e, WIDE)))


def test_an_interval_wider_than_the_chart_is_cut_at_its_edge_and_printed_whole() -> None:
    made = (
        comparison("all", (103, 60), (200, 140)),
        comparison("calcium=none", (50, 30), (100, 70), adjusted=(0.1, -0.9, 0.95)),
    )
    e = hide_small(edition(comparisons=made, length_calcium=()))
    spec = profile_forest(e, WIDE)
    assert "+10.0 (\u221290.0 to +95.0)" in texts(drawn(spec))
    assert max(abs(float(x)) for x in re.findall(r'"x2?": (-?[\d.]+)', json.dumps(spec))) <= 60


def test_the_map_says_too_few_where_there_is_no_estimate() -> None:
    words = texts(drawn(length_calcium(hide_small(edition()), NARROW)))
    assert words.count("too few") == 5
    assert "+13.0" in words


def test_on_a_phone_a_length_band_is_written_in_two_lines_so_that_bands_do_not_run_into_each_other() -> None:
    e = hide_small(edition())
    bands = {cell.length_band for cell in e.length_calcium}
    long = [b for b in bands if " to " in b or " or " in b]
    assert long
    phone, desk = texts(drawn(length_calcium(e, NARROW))), texts(drawn(length_calcium(e, WIDE)))
    assert all(b in desk and b not in phone for b in long)


def test_a_larger_difference_is_a_darker_cell_and_no_difference_is_neutral() -> None:
    def darkness(difference: float) -> float:
        return palette.contrast(map_color(difference), palette.PAGE)

    assert map_color(0.0) == map_color(0.019) == palette.MIDDLE
    for sign in (1, -1):
        steps = [darkness(sign * d) for d in (0.0, 0.03, 0.08, 0.15, 0.25)]
        assert steps == sorted(steps)


def test_a_quarter_whose_split_is_hidden_is_one_gray_bar() -> None:
    e = hide_small(edition())
    hidden = replace(e, quarters=(replace(e.quarters[0], retrograde_first=None), *e.quarters[1:]))
    spec = json.dumps(quarters(hidden, WIDE))
    assert spec.count(palette.PLAIN) == 1
    assert "108 either approach" in spec


def test_labels_of_the_flow_never_fall_on_each_other() -> None:
    sequences = hide_small(edition()).sequences
    tiny = tuple(replace(s, count=5) if not s.first_crossed else s for s in sequences)
    for rows, gap in itertools.product((sequences, tiny), (22.0, 34.0)):
        for approach in APPROACHES:
            made = panel(rows, approach, gap)
            assert made
            for column in (0, 1, 2):
                nodes: list[Node] = [n for n in made.nodes if n.column == column]
                tops = [n.top + max(n.height, gap - 8) for n in nodes]
                assert all(end <= n.top + 0.01 for end, n in zip(tops, nodes[1:], strict=False))


def test_as_many_lesions_leave_a_block_of_the_flow_as_enter_it() -> None:
    made = panel(hide_small(edition()).sequences, "antegrade", 22.0)
    assert made
    whole = sum(n.height for n in made.nodes if n.column == 0)
    assert whole == pytest.approx(sum(n.height for n in made.nodes if n.column == 2))
    assert whole == pytest.approx(sum(link.height for link in made.links if link.to_column == 2))


def test_a_flow_with_hidden_counts_prints_no_total() -> None:
    e = hide_small(edition())
    some = tuple(replace(s, count=None) if s.then == "same" else s for s in e.sequences)
    words = texts(drawn(on_the_table(replace(e, sequences=some), WIDE)))
    assert "\u25b2 Started from below" in words
    assert "Again from below *" in words


def test_a_long_name_is_given_room() -> None:
    row = Row("Operator's earlier cases from below, all sites", (Mark(0.1, palette.INK, "circle"),))
    words = texts(drawn(row_chart((row,), Scale((0.0, 1.0), "x"), WIDE)))
    assert row.label in [w.replace("&#39;", "'").replace("&apos;", "'") for w in words]


# Contrast: WCAG 2.2, 4.5:1 for text (1.4.3) and 3:1 for what carries meaning in a graphic (1.4.11).
@pytest.mark.parametrize("name", ["INK", "QUIET", "BELOW", "ABOVE"])
@pytest.mark.parametrize("ground", ["PAGE", "PANEL"])
def test_text_stands_out_from_the_page(name: str, ground: str) -> None:
    assert palette.contrast(getattr(palette, name), getattr(palette, ground)) >= 4.5


@pytest.mark.parametrize("name", ["BELOW", "ABOVE", "PLAIN", "FAIR", "CROSSED", "NOT_CROSSED"])
def test_marks_stand_out_from_the_page(name: str) -> None:
    assert palette.contrast(getattr(palette, name), palette.PAGE) >= 3


def test_words_in_a_map_cell_can_be_read_on_every_color() -> None:
    for color in (palette.MIDDLE, *palette.TOWARD_BELOW, *palette.TOWARD_ABOVE):
        assert palette.contrast(palette.text_on(color), color) >= 4.5, color


def test_verdicts_are_told_by_word_and_mark_and_their_colors_can_be_read() -> None:
    assert len(set(palette.VERDICT_MARK.values())) == len(set(palette.VERDICT_WORD.values())) == 3
    assert all(palette.contrast(c, palette.PAGE) >= 4.5 for c in palette.VERDICT_COLOR.values())


def as_seen(color: str, kind: str) -> tuple[float, float, float]:
    """CIE L*a*b* (D65) of a color as seen with a color vision deficiency: Vienot, Brettel and Mollon 1999, linear RGB."""
    r, g, b = palette.linear(color)
    if kind == "deuteranopia":
        r, g, b = 0.29275 * r + 0.70725 * g, 0.29275 * r + 0.70725 * g, -0.02234 * r + 0.02234 * g + b
    elif kind == "protanopia":
        r, g, b = 0.11238 * r + 0.88762 * g, 0.11238 * r + 0.88762 * g, 0.00401 * r - 0.00401 * g + b
    xyz = (
        (0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.9505,
        0.2126 * r + 0.7152 * g + 0.0722 * b,
        (0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.089,
    )
    x, y, z = (v ** (1 / 3) if v > 0.008856 else 7.787 * v + 16 / 116 for v in xyz)
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


# Distance: CIE 1976; 20 is well above the 2-3 that is just noticeable (our choice, common practice, no source).
@pytest.mark.parametrize("kind", ["usual", "deuteranopia", "protanopia"])
@pytest.mark.parametrize(
    "pair",
    [
        (palette.BELOW, palette.ABOVE),
        (palette.PLAIN, palette.FAIR),
        (palette.CROSSED, palette.NOT_CROSSED),
        (palette.TOWARD_BELOW[2], palette.TOWARD_ABOVE[2]),
        (palette.TOWARD_BELOW[3], palette.TOWARD_ABOVE[3]),
    ],
)
def test_the_two_of_a_pair_can_be_told_apart_without_red_green_vision(pair: tuple[str, str], kind: str) -> None:
    one, other = (as_seen(c, kind) for c in pair)
    assert sum((a - b) ** 2 for a, b in zip(one, other, strict=True)) ** 0.5 >= 20


def test_each_approach_has_a_shape_of_its_own() -> None:
    assert palette.SHAPE["retrograde"] != palette.SHAPE["antegrade"]
