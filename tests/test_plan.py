"""A plan is checked whole before any work: what contradicts itself or names something twice is refused."""

from __future__ import annotations

import json
import tomllib
from datetime import date
from pathlib import Path

import jsonschema
import pytest
from pydantic import ValidationError

from pipeline.faults import NeedsMending
from pipeline.plan import METHODS, Plan
from pipeline.plan_names import load_checked_plan
from pipeline.plan_page import EXAMPLE, SCHEMA, plan_page, plan_schema
from pipeline.plan_parts import Gates, HiddenBias, Imputation, Looks, SelfCheck, Truncation


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("endpoints", ("first_approach_crossed", "first_approach_crossed")),
        ("profiles", ("renal", "renal")),
        ("adjust_for", ("length_mm", "length_mm")),
        ("length_bands_mm", (100.0, 100.0001)),
        ("length_bands_mm", (float("nan"),)),
        ("length_bands_mm", (float("inf"),)),
        ("length_bands_mm", (-5.0, 100.0)),
        ("length_bands_mm", (200.0, 100.0)),
        ("length_bands_mm", ()),
        ("age_bands_years", (75, 65)),
        ("age_bands_years", (75, 95)),  # ages over 89 are one group
        ("level", 1.0),
        ("primary_endpoint", "healed"),
        ("smallest_count_shown", 1),
        ("gates", {"caution_imbalance": 0.3, "largest_imbalance": 0.2}),
        ("gates", {"largest_imbalance": float("inf")}),
        ("gates", {"largest_variance_ratio": 1.0}),
        ("populations", ("overlap", "overlap")),
        ("populations", ("all",)),  # the primary one is not among them
        ("methods", ("magic",)),
        ("methods", ("matching", "matching")),
        ("primary_method", "crude"),
        ("margins", {"first_approach_crossed": 0.0}),
        ("margins", {"first_approach_crossed": float("nan")}),
        ("margin_points", 100.0),
        ("adjust_because", {"smoking": " "}),
        ("imputation", {"datasets": 1}),
        ("imputation", {"tipping_deltas": ()}),
        ("imputation", {"tipping_deltas": (0.5, 0.0)}),
        ("imputation", {"tipping_deltas": (float("nan"),)}),
        ("truncation", {"lower_quantile": 0.5}),
        ("matching", {"ratio": 0}),
        ("matching", {"replacement": 1}),
        ("bootstrap", {"replicates": -1}),
        ("hidden_bias", {"strength": -0.1}),
        ("looks", {"method": "none"}),
        ("looks", {"earlier": -1}),
        ("self_check", {"lowest_coverage": 1.0}),
    ],
)
def test_a_plan_that_cannot_be_meant_is_refused(field: str, value: object) -> None:
    with pytest.raises(ValidationError):
        Plan.model_validate({field: value})


def test_two_plans_with_the_same_choices_have_the_same_hash_and_another_choice_another() -> None:
    assert Plan().hash == Plan(level=0.95).hash
    assert Plan().hash != Plan(level=0.9).hash
    assert Plan().hash != Plan(seed=1).hash


def test_the_order_of_reasons_and_margins_is_no_choice_and_that_of_the_adjustment_set_is() -> None:
    one, other = {"sex": "A.", "renal": "B."}, {"renal": "B.", "sex": "A."}
    assert Plan(adjust_because=one).hash == Plan(adjust_because=other).hash
    assert Plan(adjust_for=("sex", "renal")).hash != Plan(adjust_for=("renal", "sex")).hash


def test_a_margin_is_the_endpoints_own_or_else_the_one_for_all_as_a_fraction() -> None:
    plan = Plan(margin_points=4.0, margins={"crossed_in_session": 3.0})
    assert (plan.margin("first_approach_crossed"), plan.margin("crossed_in_session")) == (0.04, 0.03)


def test_the_plain_comparison_and_the_primary_method_are_made_whatever_methods_are_named() -> None:
    assert all(Plan().compares_by(method) for method in METHODS)
    chosen = Plan(methods=("matching",), primary_method="weighting")
    assert [method for method in METHODS if chosen.compares_by(method)] == ["crude", "weighting", "matching"]


def test_draws_of_different_kinds_have_different_seeds_that_follow_from_the_plans() -> None:
    assert Plan().seed_for("bootstrap") == Plan().seed_for("bootstrap")
    assert len({Plan(seed=seed).seed_for(kind) for seed in (1, 2) for kind in ("bootstrap", "imputation")}) == 4


def test_a_plan_kept_as_json_is_read_again_as_the_same_plan() -> None:
    plan = Plan(adjust_because={"sex": "A."}, margins={"crossed_in_session": 3.0}, matching={"replacement": True})
    assert Plan.model_validate_json(plan.model_dump_json()) == plan


