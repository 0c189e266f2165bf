"""What became of the analysis plan after results had been seen, as the reports print it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

DepartureKind = Literal["choice", "as_planned", "release"]


@dataclass(frozen=True, slots=True)
class Departure:
    """One change of the plan between two reports of the same service.

    `field` is the plan's, as in "gates.fewest_in_arm", and `meaning` what the plan reference says of it. `then` and `now` are its
    values in words, None where the plan had no such field. The change came with the report of delivery `since_delivery`, received on
    `since` (as "2026-04-09"), after `reports_seen` reports by other choices or the same. `kind`: a "choice"; "as_planned" when it only
    moves as it must from report to report (a later last day, one more look); "release" when the program itself was another.
    """

    field: str
    meaning: str
    then: str | None
    now: str | None
    since_delivery: int
    since: str
    reports_seen: int
    kind: DepartureKind

    def in_words(self) -> str:
        """The departure in one line."""
        then, now = (value if value is not None else "not in the plan" for value in (self.then, self.now))
        seen = "1 report" if self.reports_seen == 1 else f"{self.reports_seen} reports"
        return f"{self.field}: {then}, then {now} since delivery {self.since_delivery} ({self.since}), after {seen} had been seen"
