"""Whatever stands in the cells of an export, in its mapping or in its plan: it is read right, or told, or it stops with what to mend.

The cases stand in tests/malformed/, a module a family; docs/malformed_input.md shows them all with what became of them.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.malformed.case import Family
from tests.malformed.families import OF_VALUES
from tests.malformed.judge import assert_as_expected
from tests.malformed.page import outcomes, section

PAGE = Path(__file__).parent.parent / "docs" / "malformed_input.md"
CASES = [
    pytest.param(family, number, id=f"{family.title}: {case.name}")
    for family in OF_VALUES
    for number, case in enumerate(family.cases)
]


@pytest.mark.parametrize(("family", "number"), CASES)
def test_what_is_wrong_with_a_value_costs_no_row_and_no_value_without_a_word(family: Family, number: int) -> None:
    case, outcome = outcomes(family)[number]
    assert_as_expected(case, outcome)


@pytest.mark.parametrize("family", OF_VALUES, ids=lambda family: family.title)
def test_the_page_shows_what_becomes_of_every_value(family: Family) -> None:
    assert section(family) in PAGE.read_text(encoding="utf-8"), "python -m tests.malformed > docs/malformed_input.md"
