"""What a column's values say about which of ours it can be: type, limits, usual size, codes; and what they rule out."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.case_tables import PSEUDONYM_COLUMNS, Column, Table
from pipeline.draft.code_words import CodesRead
from pipeline.draft.held import Held
from pipeline.draft.units import usual_units
from pipeline.rules import CALCIUM_GRADES

# Shares: a broken row in a hundred must not hide what a column is; chosen by trying, no source.
_NEARLY_ALL, _MOST, _FEW = 0.9, 0.5, 0.1
_A_KEY = 0.9  # different values as a share of the rows: a key stands twice on a broken row
_LATEST_MIDDLE_BIRTH = 1985  # a procedure is later; dates around it or before are births
_MOST_OPERATORS = 0.5  # operators as a share of procedures

GRADES = frozenset(grade for grades in CALCIUM_GRADES.values() for grade in grades)


@dataclass(frozen=True, slots=True)
class Fit:
    """How well values fit, from -1 to 1.

    `telling` where they are hardly another column's, `impossible` where they cannot be ours, `a_key` where they are the keys of
    another table.
    """

    score: float
    reason: str
    telling: bool = False
    impossible: bool = False
    a_key: bool = False


_EMPTY = Fit(0.0, "no value in it")


def fit(table: Table, column: Column, held: Held, codes: CodesRead) -> Fit:
    """What the values say about their being `column` of `table`; keys of other tables are judged by `Keys`."""
    if held.there == 0:
        return _EMPTY
    if column.name == table.key:
        return _key(held)
    if column.type == "code" or column.name == "calcium_grade":
        return _codes(column, held, codes)
    if column.type == "bool":
        return _truth(held, codes)
    if column.type == "date":
        return _date(held)
    if column.type == "int":
        return _whole(column, held)
    if column.type == "real":
        return _measure(table, column, held)
    if column.name in PSEUDONYM_COLUMNS and column.name != "operator_id":
        return Fit(0.0, "a key")
    return _group(column, held)


def _key(held: Held) -> Fit:
    if held.unique >= _A_KEY:
        return Fit(0.5, "different on every row")
    return Fit(-1.0, "the same value on many rows", impossible=True)


def _codes(column: Column, held: Held, codes: CodesRead) -> Fit:
    if not held.codes:
        return Fit(-1.0, "too many different values for codes", impossible=True)
    if held.dated >= _MOST:
        return Fit(-1.0, "dates", impossible=True)
    if codes.share >= _NEARLY_ALL:
        return Fit(1.0, "its codes are known", telling=codes.telling >= 2)
    if codes.share >= _MOST:
        return Fit(0.5, "most of its codes are known", telling=codes.telling >= 3)
    if held.numeric >= _NEARLY_ALL:
        few = held.whole >= _NEARLY_ALL and held.different <= len(column.codes or GRADES) + 3
        return Fit(0.0, "numbers for codes") if few else Fit(-1.0, "numbers", impossible=True)
    if held.different > 2 * len(column.codes or GRADES) + 5:
        return Fit(-1.0, "too many different values for its codes", impossible=True)
    return Fit(-0.3 if codes.share < _FEW else 0.0, "few of its codes are known")


def _truth(held: Held, codes: CodesRead) -> Fit:
    if codes.share >= _NEARLY_ALL:
        return Fit(0.5, "yes or no")
    if held.different > 4:
        return Fit(-1.0, "more than yes and no", impossible=True)
    if codes.share >= _MOST:
        return Fit(0.2, "mostly yes or no")
    return Fit(-0.2, "neither yes nor no")


def _date(held: Held) -> Fit:
    if held.dated < _MOST:
        return Fit(-1.0, "no dates", impossible=True)
    if held.year is not None and held.year < _LATEST_MIDDLE_BIRTH:
        return Fit(-1.0, "dates long ago", impossible=True)
    return Fit(0.5, "dates")


def _whole(column: Column, held: Held) -> Fit:
    if held.numeric < _MOST:
        return Fit(-1.0, "no numbers", impossible=True)
    if held.whole < _NEARLY_ALL:
        return Fit(-0.6, "numbers with fractions")
    if column.limits is not None and held.share_within(*column.limits) < _NEARLY_ALL:
        return Fit(-0.6, "numbers out of its limits")
    return Fit(0.4, "whole numbers within its limits")


def _measure(table: Table, column: Column, held: Held) -> Fit:
    if held.numeric < _MOST:
        return Fit(-1.0, "no numbers", impossible=True)
    if usual_units(table, column, held):
        return Fit(0.4, "numbers of its size")
    return Fit(-0.3, "numbers of another size")


def _group(column: Column, held: Held) -> Fit:
    if column.name == "operator_id" and held.unique > _MOST_OPERATORS and held.there > 20:
        return Fit(-0.5, "nearly another value on every row")
    if column.name == "site_id" and (held.unique > _FEW and held.there > 20):
        return Fit(-0.5, "too many different values for sites")
    return Fit(0.2, "few different values")
