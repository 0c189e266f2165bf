"""Direct identifiers that were left in the export. All are invented."""

from __future__ import annotations

from collections.abc import Callable

from tests.malformed.case import Case, Family
from tests.malformed.changes import cell, column, header, mapping, more_column

# Checks of the numbers: NHS number modulus 11; invented ones from the range 999 000 0000 to 999 999 9999, which is not issued.
_NHS = ("9990000018", "9990000026", "9990000034", "9990000042", "9990000050", "9990000069")
_BIRTHS = ("1938-02-11", "1944-07-30", "1951-10-05", "1947-03-19", "1962-12-01", "1956-05-23")
_SENTENCES = "patient came with a cold foot and was seen by the team on the ward"


def _of(values: tuple[str, ...]) -> Callable[[int], str]:
    return lambda row: values[row]


def _found(header_or_place: str, kind: str) -> str:
    return f"patients.csv: column {header_or_place} looks like a direct identifier ({kind}"


PERSONS = Family(
    "Identity left in the export",
    (
        Case(
            "a column of surnames",
            (more_column("patients", "Surname", lambda row: f"Name{row}"),),
            stops=(_found("'Surname'", "a name"),),
        ),
        Case(
            "a column of surnames under a German header",
            (more_column("patients", "Nachname", lambda row: f"Name{row}"),),
            stops=(_found("'Nachname'", "a name"),),
        ),
        Case(
            "a column of surnames, dropped by the mapping",
            (more_column("patients", "Surname", lambda row: f"Name{row}"), mapping('[patients]\ndrop = ["Surname"]\n')),
        ),
        Case(
            "dates of birth under a header that says nothing",
            (more_column("patients", "X7", _of(_BIRTHS)),),
            stops=(_found("'X7'", "dates of birth"),),
        ),
        Case(
            "dates of birth where the year is asked for",
            (column("patients", "birth_year", lambda year: f"{year}-05-01"),),
            stops=("patients.csv: column 'birth_year' is read as birth_year and looks like full dates of birth",),
        ),
        Case(
            "one date of birth where the year is asked for",
            (cell("patients", 3, "birth_year", "1944-07-30"),),
            stops=("patients.csv: column 'birth_year' is read as birth_year and looks like full dates of birth",),
        ),
        Case(
            "e-mail addresses under a header that says nothing",
            (more_column("patients", "X7", lambda row: f"p{row}@clinic.example"),),
            stops=(_found("'X7'", "e-mail addresses"),),
        ),
        Case(
            "e-mail addresses as keys of operators",
            (column("procedures", "operator_id", lambda one: f"{one}@clinic.example"),),
            stops=("procedures.csv: operator_id holds e-mail addresses",),
        ),
        Case(
            "telephone numbers without a header",
            (more_column("patients", "", lambda row: f"+49 30 5550{row}00{row}"),),
            stops=(_found("10, which has no header,", "telephone numbers"),),
        ),
        Case(
            "free text under a header that says nothing",
            (more_column("patients", "X7", lambda row: f"{_SENTENCES} {row}"),),
            stops=(_found("'X7'", "free text"),),
        ),
        Case(
            "NHS numbers under a header that says nothing",
            (more_column("patients", "X7", _of(_NHS)),),
            stops=(_found("'X7'", ""),),
        ),
        Case(
            "a mapping that leads surnames into a column of ours",
            (
                more_column("procedures", "Surname", lambda row: f"Name{row}"),
                header("procedures", "site_id", "old"),
                mapping('[procedures.columns]\nsite_id = "Surname"\n'),
            ),
            stops=("procedures.csv: column 'Surname' is read as site_id and looks like a direct identifier",),
        ),
        Case(
            "a remark in a column of codes",
            (cell("lesions", 3, "proximal_cap", _SENTENCES),),
            blanked={"lesions": {"proximal_cap is not one of its codes": (3,)}},
        ),
        Case(
            "a name in a column of numbers",
            (cell("lesions", 3, "length_mm", "Mustermann"),),
            blanked={"lesions": {"length_mm is not a number": (3,)}},
        ),
    ),
)
