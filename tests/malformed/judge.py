"""Holds what became of a case against what was expected of it, and against what is asked of every case."""

from __future__ import annotations

from tests.malformed.case import Case
from tests.malformed.intake import Outcome


def assert_as_expected(case: Case, outcome: Outcome) -> None:
    """AssertionError where the outcome is not that of the case, or breaks what holds for all."""
    assert outcome.shown == (), "what is told shows what stands in a cell"
    if case.stops or outcome.stops:
        _assert_stops(case, outcome)
        return
    assert outcome.aside == case.aside
    assert outcome.blanked == case.blanked
    assert outcome.warned == case.warned
    for table, counts in outcome.counts.items():
        assert counts.read == counts.used + counts.set_aside, table
        assert counts.read == outcome.records[table], f"{table}: other rows were read than the file has"
    assert set(outcome.untold) == set(case.untold)
    for table, part in case.notes.items():
        assert any(part in note for note in outcome.notes.get(table, ())), outcome.notes


def _assert_stops(case: Case, outcome: Outcome) -> None:
    assert len(outcome.stops) == len(case.stops), outcome.stops
    for part, line in zip(case.stops, outcome.stops, strict=True):
        assert part in line
        assert "\n" not in line and "\r" not in line
        assert ": " in line, "a line says where, and what is wrong"
