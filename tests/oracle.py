"""Reference values from R, and the tolerance rule that each record carries."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

DATA = Path(__file__).parent / "data" / "statistics"


@cache
def _records() -> dict[str, dict[str, Any]]:
    return {r["id"]: r for r in json.loads((DATA / "oracles.json").read_text(encoding="utf-8"))}


def record(name: str) -> dict[str, Any]:
    """The record so named; KeyError when there is none."""
    return _records()[name]


def assert_agrees(name: str, got: dict[str, float], expected: dict[str, Any] | None = None) -> None:
    """Every value in `got` lies within the record's own tolerance: |got - expected| <= abs + rel * |expected|."""
    reference = record(name)
    values = reference["expected"] if expected is None else expected
    tolerance = reference["tolerance"]
    assert got, "nothing to compare"
    for key, value in got.items():
        limit = tolerance["abs"] + tolerance["rel"] * abs(values[key])
        assert abs(value - values[key]) <= limit, f"{name} {key}: {value} is not {values[key]}"
