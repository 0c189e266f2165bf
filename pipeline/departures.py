"""Changes of the plan after results were seen: every earlier report's plan held against the one that came after it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any

from pydantic import BaseModel

from models.departure_results import Departure, DepartureKind
from pipeline.deliveries.history import PastRun
from pipeline.plan import Plan

# The name at the head of the report: it changes no number.
NO_CHOICE = ("service",)


def departures(runs: Sequence[PastRun]) -> tuple[Departure, ...]:
    """Every change of the plan from one run to the next, in order of time and then of the plan's fields.

    `runs` are all runs on these outputs, first to last, that of the present report included (`load_runs`). A choice that was changed
    and changed back is there twice: results were seen in between. What was run into another folder is not known here.
    """
    return tuple(
        departure
        for seen, (before, after) in enumerate(pairwise(runs), start=1)
        for departure in _between(before, after, seen)
    )


def _between(before: PastRun, after: PastRun, seen: int) -> Iterator[Departure]:
    then, now, default = _fields(before.plan), _fields(after.plan), _fields(Plan().model_dump_json())
    # A field that came with a release and stands at its default is that release's doing, and told with it.
    came = [name for name in now if name not in then and now[name] == default.get(name)]
    if before.version != after.version or came:
        yield _departure(
            "release",
            "The release of Crosswise, and the choices that came with it and stand at their defaults.",
            before.version,
            ": ".join(filter(None, (after.version, ", ".join(came)))),
            after,
            seen,
            "release",
        )
    for name in dict.fromkeys((*now, *then)):
        old, new = then.get(name, _NOT_THERE), now.get(name, _NOT_THERE)
        if name in NO_CHOICE or name in came or old == new:
            continue
        kind: DepartureKind = "as_planned" if _moves_on(name, old, new) else "choice"
        yield _departure(name, _meaning(name), _in_words(old), _in_words(new), after, seen, kind)


def _departure(
    field: str, meaning: str, then: str | None, now: str | None, run: PastRun, seen: int, kind: DepartureKind
) -> Departure:
    return Departure(field, meaning, then, now, run.delivery, run.received.isoformat(), seen, kind)


_NOT_THERE = object()


def _fields(plan: str) -> dict[str, object]:
    """The choices of a plan kept as JSON, by their name; a plan of an earlier release may have fewer, or others."""
    found: dict[str, object] = {}
    content: Mapping[str, Any] = json.loads(plan)
    for name, value in content.items():
        if isinstance(value, dict) and _is_part(name):
            found |= {f"{name}.{inner}": one for inner, one in value.items()}
        else:
            found[name] = value
    return found


def _is_part(name: str) -> bool:
    """Whether the name is a table of the plan with fields of its own; one of an earlier release is told as a whole."""
    field = Plan.model_fields.get(name)
    return field is not None and isinstance(field.default, BaseModel)


def _meaning(name: str) -> str:
    fields = Plan.model_fields
    part, _, inner = name.partition(".")
    if inner and isinstance(fields[part].default, BaseModel):
        fields = type(fields[part].default).model_fields
    field = fields.get(inner or part)
    return (field.description or "") if field is not None else "A choice that the plan had in an earlier release."


def _moves_on(name: str, old: object, new: object) -> bool:
    """Whether the field only moved as it must from one report to the next."""
    if name == "eligibility.last_date":
        return isinstance(old, str) and isinstance(new, str) and new > old  # days as 2026-04-09
    return name == "looks.earlier" and isinstance(old, int) and isinstance(new, int) and new > old


def _in_words(value: object) -> str | None:
    """A value as a reader of the report takes it; None for one that is not there."""
    if value is _NOT_THERE:
        return None
    if value is None or value in ("", [], {}):
        return "not set"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(str(_in_words(one)) for one in value)
    if isinstance(value, dict):
        return "; ".join(f"{name}: {_in_words(one)}" for name, one in value.items())
    return f"{value:g}" if isinstance(value, float) else str(value)
