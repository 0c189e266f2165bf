"""Breaks one line in a hundred of sound case tables, in the ways that exports are broken."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

SHARE = 0.01
Breaking = Callable[[list[str], random.Random], str]


def _joined(fields: list[str]) -> str:
    return ",".join(fields)


def _other(fields: list[str], chance: random.Random, value: str) -> str:
    at = chance.randrange(len(fields))
    return _joined([*fields[:at], value, *fields[at + 1 :]])


BREAKINGS: tuple[Breaking, ...] = (
    lambda f, c: _other(f, c, ""),  # a value is missing
    lambda f, c: _other(f, c, "unreadable"),  # a value is not of its column
    lambda f, c: _other(f, c, "99999999"),  # a value is out of its limits
    lambda f, c: _joined(f[:-1]),  # a field too few
    lambda f, c: _joined([*f, "more"]),  # a field too many
    lambda f, c: _other(f, c, '"never closed'),  # a stray quotation mark
    lambda f, c: _joined(f) + "\n" + _joined(f),  # the row twice
    lambda f, c: _joined([f"{f[0]}?", *f[1:]]),  # a key that nothing else knows
    lambda f, c: _joined([f[0], "nowhere", *f[2:]]),  # a reference, or another value, that leads nowhere
    lambda f, c: ",".join(" " * c.randrange(3) for _ in f),  # an empty row
)


def break_tables(source: Path, target: Path, *, seed: int, share: float = SHARE) -> int:
    """Copies every CSV file of `source` to `target` with `share` of its lines broken; how many lines were."""
    chance = random.Random(seed)  # noqa: S311 - invented data, seeded on purpose
    target.mkdir(parents=True, exist_ok=True)
    broken = 0
    for path in sorted(source.glob("*.csv")):
        with path.open(encoding="utf-8") as lines, (target / path.name).open("w", encoding="utf-8") as out:
            out.write(next(lines))
            for line in lines:
                if chance.random() < share:
                    broken += 1
                    fields = line.rstrip("\n").split(",")
                    line = BREAKINGS[chance.randrange(len(BREAKINGS))](fields, chance) + "\n"
                out.write(line)
    return broken
