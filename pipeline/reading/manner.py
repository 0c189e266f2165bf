"""How a table's numbers and dates are written, told from the whole of it: looked at block by block, decided at the end."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import polars as pl

from pipeline.case_tables import Table
from pipeline.mapping import TableMapping
from pipeline.reading.date_order import SWAPPED, Dates, Orders, Way, day_first
from pipeline.reading.number_signs import NumberSigns, Signs, in_words


@dataclass(frozen=True, slots=True)
class Manner:
    """How a table's numbers and dates are written.

    `numbers`: the signs of each number column, `others` those of columns that nothing was found out about. `dates`: the ways of
    each date column beside ISO dates. `notes` tell what was found out, `faults` what must be stated in the mapping.
    """

    others: Signs
    numbers: Mapping[str, Signs] = field(default_factory=dict)
    dates: Mapping[str, tuple[Way, ...]] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()

    def signs(self, column: str) -> Signs:
        """The signs of a number column."""
        return self.numbers.get(column, self.others)


class Evidence:
    """What the whole of a table shows of the way in which it is written. What the mapping states is not looked for.

    `typed_cells`: the file holds numbers as such; `day_numbers`: and days as bare numbers.
    """

    def __init__(
        self,
        table: Table,
        positions: Mapping[str, int],
        mapping: TableMapping,
        *,
        typed_cells: bool = False,
        day_numbers: bool = False,
    ) -> None:
        self._table, self._mapping, self._positions = table, mapping, positions
        self._typed_cells, self._day_numbers = typed_cells, day_numbers
        here = [column for column in table.columns if column.name in positions]
        self._dates = {
            column.name: Dates(column.name, day_numbers=day_numbers, table=table.name)
            for column in here
            if column.type == "date" and mapping.dates is None
        }
        self._stated = day_first(mapping.dates)
        self._orders = {column.name: Orders() for column in here if column.type == "date" and self._stated is not None}
        numbers = [column.name for column in here if column.type in ("int", "real")] if mapping.decimal is None else []
        self._names = numbers
        self._numbers = NumberSigns(numbers, typed=typed_cells)

    @property
    def positions(self) -> list[int]:
        """Where the columns stand that are looked at."""
        return sorted({self._positions[name] for name in (*self._dates, *self._orders, *self._names)})

    @property
    def is_plain(self) -> bool:
        """Whether everything seen so far is written as the dictionary writes it, so that nothing is to be decided."""
        return self._numbers.is_plain and all(dates.is_plain for dates in self._dates.values())

    @property
    def is_in_doubt(self) -> bool:
        """Whether, with the whole table seen, plain numbers could mean something else all the same."""
        return self._numbers.is_in_doubt

    def anew(self) -> Evidence:
        """The same look-out with nothing seen yet: a row that is seen twice would be counted twice."""
        return Evidence(
            self._table,
            self._positions,
            self._mapping,
            typed_cells=self._typed_cells,
            day_numbers=self._day_numbers,
        )

    def see(self, rows: pl.DataFrame) -> None:
        """Take in a block of rows: text columns named by their positions, and `row`, where each stands in the file."""
        for name, dates in self._dates.items():
            value = str(self._positions[name])
            different = rows.group_by(value, maintain_order=True).agg(count=pl.len(), first_row=pl.col("row").min())
            dates.see(different[value].str.strip_chars(), different["count"], different["first_row"])
        for name, orders in self._orders.items():
            orders.see(rows[str(self._positions[name])].unique(maintain_order=True).str.strip_chars())
        for name in self._names:
            self._numbers.see(name, rows[str(self._positions[name])])

    def contradictions(self) -> tuple[str, ...]:
        """What all that was seen says against the order of day and month that the mapping states."""
        return tuple(
            f"{name} cannot be dates = '{self._mapping.dates}': some dates have day and month the other way round, and none is "
            "this way alone; mend it in the mapping"
            for name, orders in self._orders.items()
            if orders.only(day_first=not self._stated)
        ) + tuple(f"{name} {SWAPPED}" for name, orders in self._orders.items() if orders.swapped)

    def plain(self) -> Manner:
        """What holds as long as nothing else is seen."""
        return Manner(Signs(self._mapping.decimal or ".", self._mapping.thousands))

    def manner(self) -> Manner:
        """What all that was seen amounts to."""
        found = {name: dates.found() for name, dates in self._dates.items()}
        stated = self._mapping.thousands
        numbers = self._numbers.signs()
        notes = in_words(numbers, stated=stated)
        if stated is not None:
            # A stated sign between thousands is no decimal sign, whatever it looked like, and leaves no doubt about itself.
            numbers = {
                name: Signs(
                    one.decimal if one.decimal != stated else "," if stated == "." else ".",
                    stated,
                    one.unsure.replace(stated, ""),
                )
                for name, one in numbers.items()
            }
        return Manner(
            others=self.plain().others,
            numbers=numbers,
            dates={name: one.ways for name, one in found.items()},
            notes=(*notes, *(f"{name} {one.note}" for name, one in found.items() if one.note)),
            faults=tuple(one.fault for one in found.values() if one.fault),
        )
