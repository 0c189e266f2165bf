"""One malformed export, and what is expected of the intake."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from tests.malformed.draft import Change

# Table -> reason -> the rows of the file that it is told of, in order.
Told = Mapping[str, Mapping[str, tuple[int, ...]]]


@dataclass(frozen=True, slots=True)
class Case:
    """`name` says in words what is wrong; `changes` make it of the sound export.

    Expected: `stops` holds a part of each line that is told, none when the export is read. `aside`, `blanked` and `warned` are all
    that is told of rows and values; rows that go with a row they belong to ("its patient was set aside") are not listed.
    `notes` holds a part of each note on a table. Every row that is used must say what it says in the sound export, or in the sound
    export with the changes of `truth`; `untold` lists the differences that nobody can know of ("lesions.length_mm", "lesions: rows"),
    each with the reason.
    `records` are the tables' records that hold anything, counted by hand where they are not the cells' rows.
    """

    name: str
    changes: tuple[Change, ...]
    stops: tuple[str, ...] = ()
    aside: Told = field(default_factory=dict)
    blanked: Told = field(default_factory=dict)
    warned: Told = field(default_factory=dict)
    notes: Mapping[str, str] = field(default_factory=dict)
    untold: Mapping[str, str] = field(default_factory=dict)
    truth: tuple[Change, ...] = ()
    records: Mapping[str, int] = field(default_factory=dict)

    @property
    def kind(self) -> str:
        """The outcome that is expected, in a word: the heaviest thing that happens."""
        return kind_of(self.stops, self.aside, self.blanked, self.warned, tuple(self.untold))


def kind_of(stops: Sequence[str], aside: Told, blanked: Told, warned: Told, untold: Sequence[str]) -> str:
    """An outcome in a few words: the heaviest thing that happens."""
    if stops:
        return "stops"
    for told, word in ((aside, "rows set aside"), (blanked, "values blanked"), (warned, "warned")):
        if told:
            return word
    return "read as it stands" if untold else "read right"


@dataclass(frozen=True, slots=True)
class Family:
    """Cases of one kind, under the heading that the page has for them."""

    title: str
    cases: tuple[Case, ...]
