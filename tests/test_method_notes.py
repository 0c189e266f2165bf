"""The methods in plain words say what the plan does, and nothing that this run did not do."""

from __future__ import annotations

from pipeline.method_notes import method_notes
from pipeline.plan import Plan


def _notes(plan: Plan, remarks: tuple[str, ...] = (), *, simplified: bool = False) -> dict[str, str]:
    return {
        note.heading: note.text for note in method_notes(plan, remarks, ("length", "calcium"), simplified=simplified)
    }


def test_the_default_is_told_as_two_models_and_weighting_as_one() -> None:
    both, one = _notes(Plan()), _notes(Plan(primary_method="weighting"))
    assert "A model of crossing" in both["How it is made fair"]
    assert "A model of crossing" not in one["How it is made fair"]
    assert "combinations" not in one["How it is made fair"]


def test_a_small_service_is_told_that_no_combinations_were_looked_for() -> None:
    full, small = _notes(Plan()), _notes(Plan(), simplified=True)
    assert "combinations having been looked for" in full["How the intervals are made"]
    assert "looked for" not in small["How the intervals are made"]
    assert "straight lines and no combinations" in small["How it is made fair"]


def test_the_population_that_leads_is_the_one_that_is_told() -> None:
    assert "Overlap weights" in _notes(Plan())["How it is made fair"]
    treated = _notes(Plan(primary_population="treated"))["How it is made fair"]
    assert "Overlap weights" not in treated
    assert "like those started from below" in treated


def test_what_was_drawn_in_these_data_and_what_was_adjusted_for_are_told() -> None:
    notes = _notes(Plan(), ("drawn where not recorded: calcium (8%)",))
    assert "In these data: drawn where not recorded: calcium (8%)." in notes["What is not recorded"]
    assert "length, calcium" in notes["How it is made fair"]
