"""The rules that one row is held against, as data: a sentence, and the expression that is true where it is broken.

A sentence is what the report prints and never holds a patient's value. Most rules follow from the data dictionary; those that do not
are written out below, and in rules_across.py those that need other rows. To add a rule, add one `Rule`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Literal

import polars as pl

from pipeline.case_tables import PSEUDONYM_COLUMNS, Column, Table

# Grades of each calcium scale, mildest first. PACSS: Rocha-Singh 2014. PARC: Patel 2015. Descriptive: common practice.
CALCIUM_GRADES: Mapping[str, tuple[str, ...]] = {
    "pacss": ("0", "1", "2", "3", "4"),
    "parc": ("none", "focal", "mild", "moderate", "severe"),
    "descriptive": ("none", "mild", "moderate", "severe"),
}

FIRST_TISSUE_LOSS_CATEGORY = 5  # Rutherford 1997: categories 5 and 6; a WIfI wound grade of 1 to 3 is tissue loss too
# WIfI ischemia grade by toe pressure, on which the grade rests first: 60 mmHg and above is grade 0, then one more below each limit.
# Mills JL et al., J Vasc Surg 2014;59:220-234.
TOE_PRESSURE_LIMITS_MMHG = (60, 40, 30)

FIRST_DATE, LAST_DATE = date(1990, 1, 1), date(2100, 12, 31)  # outside it a date is a slip of the pen

MAY_BE_ABSENT = ("complications", "follow_up")  # tables that a site may not keep

# References that may be empty, and are blanked when they lead nowhere: (table, column, the table that it leads to).
OPTIONAL_REFERENCES: tuple[tuple[str, str, str], ...] = (
    ("complications", "attempt_id", "attempts"),
    ("follow_up", "lesion_id", "lesions"),
)

ONE_OF: Mapping[str, str] = {
    "patients": "patient",
    "procedures": "procedure",
    "lesions": "lesion",
    "attempts": "attempt",
}

NOT_A = {
    "int": "a whole number",
    "real": "a number",
    "bool": "a truth value (true or false)",
    "date": "a date (YYYY-MM-DD)",
}

DAMAGED_LETTER = "\ufffd"  # what stands for a letter that could not be decoded

OFF_SCALE = "calcium_grade is not a grade of its calcium_scale"
SAME_ROW_TWICE = "the same row stands earlier in the table"
NO_PARENT = "its {parent} is not in the {table} table"
PARENT_SET_ASIDE = "its {parent} was set aside"

Effect = Literal["row", "value", "warning"]


@dataclass(frozen=True, slots=True)
class Rule:
    """`broken` is true for a row that breaks the rule, and `effect` says what becomes of it.

    "row": the row is set aside. "value": the value of `column` is blanked, the row stays. "warning": it is told and counted; row
    and values stay.
    """

    sentence: str
    broken: pl.Expr
    effect: Effect = "row"
    column: str | None = None

    def __post_init__(self) -> None:
        if (self.effect == "value") != (self.column is not None):
            raise ValueError("a rule names a column if, and only if, it blanks that column's value")


def unreadable(column: str) -> str:
    """Name of the mark that stands beside a column while it is checked: its value could not be read as its type."""
    return f"{column} unreadable"


def can_be_unreadable(column: Column) -> bool:
    """Whether a value of the column can be there and yet not be read: anything but text."""
    return column.type != "text"


@dataclass(frozen=True, slots=True)
class Unusable:
    """`broken` is true for a row whose value of `column` is there and cannot be used; the value is lost, the sentence told."""

    column: str
    sentence: str
    broken: pl.Expr


def unusable_values(column: Column) -> tuple[Unusable, ...]:
    """What makes a value of the column unusable: not of its type, not one of its codes, out of its limits, or spoilt on its way."""
    found: list[Unusable] = []
    value = pl.col(column.name)
    if column.type == "text":
        damaged = value.str.contains(DAMAGED_LETTER, literal=True)
        found.append(Unusable(column.name, f"{column.name} has a damaged letter", damaged))
    if column.name in PSEUDONYM_COLUMNS:
        # Two different keys are one once they are rounded.
        rounded = value.str.contains(r"^\d+([.,]\d+)?[eE]\+\d+$")
        found.append(Unusable(column.name, f"{column.name} was rounded by a spreadsheet", rounded))
    if can_be_unreadable(column):
        what = "one of its codes" if column.type == "code" else NOT_A[column.type]
        found.append(Unusable(column.name, f"{column.name} is not {what}", pl.col(unreadable(column.name))))
    limits = _limits(column)
    if limits is not None:
        found.append(Unusable(column.name, *limits))
    if column.name == "calcium_grade":
        known = sorted({grade for grades in CALCIUM_GRADES.values() for grade in grades})
        found.append(Unusable(column.name, OFF_SCALE, ~value.is_in(known)))
    return tuple(found)


def not_after(table: Table, received: date) -> tuple[Unusable, ...]:
    """What makes a date of each column unusable once it is known when the tables were received: nobody has seen a later day."""
    return tuple(
        Unusable(
            column.name,
            f"{column.name} is after the day on which the tables were received",
            (pl.col(column.name) > received).fill_null(value=False),
        )
        for column in table.columns
        if column.type == "date"
    )


def across_columns(table: Table) -> tuple[Rule, ...]:
    """The rules between columns of one row, looked at after single values that cannot be used have been blanked."""
    return _ACROSS_COLUMNS.get(table.name, ())


def _off_scale() -> pl.Expr:
    scale, grade = pl.col("calcium_scale"), pl.col("calcium_grade")
    return pl.any_horizontal(*((scale == name) & ~grade.is_in(grades) for name, grades in CALCIUM_GRADES.items()))


def _grade_of_toe_pressure() -> pl.Expr:
    pressure = pl.col("toe_pressure_mmhg")
    return pl.sum_horizontal(*(pressure < limit for limit in TOE_PRESSURE_LIMITS_MMHG), ignore_nulls=False)


_ACROSS_COLUMNS: Mapping[str, tuple[Rule, ...]] = {
    "procedures": (
        # Soft, all: each of the two may be the wrong one, and no comparison is decided by either alone.
        Rule(
            "fluoroscopy_min exceeds duration_min",
            pl.col("fluoroscopy_min") > pl.col("duration_min"),
            "warning",
        ),
        Rule(
            "rutherford and wound disagree on whether there is tissue loss",
            (pl.col("rutherford") >= FIRST_TISSUE_LOSS_CATEGORY) != (pl.col("wound") >= 1),
            "warning",
        ),
        Rule(
            "ischemia is two grades or more from that of toe_pressure_mmhg",
            (pl.col("ischemia") - _grade_of_toe_pressure()).abs() >= 2,
            "warning",
        ),
    ),
    "lesions": (
        Rule(
            "calcium_grade has no calcium_scale to be read on",
            pl.col("calcium_grade").is_not_null() & pl.col("calcium_scale").is_null(),
            "value",
            "calcium_grade",
        ),
        Rule(OFF_SCALE, _off_scale(), "value", "calcium_grade"),
    ),
    "attempts": (
        # Hard, both: the outcome that everything is compared by contradicts itself.
        Rule(
            "crossed is true, but stopped_because is would_not_cross or puncture_failed",
            pl.col("crossed") & pl.col("stopped_because").is_in(["would_not_cross", "puncture_failed"]),
        ),
        Rule(
            "crossed is false, but stopped_because is crossed",
            ~pl.col("crossed") & (pl.col("stopped_because") == "crossed"),
        ),
        # Soft, both: nothing is compared by access_gained.
        Rule("crossed is true, but access_gained is false", pl.col("crossed") & ~pl.col("access_gained"), "warning"),
        Rule(
            "access_gained is true, but stopped_because is puncture_failed",
            pl.col("access_gained") & (pl.col("stopped_because") == "puncture_failed"),
            "warning",
        ),
    ),
}


def conflicting_key(table: Table) -> str:
    """The sentence for rows that share their key and differ: one cannot know which is right, so all are set aside."""
    return f"{table.key} is on several rows that differ"


def conflicting_value(table: Table) -> tuple[str, str] | None:
    """A column that can have one value for a key, and the sentence for rows that differ in nothing else; None for most tables."""
    if table.name != "patients":
        return None
    return "birth_year", f"{table.key} is on several rows that differ in birth_year alone"


def _limits(column: Column) -> tuple[str, pl.Expr] | None:
    value = pl.col(column.name)
    if column.type == "date":
        sentence = f"{column.name} is outside {FIRST_DATE.year} to {LAST_DATE.year}"
        return sentence, (value < FIRST_DATE) | (value > LAST_DATE)
    if column.limits is None:
        return None
    low, high = column.limits
    unit = f" {column.unit}" if column.unit not in ("", "year") else ""
    return f"{column.name} is outside {low:g} to {high:g}{unit}", (value < low) | (value > high)
