"""A causal diagram as data, which of its paths a set of variables leaves open, and the reasons for the set.

Paths and blocking as in Pearl J. Causality, 2nd ed. Cambridge University Press 2009, sections 1.2.3 and 3.3.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

Role = Literal[
    "confounder", "unmeasured", "instrument", "selection", "exposure", "mediator", "outcome", "collider"
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class CausalNode:
    """One variable, or group of variables, of the diagram.

    `traits` are its adjusted-for parts as printed, `left_open` those of the default set that are not adjusted for; both only for
    confounders. `why` says in a sentence what it does on the paths from approach to crossing.
    """

    name: str
    role: Role
    label: str
    why: str
    traits: tuple[str, ...] = ()
    left_open: tuple[str, ...] = ()

    @property
    def adjusted(self) -> bool:
        """Whether the whole of it is adjusted for."""
        return bool(self.traits) and not self.left_open


@dataclass(frozen=True, slots=True)
class CausalArrow:
    """`start` acts on `end`. `drawn`: on the picture too; the others change no answer and would hide those that do."""

    start: str
    end: str
    drawn: bool = True


@dataclass(frozen=True, slots=True)
class AdjustedTrait:
    """One feature of the adjustment set, and why it is in it. `own`: the reason is the plan's, not the features page's."""

    feature: str
    label: str
    reason: str
    own: bool


@dataclass(frozen=True, slots=True)
class CausalDiagram:
    """What acts on what, with one exposure and one outcome, and why each trait of the adjustment set is in it."""

    nodes: tuple[CausalNode, ...]
    arrows: tuple[CausalArrow, ...]
    adjustment: tuple[AdjustedTrait, ...] = ()

    def node(self, name: str) -> CausalNode:
        """The named node; KeyError when there is none."""
        for node in self.nodes:
            if node.name == name:
                return node
        raise KeyError(name)

    def of_role(self, role: Role) -> tuple[CausalNode, ...]:
        """The nodes of a role, in order."""
        return tuple(node for node in self.nodes if node.role == role)

    @property
    def adjusted(self) -> frozenset[str]:
        """Names of the nodes that are adjusted for as a whole."""
        return frozenset(node.name for node in self.nodes if node.adjusted)


Path = tuple[str, ...]


def backdoor_paths_left_open(diagram: CausalDiagram, given: frozenset[str]) -> tuple[Path, ...]:
    """Every path from exposure to outcome that begins with an arrow into the exposure and is not blocked by `given`.

    Shortest first, then by name. A path is blocked by a node of `given` that is no collider on it, and by a collider on it that is
    not in `given` and has no descendant there.
    """
    (exposure,), (outcome,) = diagram.of_role("exposure"), diagram.of_role("outcome")
    arrows = {(arrow.start, arrow.end) for arrow in diagram.arrows}
    found = [
        path
        for path in _paths(arrows, (exposure.name,), outcome.name)
        if (path[1], exposure.name) in arrows and is_open(diagram, path, given)
    ]
    return tuple(sorted(found, key=lambda path: (len(path), path)))


def is_open(diagram: CausalDiagram, path: Path, given: frozenset[str]) -> bool:
    """Whether association runs along `path` (names of nodes, neighbors joined by an arrow either way) when `given` is held fixed."""
    arrows = {(arrow.start, arrow.end) for arrow in diagram.arrows}
    for before, middle, after in zip(path, path[1:], path[2:], strict=False):
        collider = (before, middle) in arrows and (after, middle) in arrows
        if not collider and middle in given:
            return False
        if collider and not given & {middle, *descendants(diagram, middle)}:
            return False
    return True


def descendants(diagram: CausalDiagram, name: str) -> frozenset[str]:
    """Everything that `name` acts on, at once or through others. ValueError when it acts on itself: the diagram has a circle."""
    found: set[str] = set()
    ahead = [name]
    while ahead:
        here = ahead.pop()
        for arrow in diagram.arrows:
            if arrow.start == here and arrow.end not in found:
                found.add(arrow.end)
                ahead.append(arrow.end)
    if name in found:
        raise ValueError(f"{name} acts on itself")
    return frozenset(found)


def _paths(arrows: set[tuple[str, str]], so_far: Path, end: str) -> Iterator[Path]:
    """Every way along arrows, in either direction, from the last of `so_far` to `end` that meets no node twice."""
    here = so_far[-1]
    if here == end:
        yield so_far
        return
    beside = {b for a, b in arrows if a == here} | {a for a, b in arrows if b == here}
    for name in sorted(beside.difference(so_far)):
        yield from _paths(arrows, (*so_far, name), end)