def faults(folder: Path, toml: str) -> list[str]:
    (folder / "plan.toml").write_text(toml, encoding="utf-8")
    with pytest.raises(NeedsMending) as caught:
        load_checked_plan(folder / "plan.toml")
    assert all(line.startswith("plan.toml: ") for line in caught.value.lines)
    return [line.removeprefix("plan.toml: ") for line in caught.value.lines]


@pytest.mark.parametrize(
    ("toml", "told"),
    [
        ("levle = 0.9", "levle: no such field; did you mean level?"),
        ('first_date = "x"', "first_date: no such field here; it stands under the line [eligibility]"),
        ("[gates]\nlevel = 0.9", "gates.level: no such field here; it stands before the first line in brackets, not under [gates]"),
        ("[gates]\nfewest_in_arms = 30", "gates.fewest_in_arms: no such field; did you mean fewest_in_arm?"),
        ("[eligibility]\nx = 1", "eligibility.x: no such field; the fields are first_date, last_date, segments"),
        ("level = 95", "level: must be above 0.5 and below 1"),
        ("level = 0.5", "level: must be above 0.5 and below 1"),
        ("level = nan", "level: must be above 0.5 and below 1"),
        ("smallest_count_shown = 1", "smallest_count_shown: must be 2 or more and 50 or less"),
        ("smallest_count_shown = 51", "smallest_count_shown: must be 2 or more and 50 or less"),
        ("[gates]\nsparse_cell = inf", "gates.sparse_cell: must be a finite number, 1 or more"),
        ('level = "0.9"', "level: write a number without quotation marks, as in 0.5"),
        ("level = true", "level: write a number, as in 0.5"),
        ("seed = 1.5", "seed: write a whole number"),
        ('seed = "1"', "seed: write a whole number without quotation marks"),
        ("service = 5", "service: write a text in quotation marks"),
        ('service = ["North"]', "service: write one text, not a list"),
        ('profiles = "renal"', "profiles: write a list in square brackets, also for one thing or none"),
        ("profiles = [5]", "profiles: item 1: write a text in quotation marks"),
        ('length_bands_mm = [100, "200"]', "length_bands_mm: item 2: write a number without quotation marks, as in 0.5"),
        ('[eligibility]\nfirst_date = "2024-02-03"', "eligibility.first_date: write the date without quotation marks, as in 2024-01-31"),
        ("[eligibility]\nfirst_date = 2024-02-03T10:00:00", "eligibility.first_date: write the day alone, without a time, as in 2024-01-31"),
        ("[eligibility]\nfirst_date = 2024", "eligibility.first_date: write a date, as in 2024-01-31"),
        ('withdrawn_rows = "forget"', 'withdrawn_rows: choose among "ask", "keep", "drop"'),
        ("gates = 5", "gates: write its name alone on a line in square brackets, and its fields on the lines below"),
        ("age_bands_years = []", "plan: age_bands_years must rise and hold at least one limit"),
        ("[gates]\ncaution_imbalance = 0.5", "gates: caution_imbalance must not be above largest_imbalance"),
        ('methods = ["magic"]', 'methods: item 1: choose among ' + ", ".join(f'"{method}"' for method in METHODS)),
        ('populations = ["everyone"]', 'populations: item 1: choose among "overlap", "all", "treated"'),
        ('primary_population = "all"\npopulations = ["treated"]', "plan: primary_population must be one of populations"),
        ('[matching]\nreplacement = "yes"', "matching.replacement: write true or false, without quotation marks"),
        ("[matching]\nreplacement = 1", "matching.replacement: write true or false"),
        ("[looks]\nearlier = 2.5", "looks.earlier: write a whole number"),
        ("[looks]\nearlier = -1", "looks.earlier: must be 0 or more and 1000 or less"),
        ("[matching]\ndatasets = 5", "matching.datasets: no such field here; it stands under the line [imputation]"),
        ("margins = 5", "margins: write its name alone on a line in square brackets, and under it a line for each name"),
        ("[margins]\ncrossed_in_session = 0", "plan: margins must be above 0 and below 100, in percentage points; that of crossed_in_session is not"),
        ('[margins]\ncrossed_in_session = "3"', "margins.crossed_in_session: write a number without quotation marks, as in 0.5"),
        ("[margins]\nhealed = 3", "margins: 'healed' is not one of endpoints; choose among first_approach_crossed, crossed_in_session"),
        ('[adjust_for]\nsex = "Ours."', "adjust_for: write a list of names in square brackets; reasons for them stand under [adjust_because]"),
        ("[adjust_because]\nsex = 5", "adjust_because.sex: write a text in quotation marks"),
        ('[adjust_because]\nsex = ""', "plan: adjust_because gives no reason for sex"),
        ('[adjust_because]\nsmoking = "Ours."', "adjust_because: 'smoking' is not adjusted for; name it, and all others, in adjust_for, or take the reason out"),
        ('adjust_for = ["sex"]\n[adjust_because]\nrenal = "Ours."', "adjust_because: 'renal' is not adjusted for; add it to adjust_for, or take the reason out"),
        (
            'adjust_for = ["sex", "below_knee"]',
            "adjust_for: 'below_knee' is not adjusted for by default (it follows from the segment, which is adjusted for); "
            "give your reason under [adjust_because], or take it out",
        ),
        (
            'left_out = ["complications"]',
            "left_out: 'complications' is a collider: a complication follows from the approach and from how hard the lesion turned out to be; "
            "a fair comparison is not balanced in it (Hernán & Robins, What If, ch. 18; VanderWeele 2019); take it out",
        ),
        (
            'profiles = ["plane"]',
            "profiles: 'plane' is a mediator: it is set after the first puncture, by the approach, and decides whether the wire crosses; comparing "
            "within its levels takes away part of the effect that is asked for (Hernán & Robins, What If, ch. 18; VanderWeele 2019); take it out",
        ),
    ],
)  # fmt: skip
def test_each_mistake_in_a_plan_is_told_with_what_to_write(tmp_path: Path, toml: str, told: str) -> None:
    assert faults(tmp_path, toml) == [told]


