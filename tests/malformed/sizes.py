"""Sizes beyond what a table of cases has."""

from __future__ import annotations

from tests.malformed.case import Case, Family
from tests.malformed.changes import cell, cells, column, line, text

SIZES = Family(
    "Sizes",
    (
        Case(
            "a cell of 100,000 characters in a column of codes",
            (cell("lesions", 3, "proximal_cap", "x" * 100_000),),
            blanked={"lesions": {"proximal_cap is not one of its codes": (3,)}},
        ),
        Case(
            "a cell of 200,000 characters, beyond what a careful reader takes",
            (cell("lesions", 3, "proximal_cap", 'x"' * 100_000),),
            blanked={"lesions": {"proximal_cap is not one of its codes": (3,)}},
        ),
        Case(
            "a cell of 100,000 figures in a column of numbers",
            (cell("lesions", 3, "length_mm", "9" * 100_000),),
            blanked={"lesions": {"length_mm is not a number": (3,)}},
        ),
        Case(
            "a line of 10 MB",
            (cell("lesions", 3, "proximal_cap", "x" * 10_000_000),),
            blanked={"lesions": {"proximal_cap is not one of its codes": (3,)}},
        ),
        Case(
            "a line of 10 MB of separators",
            (line("lesions", 3, lambda written: written + "," * 10_000_000),),
            aside={
                "lesions": {"the line has 10000015 fields where the header has 15": (3,)},
                "attempts": {"its lesion is not in the lesions table": (3, 4)},
            },
            blanked={"follow_up": {"its lesion is not in the lesions table": (3,)}},
        ),
        Case(
            "5,000 columns outside the dictionary",
            (
                cells(
                    "lesions",
                    lambda rows: [
                        [*row, *(f"more {n}" if number == 0 else "7" for n in range(5000))]
                        for number, row in enumerate(rows)
                    ],
                ),
            ),
        ),
        Case("5,000 blank columns", (text("lesions", lambda content: content.replace("\n", "," * 5000 + "\n")),)),
        Case(
            "one column alone",
            (cells("patients", lambda rows: [row[:1] for row in rows]),),
            truth=tuple(
                column("patients", name, "")
                for name in (
                    "birth_year",
                    "sex",
                    "diabetes",
                    "renal",
                    "smoking",
                    "coronary_disease",
                    "heart_failure",
                    "ambulatory",
                )
            ),
        ),
        Case("50,000 blank lines", (text("lesions", lambda content: content + "\n" * 50_000),)),
        Case("50,000 lines of separators", (text("lesions", lambda content: content + ("," * 14 + "\n") * 50_000),)),
        Case("a million spaces behind a value", (cell("lesions", 3, "proximal_cap", "concave" + " " * 1_000_000),)),
        Case(
            "one row in every table",
            (
                cells("patients", lambda rows: rows[:2]),
                cells("procedures", lambda rows: rows[:2]),
                cells("lesions", lambda rows: rows[:2]),
                cells("attempts", lambda rows: rows[:2]),
                cells("complications", lambda rows: rows[:1]),
                cells("follow_up", lambda rows: rows[:2]),
            ),
            truth=(
                cells("patients", lambda rows: rows[:2]),
                cells("procedures", lambda rows: rows[:2]),
                cells("lesions", lambda rows: rows[:2]),
                cells("attempts", lambda rows: rows[:2]),
                cells("complications", lambda rows: rows[:1]),
                cells("follow_up", lambda rows: rows[:2]),
            ),
        ),
        Case(
            "no row in any table",
            tuple(
                cells(table, lambda rows: rows[:1])
                for table in ("patients", "procedures", "lesions", "attempts", "complications", "follow_up")
            ),
            truth=tuple(
                cells(table, lambda rows: rows[:1])
                for table in ("patients", "procedures", "lesions", "attempts", "complications", "follow_up")
            ),
        ),
    ),
)
