"""Which counts must stay hidden so that no small one can be read or worked out.

The rule is the fewer-than-5 rule of several statistics agencies (Australia, Canada, Scotland, English public health),
with the threshold taken from the plan. Zero is shown. A second count is hidden where a shown total would give the first
one away. This guards against subtraction along every total named to it; it is not a bound against linear programming over
many linked tables.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass

Key = Hashable


@dataclass(frozen=True, slots=True)
class Sum:
    """A total that a reader could subtract from: `parts` add up to `total`.

    `total` is None when the reader is taken to know it from elsewhere; otherwise it is itself a key that may be hidden.
    """

    parts: tuple[Key, ...]
    total: Key | None = None


def is_small(count: int, smallest: int) -> bool:
    """True for 1 to `smallest` - 1, the counts that are hidden. A difference of two counts may be given: its sign is ignored."""
    return 0 < abs(count) < smallest


def hidden_keys(
    values: Mapping[Key, tuple[int, ...]],
    sums: Iterable[Sum],
    *,
    smallest: int,
    already: frozenset[Key] = frozenset(),
    fixed: frozenset[Key] = frozenset(),
) -> frozenset[Key]:
    """The keys to hide: those with a small count, and the others that keep them hidden.

    `values` gives each key the counts that are shown or hidden together (events and non-events, say). `already` are hidden
    from the start. `fixed` cannot be chosen as a second count because nothing on the page shows them (a remainder).
    """
    lines = tuple(sums)
    hidden = set(already) | {k for k, counts in values.items() if any(is_small(c, smallest) for c in counts)}
    while True:
        extra = next((k for line in lines if (k := _second(line, values, hidden, smallest, fixed)) is not None), None)
        if extra is None:
            return frozenset(hidden)
        hidden.add(extra)


def _second(
    line: Sum, values: Mapping[Key, tuple[int, ...]], hidden: set[Key], smallest: int, fixed: frozenset[Key]
) -> Key | None:
    """One more key to hide on this line, or None when the line gives nothing away."""
    concealed = [k for k in line.parts if k in hidden]
    if line.total is not None and line.total in hidden:
        if concealed:
            return None  # total and part both unknown: neither follows
    elif not concealed or not _given_away(concealed, values, smallest):
        return None
    free = [k for k in line.parts if k not in hidden and k not in fixed and any(values[k])]
    # The fewest lesions lost to the reader; written order breaks a tie, so that the choice is the same on every run.
    return min(free, key=lambda k: sum(map(abs, values[k])), default=None)


def _given_away(concealed: list[Key], values: Mapping[Key, tuple[int, ...]], smallest: int) -> bool:
    """With the total known: a lone hidden count follows by subtraction, and a few that add up to a small count are one."""
    if len(concealed) == 1:
        return True
    return any(is_small(sum(kind), smallest) for kind in zip(*(values[k] for k in concealed), strict=True))
