"""The figures of the validation: from services' answers to a line a method and scenario, and to the file that the methods report reads."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from models.adjustment_results import SimulationLine
from models.intervals import wilson
from tests.validation.one_service import ROLES, Scored
from tests.validation.quarters import LooksLine

FILE = Path(__file__).parents[2] / "pipeline" / "validation_figures.json"
SIMULATION_LEVEL = 0.95  # of the intervals about coverage
DIGITS = 6


@dataclass(frozen=True, slots=True)
class Figures:
    """A whole validation. `ungated`: the primary answer of all services, those that a gate withholds too. `widened`: the primary interval where a trait is hidden, widened by that trait's true strength."""

    date: str
    commit: str
    command: str
    machine: str
    minutes: float
    lines: tuple[SimulationLine, ...]
    ungated: tuple[SimulationLine, ...]
    widened: tuple[SimulationLine, ...]
    looks: tuple[LooksLine, ...]


def lines_of(scenario: str, lesions: int, found: Sequence[Scored]) -> Iterator[SimulationLine]:
    """A line for each endpoint and method, in the order of `found`; a method that gave fewer than two answers has none."""
    keys = dict.fromkeys((one.endpoint, one.method) for one in found)
    for endpoint, method in keys:
        mine = [one for one in found if (one.endpoint, one.method) == (endpoint, method)]
        line = _line(scenario, lesions, endpoint, method, mine)
        if line is not None:
            yield line


def _line(scenario: str, lesions: int, endpoint: str, method: str, found: Sequence[Scored]) -> SimulationLine | None:
    # Services that were withheld have no number to be right or wrong: they are counted.
    rows = [
        (s.estimate, s.truth, s.error, s.upper - s.lower, float(s.lower <= s.truth <= s.upper))
        for s in found
        if s.estimate is not None and s.error is not None and s.lower is not None and s.upper is not None
    ]
    if len(rows) < 2:
        return None
    estimate, truth, error, width, covers = np.array(rows, dtype=np.float64).T
    off = estimate - truth
    spread = float(off.std(ddof=1))
    lower, upper = wilson(float(covers.sum()), len(rows), SIMULATION_LEVEL)
    return SimulationLine(
        scenario,
        lesions,
        len(found),
        endpoint,
        method,
        ROLES.get(method, "comparator"),
        round(float(off.mean()), DIGITS),
        round(spread / len(rows) ** 0.5, DIGITS),
        # Truths differ a little from service to service: the spread is that of what an estimate is off.
        round(spread, DIGITS),
        round(float(error.mean()), DIGITS),
        round(float(covers.mean()), DIGITS),
        round(lower, DIGITS),
        round(upper, DIGITS),
        round(float(width.mean()), DIGITS),
        len(found) - len(rows),
    )


def as_text(figures: Figures) -> str:
    """The file's content: JSON with one record a line, so that a change of one figure is a change of one line."""
    head: list[str] = []
    for name in ("date", "commit", "command", "machine", "minutes"):
        head.append(f" {json.dumps(name)}: {json.dumps(getattr(figures, name))}")
    for name in ("lines", "ungated", "widened", "looks"):
        records = ",\n".join("  " + json.dumps(asdict(one)) for one in getattr(figures, name))
        head.append(f" {json.dumps(name)}: [\n{records}\n ]")
    return "{\n" + ",\n".join(head) + "\n}\n"


def read(path: Path = FILE) -> Figures:
    """The figures as they were written."""
    content: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    lines, ungated, widened = (
        tuple(SimulationLine(**one) for one in content[name]) for name in ("lines", "ungated", "widened")
    )
    looks = tuple(LooksLine(**one) for one in content["looks"])
    return Figures(
        content["date"],
        content["commit"],
        content["command"],
        content["machine"],
        content["minutes"],
        lines,
        ungated,
        widened,
        looks,
    )
