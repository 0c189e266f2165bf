"""Dates. In the sound export they are written YYYY-MM-DD; days beyond the 12th are among them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date, timedelta

from tests.malformed.case import Case, Family
from tests.malformed.changes import cell, column, mapping

ROWS = tuple(range(2, 10))
OF_SESSIONS = "procedure_date is not a date (YYYY-MM-DD)"


def _as(pattern: str) -> Callable[[str], str]:
    return lambda value: date.fromisoformat(value).strftime(pattern)


def _serial(epoch: date) -> Callable[[str], str]:
    return lambda value: str((date.fromisoformat(value) - epoch).days)


def _late(value: str) -> str:
    """The same date with its day moved into the first twelve of the month."""
    day = date.fromisoformat(value)
    return day.replace(day=1 + day.day % 12).isoformat()


def _event(way: str, value: str, reason: str) -> Case:
    return Case(f"{way}: {value}", (cell("follow_up", 5, "event_date", value),), aside={"follow_up": {reason: (5,)}})


NOT_A_DATE = "event_date is not a date (YYYY-MM-DD)"
BAD_EVENTS = (
    ("a day that is not in the calendar", "2023-02-30"),
    ("29 February in a year without one", "2023-02-29"),
    ("a month that is not in the calendar", "2024-13-18"),
    ("a day 0", "2024-01-00"),
    ("zeros for not known", "0000-00-00"),
    ("a day not known, as zeros", "2024-01-00"),
    ("a month alone", "2024-01"),
    ("a year alone", "2024"),
    ("a quarter", "2024-Q1"),
    ("a week", "2024-W03"),
    ("a day of the year", "2024-018"),
    ("words", "mid January"),
    ("a range", "2024-01-18/20"),
    ("a date and a remark", "2024-01-18 (estimated)"),
    ("letters O for zeros", "2O24-01-18"),
    ("figures of another script", "٢٠٢٤-\u0660\u0661-١٨"),
    ("a year of five figures", "12024-01-18"),
    ("a negative year", "-2024-01-18"),
    ("hyphens of typography", "2024\u201001\u201018"),
    ("hour 24", "2024-01-18 24:00:00 uhr"),
    ("seconds since 1970", "1705536000"),
    ("a day number among dates", "45309"),
)
GOOD_EVENTS = (
    ("a time of day behind the date", "2024-01-18 09:30"),
    ("a time of day after a T", "2024-01-18T09:30:15"),
    ("a time with a fraction of a second", "2024-01-18T09:30:15.123"),
    ("a time in universal time", "2024-01-18T09:30:15Z"),
    ("a time with a zone", "2024-01-18T23:30:00+02:00"),
    ("hour 24", "2024-01-18 24:00"),
    ("midnight", "2024-01-18 00:00:00"),
    ("spaces around it", " 2024-01-18 "),
)


def _events() -> Iterable[Case]:
    for way, value in BAD_EVENTS:
        yield _event(way, value, NOT_A_DATE)
    for way, value in GOOD_EVENTS:
        yield Case(f"{way}: {value.strip()}", (cell("follow_up", 5, "event_date", value),))


DAYS = Family(
    "Dates",
    (
        *_events(),
        _event("the first day of spreadsheets", "1899-12-30", "event_date is outside 1990 to 2100"),
        _event("the day before it", "1899-12-31", "event_date is outside 1990 to 2100"),
        _event("the first day of 1900", "1900-01-01", "event_date is outside 1990 to 2100"),
        _event("the first day of 1970", "1970-01-01", "event_date is outside 1990 to 2100"),
        _event("a day to mean never", "9999-12-31", "event_date is outside 1990 to 2100"),
        _event("a day to come", "2025-02-01", "event_date is after the day on which the tables were received"),
        _event(
            "a day far before the patient's first procedure",
            "2013-01-18",
            "event_date is before its lesion's procedure",
        ),
        Case(
            "a date left out",
            (cell("follow_up", 5, "event_date", ""),),
            aside={"follow_up": {"event_date is missing": (5,)}},
        ),
        Case(
            "an optional date that is no date",
            (cell("complications", 4, "complication_date", "soon"),),
            blanked={"complications": {"complication_date is not a date (YYYY-MM-DD)": (4,)}},
        ),
        *(
            Case(
                f"day first, parted by {word}",
                (column("procedures", "procedure_date", _as(pattern)),),
                notes={"procedures": f"read as {pattern}"},
            )
            for word, pattern in (("points", "%d.%m.%Y"), ("strokes", "%d/%m/%Y"), ("hyphens", "%d-%m-%Y"))
        ),
        Case(
            "month first",
            (column("procedures", "procedure_date", _as("%m/%d/%Y")),),
            notes={"procedures": "read as %m/%d/%Y"},
        ),
        Case(
            "day first, without zeros before single figures",
            (
                column(
                    "procedures",
                    "procedure_date",
                    lambda value: ".".join(str(int(part)) for part in reversed(value.split("-"))),
                ),
            ),
            notes={"procedures": "read as %d.%m.%Y"},
        ),
        Case(
            "day first, with times of day",
            (column("procedures", "procedure_date", _as("%d.%m.%Y 08:15")),),
            notes={"procedures": "read as %d.%m.%Y"},
        ),
        Case(
            "day first in one table and month first in another",
            (
                column("procedures", "procedure_date", _as("%d/%m/%Y")),
                column("follow_up", "event_date", _as("%m/%d/%Y")),
            ),
            notes={"procedures": "read as %d/%m/%Y", "follow_up": "read as %m/%d/%Y"},
        ),
        Case(
            "no day beyond the 12th, so that the order cannot be told",
            (column("procedures", "procedure_date", lambda value: _as("%d/%m/%Y")(_late(value))),),
            stops=("procedures.csv: procedure_date could be day first or month first",),
        ),
        Case(
            "no day beyond the 12th, the order stated",
            (
                column("procedures", "procedure_date", lambda value: _as("%d/%m/%Y")(_late(value))),
                mapping('[procedures]\ndates = "%d/%m/%Y"\n'),
            ),
            truth=(column("procedures", "procedure_date", _late),),
            blanked={"complications": {"complication_date is before the procedure": (3,)}},
        ),
        Case(
            "day first on some rows and month first on others",
            (
                column("procedures", "procedure_date", _as("%d/%m/%Y")),
                cell("procedures", 3, "procedure_date", "03/14/2023"),
            ),
            stops=("procedures.csv: procedure_date",),
        ),
        Case(
            "day first on some rows and YYYY-MM-DD on others",
            (
                column("procedures", "procedure_date", _as("%d/%m/%Y")),
                cell("procedures", 3, "procedure_date", "2023-03-14"),
            ),
            notes={"procedures": "read as %d/%m/%Y"},
        ),
        Case(
            "points on some rows and strokes on others",
            (
                column("procedures", "procedure_date", _as("%d.%m.%Y")),
                cell("procedures", 3, "procedure_date", "14/03/2023"),
            ),
        ),
        Case(
            "one date day first among YYYY-MM-DD",
            (cell("procedures", 9, "procedure_date", "25.04.2024"),),
            notes={"procedures": "read as %d.%m.%Y"},
        ),
        Case(
            "the wrong order stated",
            (column("procedures", "procedure_date", _as("%d/%m/%Y")), mapping('[procedures]\ndates = "%m/%d/%Y"\n')),
            stops=("procedures.csv: procedure_date cannot be dates = '%m/%d/%Y'",),
        ),
        Case("a pattern stated, and YYYY-MM-DD written", (mapping('[procedures]\ndates = "%d.%m.%Y"\n'),)),
        Case(
            "years of two figures",
            (column("procedures", "procedure_date", _as("%d.%m.%y")),),
            stops=("procedures.csv: procedure_date has years of two digits",),
        ),
        Case(
            "years of two figures, stated",
            (column("procedures", "procedure_date", _as("%d.%m.%y")), mapping('[procedures]\ndates = "%d.%m.%y"\n')),
        ),
        Case("months as English words", (column("procedures", "procedure_date", _as("%d %b %Y")),)),
        Case(
            "months as English words, stated",
            (column("procedures", "procedure_date", _as("%d %b %Y")), mapping('[procedures]\ndates = "%d %b %Y"\n')),
        ),
        Case(
            "months as German words",
            (
                column(
                    "procedures",
                    "procedure_date",
                    lambda value: (
                        _as("%d. %B %Y")(value)
                        .replace("March", "März")
                        .replace("May", "Mai")
                        .replace("January", "Januar")
                        .replace("July", "Juli")
                        .replace("February", "Februar")
                    ),
                ),
            ),
        ),
        Case("eight figures (20230116)", (column("procedures", "procedure_date", _as("%Y%m%d")),)),
        Case(
            "eight figures, stated",
            (column("procedures", "procedure_date", _as("%Y%m%d")), mapping('[procedures]\ndates = "%Y%m%d"\n')),
        ),
        Case(
            "year, day, month (2023-16-01), stated",
            (column("procedures", "procedure_date", _as("%Y-%d-%m")), mapping('[procedures]\ndates = "%Y-%d-%m"\n')),
        ),
        Case(
            "year, day, month (2023-16-01), not stated",
            (column("procedures", "procedure_date", _as("%Y-%d-%m")),),
            stops=("procedures.csv: procedure_date has the day before the month",),
        ),
        Case("strokes after the year (2023/01/16)", (column("procedures", "procedure_date", _as("%Y/%m/%d")),)),
        Case(
            "day numbers of a spreadsheet in a CSV file",
            (column("procedures", "procedure_date", _serial(date(1899, 12, 30))),),
            stops=("procedures.csv: procedure_date has the bare day numbers of a spreadsheet",),
        ),
        Case(
            "day numbers of old Macintoshes in a CSV file",
            (column("procedures", "procedure_date", _serial(date(1904, 1, 1))),),
            stops=("procedures.csv: procedure_date has the bare day numbers of a spreadsheet",),
        ),
        Case(
            "a day number of 1960 in a CSV file, as SAS keeps dates",
            (column("procedures", "procedure_date", _serial(date(1960, 1, 1))),),
            aside={"procedures": {OF_SESSIONS: ROWS}},
        ),
        Case(
            "a procedure on a day to come",
            (cell("procedures", 9, "procedure_date", (date(2025, 1, 31) + timedelta(days=1)).isoformat()),),
            aside={"procedures": {"procedure_date is after the day on which the tables were received": (9,)}},
        ),
        Case(
            "a procedure in a year before the register began",
            (cell("procedures", 9, "procedure_date", "1989-12-31"),),
            aside={"procedures": {"procedure_date is outside 1990 to 2100": (9,)}},
        ),
    ),
)