def test_all_mistakes_in_a_plan_are_told_at_once(tmp_path: Path) -> None:
    toml = """
        levle = 0.9
        primary_endpoint = "healed"
        adjust_for = ["height"]
        age_bands_years = [75, 65]
        [gates]
        caution_imbalance = 0.5
        fewest_in_arm = 1
        [eligibility]
        first_date = 2025-01-01
        last_date = 2024-01-01
        """
    told = faults(tmp_path, toml)
    assert [line.split(";")[0] for line in told] == [
        "gates.fewest_in_arm: must be 2 or more",
        "levle: no such field",
        "gates: caution_imbalance must not be above largest_imbalance",
        "plan: age_bands_years must rise and hold at least one limit",
        "plan: primary_endpoint must be one of endpoints",
        "adjust_for: 'height' is not a feature",
        "eligibility: first_date is after last_date",
    ]


def test_a_field_at_fault_puts_no_blame_on_another(tmp_path: Path) -> None:
    # The default of the field that is wrong would contradict the other.
    assert faults(tmp_path, 'primary_endpoint = "crossed_in_session"\nendpoints = "crossed_in_session"') == [
        "endpoints: write a list in square brackets, also for one thing or none"
    ]
    assert faults(tmp_path, '[gates]\ncaution_imbalance = 0.3\nlargest_imbalance = "0.4"') == [
        "gates.largest_imbalance: write a number without quotation marks, as in 0.5"
    ]


def test_the_reference_names_what_a_field_may_be_set_to() -> None:
    (line,) = [line for line in plan_page().splitlines() if line.startswith("| `withdrawn_rows`")]
    assert line.split(" | ")[2] == 'one of `"ask"`, `"keep"`, `"drop"`'


def test_the_committed_schema_is_what_the_plan_gives() -> None:
    assert SCHEMA.read_text(encoding="utf-8") == plan_schema(), "run: python -m pipeline.plan_page"


def allowed(toml: str) -> bool:
    """Whether the exported schema takes this plan; JSON writes a date as text."""
    content = json.loads(json.dumps(tomllib.loads(toml), default=date.isoformat))
    return bool(jsonschema.Draft202012Validator(json.loads(plan_schema())).is_valid(content))


@pytest.mark.parametrize(
    "toml",
    [
        "levle = 0.9",
        "level = 95",
        "[gates]\nfewest_in_arms = 30",
        "[gates]\nfewest_in_arm = 1",
        'methods = ["magic"]',
        'profiles = "renal"',
        '[margins]\ncrossed_in_session = "3"',
        "[adjust_because]\nsex = 5",
        "[looks]\nearlier = -1",
    ],
)
def test_the_schema_refuses_what_the_plan_refuses(toml: str) -> None:
    assert not allowed(toml)


def test_the_schema_takes_the_example_an_empty_plan_and_the_whole_default() -> None:
    assert allowed(EXAMPLE.split("```toml\n")[1].split("```")[0])
    assert allowed("")
    default = json.loads(Plan().model_dump_json())
    assert jsonschema.Draft202012Validator(json.loads(plan_schema())).is_valid(default)


def test_every_threshold_names_its_source_or_says_that_it_has_none() -> None:
    sourced = ("source", "19", "20")  # "no source", or a year
    for part in (Gates, Imputation, Truncation, HiddenBias, Looks, SelfCheck):
        for name, field in part.model_fields.items():
            if isinstance(field.default, float):
                assert any(mark in field.description for mark in sourced), name
