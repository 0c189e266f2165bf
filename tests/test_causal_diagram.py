"""The causal diagram: its paths are told as the textbook tells them, and nothing that comes after the puncture can be adjusted for."""

from __future__ import annotations

import re

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
from pipeline.causal_paths import GROUPS, REFUSED, Group, adjustment_set, causal_diagram, refused
from pipeline.derive import ATTEMPT_HISTORY, ON_THE_TABLE, SESSION
from pipeline.faults import NeedsMending
from pipeline.features import FEATURES
from pipeline.plan import Plan
from pipeline.plan_names import check_names

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
