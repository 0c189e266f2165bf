"""ENDPOINTS: what the approaches are compared on, one entry each."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Endpoint:
    """One endpoint: a Boolean `column` of the derived lesions. `success`: true is the wanted end; `compared`: by first approach."""

    name: str
    label: str
    column: str
    success: bool
    compared: bool


ENDPOINTS: tuple[Endpoint, ...] = (
    Endpoint(
        "first_approach_crossed",
        "crossed by the first approach",
        "first_approach_crossed",
        success=True,
        compared=True,
    ),
    Endpoint(
        "crossed_in_session",
        "crossed in the session, bailout allowed",
        "crossed_in_session",
        success=True,
        compared=True,
    ),
)


def endpoint(name: str) -> Endpoint:
    """The named endpoint; KeyError when there is none."""
    for candidate in ENDPOINTS:
        if candidate.name == name:
            return candidate
    raise KeyError(name)
