"""Whatever is wrong with the files of an export: it is read right, or what was not used is told, or it stops with what to mend.

The cases stand in tests/malformed/, a module a family; docs/malformed_input.md shows them all with what became of them.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.malformed.case import Case, Family
from tests.malformed.families import FAMILIES, OF_FILES
from tests.malformed.intake import Outcome
from tests.malformed.judge import assert_as_expected
from tests.malformed.page import opening, outcomes, section

PAGE = Path(__file__).parent.parent / "docs" / "malformed_input.md"
CASES = [
    pytest.param(family, number, id=f"{family.title}: {case.name}")
    for family in OF_FILES
    for number, case in enumerate(family.cases)
]


@pytest.mark.parametrize(("family", "number"), CASES)
def test_what_is_wrong_with_a_file_costs_no_row_and_no_value_without_a_word(family: Family, number: int) -> None:
    case, outcome = outcomes(family)[number]
    assert_as_expected(case, outcome)


@pytest.mark.parametrize("family", OF_FILES, ids=lambda family: family.title)
def test_the_page_shows_what_becomes_of_every_file(family: Family) -> None:
    assert section(family) in PAGE.read_text(encoding="utf-8"), "python -m tests.malformed > docs/malformed_input.md"


def test_the_page_counts_every_case() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert page.startswith(opening()), "python -m tests.malformed > docs/malformed_input.md"
    assert page.count("\n## ") == len(FAMILIES)


def test_each_case_has_a_name_of_its_own_in_its_family() -> None:
    for family in FAMILIES:
        names = [case.name for case in family.cases]
        assert len(set(names)) == len(names), family.title


def test_a_case_that_is_not_as_expected_is_noticed() -> None:
    sound = Outcome(counts={}, untold=())
    assert_as_expected(Case("nothing", ()), sound)
    for other in (
        Outcome(untold=("lesions.length_mm",)),
        Outcome(stops=("lesions.csv: wrong",)),
        Outcome(aside={"lesions": {"lesion_id is missing": (2,)}}),
        Outcome(shown=("pat-01",)),
    ):
        with pytest.raises(AssertionError):
            assert_as_expected(Case("nothing", ()), other)
