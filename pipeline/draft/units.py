"""In which unit a measurement is written: what its heading states, held against the usual size of such a measurement."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.case_tables import Column, Table
from pipeline.draft.held import Held
from pipeline.mapping import UNIT_FACTORS, unit_factor
from pipeline.quality.measured_columns import MEASURED

# Units that are met only where the heading says so: their numbers are too near those of another unit. Common practice, no source.
_ONLY_STATED = ("m", "in", "cGy", "cL")
_FEWEST = 5  # values of which a median says something


@dataclass(frozen=True, slots=True)
class UnitChoice:
    """The unit of a column: None where it cannot be told, and `reason` says why. `instead`: units that the size speaks for."""

    unit: str | None
    sure: bool
    reason: str
    instead: tuple[str, ...] = ()


def choose_unit(table: Table, column: Column, held: Held, stated: str) -> UnitChoice | None:
    """The unit that the values are written in; None for a column without one to be converted.

    `stated` is what the heading says, "" for nothing.
    """
    if column.unit not in UNIT_FACTORS:
        return None
    median = held.median
    if median is None:
        return UnitChoice(stated or column.unit, bool(stated), "no value in it")
    told = f"the median is {_short(median)}"
    usual = usual_units(table, column, held, stated)
    named = stated if stated and unit_factor(column, stated) is not None else ""
    if stated and not named:
        return UnitChoice(
            None, sure=False, reason=f"the heading says {stated}, which is no unit of {column.name}; {told}"
        )
    if named:
        if named in usual or held.there < _FEWEST:
            return UnitChoice(named, sure=True, reason=f"the heading says {named}; {told}")
        if not usual:
            return UnitChoice(named, sure=False, reason=f"the heading says {named}; {told}, which is unusual")
        instead = " or ".join(usual)
        return UnitChoice(
            None, sure=False, reason=f"the heading says {named}, but {told}, as in {instead}", instead=usual
        )
    if held.there < _FEWEST:
        return UnitChoice(None, sure=False, reason=f"too few values to tell the unit; {told}")
    if len(usual) == 1:
        return UnitChoice(usual[0], sure=False, reason=f"{told}: {usual[0]} by its size")
    if usual:
        return UnitChoice(None, sure=False, reason=f"{told}, which could be {' or '.join(usual)}", instead=usual)
    return UnitChoice(None, sure=False, reason=f"{told}, unusual in {', '.join(UNIT_FACTORS[column.unit])}")


def usual_units(table: Table, column: Column, held: Held, stated: str = "") -> tuple[str, ...]:
    """The units in which the median is a usual one; for a column without a usual median or a unit, its own."""
    median = held.median
    measured = [m for m in MEASURED if (m.table, m.name) == (table.name, column.name)]
    if median is None or not measured:
        return (column.unit,)
    low, high = measured[0].usual_median
    factors = UNIT_FACTORS.get(column.unit, {column.unit: 1.0})
    return tuple(
        unit
        for unit, factor in factors.items()
        if low <= median * factor <= high and (unit == stated or unit not in _ONLY_STATED)
    )


def _short(number: float) -> str:
    return f"{number:.4g}"
