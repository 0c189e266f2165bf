"""Random damages: how many are tried of each kind, and how each is done."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass
from pathlib import Path

from hypothesis import strategies as st

from tests.malformed.draft import Change, written_out
from tests.malformed.intake import Read, read_folder
from tests.malformed.sound import keys_of, sound_cells


@dataclass(frozen=True, slots=True)
class Examples:
    """Examples of each property."""

    csv: int
    cells: int
    packed: int
    workbooks: int
    parquet: int
    statistics: int
    mappings: int
    ways: int

    @property
    def total(self) -> int:
        """Of all properties together."""
        return sum(astuple(self))


SHORT = Examples(csv=70, cells=70, packed=25, workbooks=40, parquet=35, statistics=40, mappings=40, ways=30)
LONG = Examples(csv=1500, cells=1500, packed=300, workbooks=800, parquet=800, statistics=800, mappings=800, ways=600)

# What does most harm where it should not be.
_HARMFUL = (
    *(
        b'"',
        b'""',
        b",",
        b";",
        b"\t",
        b"|",
        b"\n",
        b"\r",
        b"\r\n",
        b"\x00",
        b"\x1a",
        b"\xff",
        b"\xfe\xff",
        b"\xef\xbb\xbf",
    ),
    *(b"\xc3", b"\xbc", b"\x85", b"-", b".", b"0", b" ", b"'", b"=", b"#REF!", b"sep=;\n", b"\x00" * 300),
)


@dataclass(frozen=True, slots=True)
class Damage:
    """One thing done to bytes: from `at` (a share of their length) on `length` bytes are replaced by `by`."""

    at: float
    length: int
    by: bytes

    def done_to(self, content: bytes) -> bytes:
        """The bytes with it."""
        start = int(self.at * len(content))
        return content[:start] + self.by + content[start + self.length :]


@dataclass(frozen=True, slots=True)
class Moved:
    """A stretch of bytes put elsewhere a second time, as when files are spliced."""

    start: float
    length: int
    to: float

    def done_to(self, content: bytes) -> bytes:
        """The bytes with it."""
        start, to = int(self.start * len(content)), int(self.to * len(content))
        return content[:to] + content[start : start + self.length] + content[to:]


@dataclass(frozen=True, slots=True)
class Cut:
    """The end cut off."""

    at: float

    def done_to(self, content: bytes) -> bytes:
        """The bytes with it."""
        return content[: int(self.at * len(content))]


_SHARE = st.floats(0, 1, exclude_max=True)


def damages() -> st.SearchStrategy[list[Damage | Moved | Cut]]:
    """One to four things done to bytes."""
    by = st.one_of(st.sampled_from(_HARMFUL), st.binary(max_size=4))
    one = st.one_of(
        st.builds(Damage, _SHARE, st.integers(0, 3), by),
        st.builds(Damage, _SHARE, st.integers(0, 200), st.just(b"")),
        st.builds(Moved, _SHARE, st.integers(1, 200), _SHARE),
        st.builds(Cut, _SHARE),
    )
    return st.lists(one, min_size=1, max_size=4)


def flips() -> st.SearchStrategy[list[Damage | Cut]]:
    """Some bytes of a binary file changed, or its end cut off."""
    one = st.one_of(
        st.builds(Damage, _SHARE, st.just(1), st.binary(min_size=1, max_size=1)),
        st.builds(Damage, _SHARE, st.just(4), st.sampled_from((bytes(4), b"\xff" * 4, b"\xff\xff\xff\x7f"))),
        st.builds(Damage, _SHARE, st.integers(1, 60), st.just(b"")),
        st.builds(Cut, _SHARE),
    )
    return st.lists(one, min_size=1, max_size=3)


def damaged(content: bytes, done: Sequence[Damage | Moved | Cut]) -> bytes:
    """The bytes with everything done to them, one after the other."""
    for one in done:
        content = one.done_to(content)
    return content


def read(changes: Sequence[Change]) -> Read:
    """The export with `changes`, taken in from a folder of its own. Raises NeedsMending."""
    with tempfile.TemporaryDirectory() as place:
        export = written_out(changes, Path(place) / "tables")
        return read_folder(Path(place) / "tables", export.mapping)


def shows_a_key(lines: Sequence[str]) -> bool:
    """Whether any key of the sound export stands in what is said."""
    told = "\n".join(lines)
    return any(key in told for key in keys_of(sound_cells()))


@contextlib.contextmanager
def told_beneath() -> Iterator[Path]:
    """A file that gets what libraries write to the error stream by themselves, as one that aborts a thread does."""
    with tempfile.NamedTemporaryFile() as file:
        kept = os.dup(2)
        os.dup2(file.fileno(), 2)
        try:
            yield Path(file.name)
        finally:
            os.dup2(kept, 2)
            os.close(kept)
