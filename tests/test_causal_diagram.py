"""The causal diagram: its paths are told as the textbook tells them, and nothing that comes after the puncture can be adjusted for."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from models.causal_diagram import (
    CausalArrow,
    CausalDiagram,
    CausalNode,
    Role,
    backdoor_paths_left_open,
    descendants,
    is_open,
)
from pipeline.case_tables import TABLES, table
from pipeline.causal_page import PAGE, PICTURE, causal_page, causal_picture_file
from pipeline.causal_paths import GROUPS, REFUSED, Group, adjustment_set, causal_diagram, refused
from pipeline.derive import ATTEMPT_HISTORY, ON_THE_TABLE, SESSION
from pipeline.faults import NeedsMending
from pipeline.features import FEATURES
from pipeline.plan import Plan
from pipeline.plan_names import check_names
from reports.causal_picture import DARK, LIGHT, causal_picture, causal_words, open_paths_in_words
from reports.palette import contrast
from reports.row_chart import NARROW, SIZES, WIDE, Size

ROLES: dict[str, Role] = {"A": "exposure", "Y": "outcome"}


def diagram(*arrows: str) -> CausalDiagram:
    """A diagram from arrows as "L>A"; A is the exposure and Y the outcome."""
    names = dict.fromkeys(name for arrow in arrows for name in arrow.split(">"))
    return CausalDiagram(
        tuple(CausalNode(name, ROLES.get(name, "confounder"), name, name) for name in names),
        tuple(CausalArrow(*arrow.split(">")) for arrow in arrows),
    )


def left_open(given: str, *arrows: str) -> list[str]:
    return ["".join(path) for path in backdoor_paths_left_open(diagram(*arrows), frozenset(given))]


# Textbook diagrams: Hernán & Robins, What If (2020), chapters 6 and 7; Pearl 2009, section 3.3.


def test_a_common_cause_leaves_a_path_open_until_it_is_adjusted_for() -> None:
    assert left_open("", "L>A", "L>Y", "A>Y") == ["ALY"]  # figure 7.1
    assert left_open("L", "L>A", "L>Y", "A>Y") == []


def test_what_is_measured_on_the_way_from_an_unmeasured_cause_blocks_its_path() -> None:
    assert left_open("L", "U>L", "L>A", "U>Y", "A>Y") == []  # figure 7.2
    assert left_open("", "U>L", "L>A", "U>Y", "A>Y") == ["ALUY"]


def test_adjusting_for_a_common_effect_opens_a_path_that_was_closed() -> None:
    arrows = ("U>A", "U>L", "V>L", "V>Y", "A>Y")  # figure 7.4, the M
    assert left_open("", *arrows) == []
    assert left_open("L", *arrows) == ["AULVY"]
    assert left_open("LU", *arrows) == []


def test_a_consequence_of_a_common_effect_opens_the_path_too() -> None:
    arrows = ("U>A", "U>L", "V>L", "V>Y", "A>Y", "L>D")
    assert left_open("D", *arrows) == ["AULVY"]


def test_a_path_that_leaves_the_exposure_is_no_back_door() -> None:
    assert left_open("", "A>M", "M>Y") == []


def test_a_circle_is_refused() -> None:
    with pytest.raises(ValueError, match="acts on itself"):
        descendants(diagram("L>A", "A>Y", "Y>L"), "L")


# Our own


def test_the_default_adjustment_set_leaves_open_only_what_no_column_records() -> None:
    ours = causal_diagram(Plan())
    paths = backdoor_paths_left_open(ours, ours.adjusted)
    assert paths[0] == ("approach", "unmeasured", "crossing")
    assert all(path[1] == "unmeasured" for path in paths)


def test_with_the_unmeasured_known_too_no_path_would_be_open() -> None:
    ours = causal_diagram(Plan())
    assert backdoor_paths_left_open(ours, ours.adjusted | {"unmeasured"}) == ()


@pytest.mark.parametrize("group", GROUPS, ids=lambda group: group.name)
def test_leaving_out_any_group_of_traits_leaves_its_path_open(group: Group) -> None:
    name, own = group.name, group.features
    kept = tuple(f.name for f in FEATURES if f.adjust_because is not None and f.name not in own)
    ours = causal_diagram(Plan(adjust_for=kept))
    assert ours.node(name).left_open and not ours.node(name).adjusted
    assert ("approach", name, "crossing") in backdoor_paths_left_open(ours, ours.adjusted)


@pytest.mark.parametrize("role", ["mediator", "collider", "outcome"])
def test_what_is_refused_comes_after_the_approach(role: Role) -> None:
    ours = causal_diagram(Plan())
    (node,) = ours.of_role(role)
    assert node.name in descendants(ours, "approach")


def test_adjusting_for_radiation_or_complications_would_open_a_path_through_the_unmeasured() -> None:
    arrows = causal_diagram(Plan())
    # approach > course > price < unmeasured > crossing: closed until the price is adjusted for.
    path = ("approach", "course", "price", "unmeasured", "crossing")
    assert not is_open(arrows, path, arrows.adjusted)
    assert is_open(arrows, path, arrows.adjusted | {"price"})


def test_nothing_acts_on_itself_and_every_trait_comes_before_the_approach() -> None:
    ours = causal_diagram(Plan())
    for node in ours.nodes:
        descendants(ours, node.name)
    after = descendants(ours, "approach")
    assert not after & {node.name for node in (*ours.of_role("confounder"), *ours.of_role("unmeasured"))}


def test_every_feature_stands_in_one_group_of_the_diagram() -> None:
    placed = [name for group in GROUPS for name in group.features]
    assert sorted(placed) == sorted(f.name for f in FEATURES)


def test_every_column_recorded_after_the_first_puncture_is_refused_by_name() -> None:
    keys = {one.key for one in TABLES} | {"lesion_id", "procedure_id", "patient_id", "side"}
    after = {column for name in ("attempts", "complications", "follow_up") for column in table(name).column_names}
    after |= {*ON_THE_TABLE, *SESSION, *ATTEMPT_HISTORY}
    assert {name for name in after - keys if refused(name) is None} == set()


def test_nothing_that_is_refused_is_a_feature() -> None:
    assert not {name for one in REFUSED for name in one.names} & {f.name for f in FEATURES}


@pytest.mark.parametrize("name", [name for one in REFUSED for name in one.names])
def test_a_plan_that_adjusts_for_what_it_must_not_is_stopped_with_one_line_that_says_why(name: str) -> None:
    with pytest.raises(NeedsMending) as caught:
        check_names(Plan(adjust_for=("length_mm", name)))
    (line,) = caught.value.lines
    kind = r"a mediator|a collider|an instrument|the approach itself|the outcome or a consequence of it"
    assert re.match(rf"plan: adjust_for: '{name}' is ({kind}): ", line)
    assert "Hernán & Robins" in line and "VanderWeele 2019" in line and line.endswith("take it out")


def test_a_reason_of_the_plan_stands_before_the_one_of_the_features_page() -> None:
    plan = Plan(adjust_for=("sex", "smoking"), adjust_because={"smoking": "Ours."})
    check_names(plan)
    sex, smoking = adjustment_set(plan)
    assert (smoking.reason, smoking.own) == ("Ours.", True)
    assert sex.reason.startswith("Women have smaller") and not sex.own


def test_every_trait_of_the_default_adjustment_set_has_a_reason() -> None:
    assert all(one.reason for one in adjustment_set(Plan()))


# Drawn and written

SVG = "{http://www.w3.org/2000/svg}"


def test_the_committed_page_and_picture_are_what_the_declaration_gives() -> None:
    assert PAGE.read_text(encoding="utf-8") == causal_page(), "run: python -m pipeline.causal_page"
    assert PICTURE.read_text(encoding="utf-8") == causal_picture_file(), "run: python -m pipeline.causal_page"


@pytest.mark.parametrize("size", SIZES, ids=lambda size: size.name)
def test_the_picture_draws_one_arrow_for_each_of_the_diagram_groups_taken_together(size: Size) -> None:
    ours = causal_diagram(Plan())
    groups = {group.name for group in GROUPS}
    drawn = {("known" if a.start in groups else a.start, a.end) for a in ours.arrows if a.drawn}
    root = ElementTree.fromstring(causal_picture(ours, size))  # noqa: S314 - our own picture
    arrows = [path for path in root.iter(f"{SVG}path") if path.get("marker-end")]
    assert len(arrows) == len(drawn)
    dashed = [path for path in arrows if path.get("class") == "causal-arrow-open"]
    assert len(dashed) == sum(start == "unmeasured" for start, _ in drawn)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: size.name)
@pytest.mark.parametrize("plan", [Plan(), Plan(adjust_for=("length_mm", "sex"))], ids=["default", "few"])
def test_no_card_of_the_picture_lies_on_another_or_runs_out_of_it(size: Size, plan: Plan) -> None:
    root = ElementTree.fromstring(causal_picture(causal_diagram(plan), size))  # noqa: S314 - our own picture
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    assert width <= size.total
    boxes = [
        tuple(float(rect.attrib[name]) for name in ("x", "y", "width", "height"))
        for rect in root.iter(f"{SVG}rect")
        if rect.get("class") != "causal-box"
    ]
    assert len(boxes) == len(GROUPS) + 7
    for number, (x, y, w, h) in enumerate(boxes):
        assert x >= 0 and y >= 0 and x + w <= width and y + h <= height
        for other_x, other_y, other_w, other_h in boxes[number + 1 :]:
            assert x + w <= other_x or other_x + other_w <= x or y + h <= other_y or other_y + other_h <= y


def test_the_picture_tells_in_words_what_it_shows() -> None:
    ours = causal_diagram(Plan(adjust_for=("length_mm", "sex")))
    root = ElementTree.fromstring(causal_picture(ours, NARROW))  # noqa: S314 - our own picture
    title, words = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert root.attrib["role"] == "img"
    assert root.attrib["aria-labelledby"].split() == [title.attrib["id"], words.attrib["id"]]
    assert words.text == causal_words(ours)
    assert all(
        node.label.casefold() in words.text.casefold()
        for node in ours.nodes
        if node.role not in ("exposure", "outcome")
    )


def test_a_trait_that_is_left_out_is_marked_on_the_picture_and_its_path_told() -> None:
    ours = causal_diagram(Plan(adjust_for=tuple(f.name for f in FEATURES if f.adjust_because and f.name != "sex")))
    assert "not adjusted for: sex" in causal_picture(ours, WIDE)
    assert open_paths_in_words(ours) == (
        "Left open by the adjustment set: what runs through the limb and the patient and the look of the angiogram that no column records."
    )
    assert open_paths_in_words(causal_diagram(Plan())) == (
        "Left open by the adjustment set: what runs through the look of the angiogram that no column records."
    )


@pytest.mark.parametrize("colors", [LIGHT, DARK], ids=["light", "dark"])
def test_every_word_and_line_of_the_picture_stands_out_from_what_it_is_on(colors: dict[str, str]) -> None:
    for name in ("ink", "quiet", "open", "fair"):
        assert contrast(colors[name], colors["page"]) >= 4.5, name
        assert contrast(colors[name], colors["panel"]) >= 4.5, name


def test_only_the_picture_that_stands_alone_turns_dark_on_a_dark_page() -> None:
    ours = causal_diagram(Plan())
    assert "prefers-color-scheme" in causal_picture(ours, WIDE, alone=True)
    assert "prefers-color-scheme" not in causal_picture(ours, WIDE)
