"""A plan is checked whole before any work: what contradicts itself or names something twice is refused."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from pipeline.plan import Plan


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
    ],
)
def test_a_plan_that_cannot_be_meant_is_refused(field: str, value: object) -> None:
    with pytest.raises(ValidationError):
        Plan.model_validate({field: value})


def test_two_plans_with_the_same_choices_have_the_same_hash_and_another_choice_another() -> None:
    assert Plan().hash == Plan(level=0.95).hash
    assert Plan().hash != Plan(level=0.9).hash
    assert Plan().hash != Plan(seed=1).hash
