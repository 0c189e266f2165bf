"""The rules that the tables are held against, as data: a sentence, and the expression that is true where it is broken.

A sentence is what the report prints and never holds a patient's value. Most rules follow from the data dictionary; the
few that do not are written out below. To add a rule, add one `Rule`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.case_tables import Column, Table

# Grades of each calcium scale, mildest first. PACSS: Rocha-Singh 2014. PARC: Patel 2015. Descriptive: common practice.
CALCIUM_GRADES: Mapping[str, tuple[str, ...]] = {
    "pacss": ("0", "1", "2", "3", "4"),
    "parc": ("none", "focal", "mild", "moderate", "severe"),
    "descriptive": ("none", "mild", "moderate", "severe"),
}

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

OFF_SCALE = "calcium_grade is not a grade of its calcium_scale"
SAME_ROW_TWICE = "the same row stands earlier in the table"
NO_PARENT = "its {parent} is not in the {table} table"
PARENT_SET_ASIDE = "its {parent} was set aside"


@dataclass(frozen=True, slots=True)
class Rule:
    """`broken` is true for a row that breaks the rule. With a `column` that one value is blanked, else the row is set aside."""

    sentence: str
    broken: pl.Expr
    column: str | None = None


def unreadable(column: str) -> str:
    """Name of the mark that stands beside a column while it is checked: its value could not be read as its type."""
    return f"{column} unreadable"


def can_be_unreadable(column: Column) -> bool:
    """Whether a value of the column can be there and yet not be read: anything but text."""
    return column.type != "text"


def value_rules(table: Table) -> tuple[Rule, ...]:
    """The rules that follow from the dictionary for each single value, needed columns and optional ones alike."""
    rules: list[Rule] = []
    for column in table.columns:
        target = None if column.needed else column.name
        if column.needed:
            # A value that is there but unreadable has its own reason.
            missing = pl.col(column.name).is_null()
            if can_be_unreadable(column):
                missing = missing & ~pl.col(unreadable(column.name))
            rules.append(Rule(f"{column.name} is missing", missing))
        if column.type in NOT_A:
            sentence = f"{column.name} is not {NOT_A[column.type]}"
            rules.append(Rule(sentence, pl.col(unreadable(column.name)), target))
        if column.type == "code":
            sentence = f"{column.name} is not one of its codes"
            rules.append(Rule(sentence, pl.col(unreadable(column.name)), target))
        limits = _limits(column)
        if limits is not None:
            sentence, outside = limits
            rules.append(Rule(sentence, outside, target))
    return tuple(rules)


@dataclass(frozen=True, slots=True)
class Unusable:
    """`broken` is true for a row whose value of `column` is there and cannot be used; the value is lost, the sentence told."""

    column: str
    sentence: str
    broken: pl.Expr


def unusable_values(table: Table) -> tuple[Unusable, ...]:
    """What makes a value of each column unusable: not of its type, not one of its codes, out of its limits."""
    found: list[Unusable] = []
    for column in table.columns:
        if column.type in NOT_A:
            found.append(
                Unusable(column.name, f"{column.name} is not {NOT_A[column.type]}", pl.col(unreadable(column.name)))
            )
        if column.type == "code":
            found.append(
                Unusable(column.name, f"{column.name} is not one of its codes", pl.col(unreadable(column.name)))
            )
        limits = _limits(column)
        if limits is not None:
            found.append(Unusable(column.name, *limits))
        if column.name == "calcium_grade":
            known = sorted({grade for grades in CALCIUM_GRADES.values() for grade in grades})
            found.append(Unusable(column.name, OFF_SCALE, ~pl.col(column.name).is_in(known)))
    return tuple(found)


def across_columns(table: Table) -> tuple[Rule, ...]:
    """The rules between columns of one table, looked at after single values have been blanked."""
    if table.name != "lesions":
        return ()
    scale, grade = pl.col("calcium_scale"), pl.col("calcium_grade")
    off_scale = pl.lit(value=False)
    for name, grades in CALCIUM_GRADES.items():
        off_scale = off_scale | ((scale == name) & ~grade.is_in(grades))
    return (
        Rule(
            "calcium_grade has no calcium_scale to be read on", grade.is_not_null() & scale.is_null(), "calcium_grade"
        ),
        Rule(OFF_SCALE, off_scale, "calcium_grade"),
    )


def conflicting_key(table: Table) -> str:
    """The sentence for rows that share their key and differ: one cannot know which is right, so all are set aside."""
    return f"{table.key} is on several rows that differ"


def same_order(table: Table) -> tuple[tuple[str, ...], str] | None:
    """Columns that together stand on one row only, and the sentence for rows that break this; None for most tables."""
    if table.name != "attempts":
        return None
    return ("lesion_id", "attempt_no"), "another attempt on its lesion has the same attempt_no"


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
