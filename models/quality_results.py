"""What the data-quality summary says: counts and sentences, no patient row. Shares are fractions (0-1)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

FaultKind = Literal["row", "value", "warning"]
Certainty = Literal["counted", "beyond chance", "worth a look"]

NO_SITE = "site not recorded"
FEWEST_FOR_ENDS = 20  # values from which the fifth smallest and the fifth largest are told; ours, no source
SMALLEST_GROUP = 5  # procedures: a share over fewer is hidden, as on every other page; common practice, no source


@dataclass(frozen=True, slots=True)
class TableIntake:
    """One table: rows read = used + set aside. `file` is "" where the export has no such table; `detected` tells how it was read."""

    table: str
    file: str
    read: int
    used: int
    set_aside: int
    detected: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Fault:
    """One rule that rows broke: rows set aside (`kind` "row"), single values blanked ("value") or kept with a warning.

    `count` of `read` rows of the table; `first_rows` are the first few row numbers in the file; `advice` says what to do.
    """

    table: str
    kind: FaultKind
    reason: str
    count: int
    read: int
    first_rows: tuple[int, ...]
    advice: str


@dataclass(frozen=True, slots=True)
class Part:
    """`part` of `whole` rows. `hidden`: of fewer procedures than SMALLEST_GROUP, so no share is told."""

    part: int
    whole: int
    hidden: bool = False

    @property
    def share(self) -> float | None:
        """The share, None where there is nothing to divide by or it is hidden."""
        return None if self.hidden or self.whole == 0 else self.part / self.whole


@dataclass(frozen=True, slots=True)
class Missing:
    """How often a column is not there: in all rows, by site and by period, in the order of `QualitySummary`.

    Nothing was recorded, or it could not be used: `blanked` is the number of the latter.
    `by_site_and_period[i][j]` is site i in period j. `expected_because` says why it may be empty by nature, "" if it may not.
    """

    table: str
    column: str
    expected_because: str
    blanked: int
    overall: Part
    by_site: tuple[Part, ...]
    by_period: tuple[Part, ...]
    by_site_and_period: tuple[tuple[Part, ...], ...]


@dataclass(frozen=True, slots=True)
class Oddity:
    """One thing that looks odd. `finding` is a sentence, `ask` what to ask of whom.

    `site` and `quarter` are "" where it is not of one site or quarter. `n` rows were looked at; `value` is the measure named in
    `measure`; `p_value` is corrected for all looks of its kind, None where nothing was left to chance. `urgent`: it could change
    the comparison.
    """

    kind: str
    table: str
    column: str
    site: str
    quarter: str
    finding: str
    ask: str
    certainty: Certainty
    measure: str
    value: float | None
    n: int
    p_value: float | None
    urgent: bool


@dataclass(frozen=True, slots=True)
class Volume:
    """What a site or a period did, to hold against what one knows of the service. All are None when procedures are few.

    `without_attempt` is a share of lesions, without those with an attempt set aside; `from_below` and `crossed` are shares of attempts.
    """

    label: str
    kind: Literal["all", "site", "period"]
    procedures: int | None
    lesions: int | None
    attempts_per_lesion: float | None
    without_attempt: float | None
    from_below: float | None
    crossed: float | None


@dataclass(frozen=True, slots=True)
class NumberSpread:
    """A numeric column: all None but n and missing where fewer than SMALLEST_GROUP values are recorded.

    `low_end` and `high_end` are the fifth smallest and the fifth largest value, so that neither is one patient's; None below
    FEWEST_FOR_ENDS values, and always None of a year of birth.
    """

    table: str
    column: str
    unit: str
    limits: tuple[float, float] | None
    n: int
    missing: int
    low_end: float | None
    lower_quartile: float | None
    median: float | None
    upper_quartile: float | None
    high_end: float | None


@dataclass(frozen=True, slots=True)
class CodeSpread:
    """A column of codes as read through the mapping: each code with its count; a code that is never met has 0."""

    table: str
    column: str
    n: int
    missing: int
    codes: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class QualitySummary:
    """All that the page and the terminal say of one export.

    `periods` are quarters, the earlier ones joined into years. `sites` are the largest; `more_sites` are in the CSV file only.
    `named_sites` counts all sites; `without_site` procedures have none.
    `first_quarter` and `last_quarter` are of procedures, "" without any. `looks` is how many comparisons the search for oddities made.
    """

    tables: tuple[TableIntake, ...]
    faults: tuple[Fault, ...]
    sites: tuple[str, ...]
    more_sites: int
    named_sites: int
    without_site: int
    periods: tuple[str, ...]
    first_quarter: str
    last_quarter: str
    missing: tuple[Missing, ...]
    oddities: tuple[Oddity, ...]
    volumes: tuple[Volume, ...]
    numbers: tuple[NumberSpread, ...]
    codes: tuple[CodeSpread, ...]
    looks: int
    version: str
    export: str = ""
    mapping: str = ""

    def used(self, table: str) -> int:
        """Rows of the table that can be used; 0 for a table that is not there."""
        return next((t.used for t in self.tables if t.table == table), 0)
