"""The structure of a CSV body: where records start and end, and how many fields each has."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

_CHUNK = 32 * 1024 * 1024  # bytes measured at a time, so that memory does not grow with the file
_LONGEST_RECORD = 200  # lines that one quoted value may run over; beyond it the quote was never closed
_QUOTE, _NEWLINE, _RETURN = ord('"'), ord("\n"), ord("\r")
UNPAIRED = "the quotation marks on the line do not pair up"


@dataclass(frozen=True, slots=True)
class Records:
    """Records in file order. `lines` counts physical lines from 0; `sound` has the header's number of fields, `ragged` not; blank lines are neither."""

    starts: npt.NDArray[np.int64]
    ends: npt.NDArray[np.int64]
    lines: npt.NDArray[np.int64]
    fields: npt.NDArray[np.int64]
    sound: npt.NDArray[np.bool_]
    ragged: npt.NDArray[np.bool_]

    def sound_bytes(self, body: bytes) -> bytes:
        """The sound records alone, for a parser that would stumble over the others."""
        if self.sound.all():
            return body
        edges = np.flatnonzero(np.diff(self.sound.astype(np.int8), prepend=0, append=0))
        runs = (
            (self.starts[first], self.ends[after - 1]) for first, after in zip(edges[0::2], edges[1::2], strict=True)
        )
        # A run ends with its newline, save the last of a file that has none.
        return b"".join(body[start:end] for start, end in runs)


def measure(body: bytes, *, separator: str, fields: int) -> Records | None:
    """The records of `body`; None when its quotation marks are not those of a sound file and must be read with care.

    Suspicion falls on a quoted value that swallows what looks like whole records: its quote was probably never closed.
    """
    if not body:
        empty = np.zeros(0, dtype=np.int64)
        return Records(empty, empty, empty, empty, empty.astype(bool), empty.astype(bool))
    sign = ord(separator)
    buffer = np.frombuffer(body, dtype=np.uint8)
    newlines, ends, counts = _scan(buffer, sign)
    if newlines is None:
        return None
    starts = np.concatenate(([0], ends[:-1]))
    lines = np.searchsorted(newlines, starts, side="left").astype(np.int64)
    spanned = np.searchsorted(newlines, ends - 1, side="left") - lines
    sound = counts == fields - 1
    blank = _blank(buffer, starts, ends, sign, sound=sound, counts=counts)
    sound &= ~blank
    ragged = ~sound & ~blank
    several = np.flatnonzero(spanned > 0)
    if ragged[several].any() or any(_swallows(body[starts[i] : ends[i]], sign, fields) for i in several):
        return None
    return Records(starts, ends, lines, counts + 1, sound, ragged)


def careful_records(text: str, *, separator: str, fields: int) -> Iterator[tuple[int, list[str], str]]:
    """Each record that is not blank as (physical line from 0, values, fault or ""): slow, and sure of foot.

    A quoted value may run over several lines where that makes a record of the right number of fields; else its first
    line alone is at fault and the next line starts afresh, so that one stray quotation mark costs one line.
    """
    lines = text.split("\n")
    position = 0
    while position < len(lines):
        values, taken, fault = _record_at(lines, position, separator, fields)
        if fault or any(value.strip() for value in values):
            yield position, values, fault
        position += taken


def _scan(
    buffer: npt.NDArray[np.uint8], sign: int
) -> tuple[npt.NDArray[np.int64] | None, npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Positions of all newlines, ends of records, separators in each record; None first when quotes are unsound."""
    none = np.zeros(0, dtype=np.int64)
    newlines, ends, seen = [], [], []
    total, inside_before = 0, 0
    for start in range(0, len(buffer), _CHUNK):
        part = buffer[start : start + _CHUNK]
        is_newline, is_sign = part == _NEWLINE, part == sign
        newlines.append(np.flatnonzero(is_newline) + start)
        quotes = part == _QUOTE
        if quotes.any() or inside_before:
            inside = np.bitwise_xor.accumulate(quotes.view(np.uint8))
            if inside_before:
                inside ^= 1
            if not _quotes_sound(buffer, start, np.flatnonzero(quotes), inside, sign):
                return None, none, none
            inside_before = int(inside[-1])
            outside = inside == 0
            is_newline &= outside
            is_sign &= outside
        record_ends = np.flatnonzero(is_newline)
        signs = np.flatnonzero(is_sign)
        seen.append(np.searchsorted(signs, record_ends) + total)
        total += len(signs)
        ends.append(record_ends + start + 1)
    if inside_before:
        return None, none, none
    all_ends, all_seen = np.concatenate(ends), np.concatenate(seen)
    if len(all_ends) == 0 or all_ends[-1] != len(buffer):  # the last line has no newline
        all_ends, all_seen = np.append(all_ends, len(buffer)), np.append(all_seen, total)
    return np.concatenate(newlines), all_ends, np.diff(all_seen, prepend=0)


def _quotes_sound(
    buffer: npt.NDArray[np.uint8],
    start: int,
    quotes: npt.NDArray[np.int64],
    inside: npt.NDArray[np.uint8],
    sign: int,
) -> bool:
    """Whether every quote opens at the start of a field and closes at its end (a doubled quote does neither)."""
    at = quotes + start
    opens = inside[quotes] == 1
    before = np.where(at > 0, buffer[np.maximum(at - 1, 0)], _NEWLINE)
    after = np.where(at < len(buffer) - 1, buffer[np.minimum(at + 1, len(buffer) - 1)], _NEWLINE)
    field_start = (before == sign) | (before == _NEWLINE) | (before == _QUOTE)
    field_end = (after == sign) | (after == _NEWLINE) | (after == _RETURN) | (after == _QUOTE)
    return bool(np.where(opens, field_start, field_end).all())


def _blank(
    buffer: npt.NDArray[np.uint8],
    starts: npt.NDArray[np.int64],
    ends: npt.NDArray[np.int64],
    sign: int,
    *,
    sound: npt.NDArray[np.bool_],
    counts: npt.NDArray[np.int64],
) -> npt.NDArray[np.bool_]:
    """Records that hold nothing but separators, spaces and quotes: a spreadsheet's empty rows."""
    nothing = bytes({sign, _QUOTE, _NEWLINE, _RETURN, ord(" "), ord("\t")})
    blank = np.zeros(len(starts), dtype=bool)
    # Only a record that is short and starts with two such signs is worth the look: nearly every row starts with a key.
    is_nothing = np.zeros(256, dtype=bool)
    is_nothing[list(nothing)] = True
    second = np.minimum(starts + 1, ends - 1)
    short = (ends - starts <= 3 * counts + 4) | ~sound
    for i in np.flatnonzero(short & is_nothing[buffer[starts]] & is_nothing[buffer[second]]):
        blank[i] = not buffer[starts[i] : ends[i]].tobytes().strip(nothing)
    return blank


def _swallows(record: bytes, sign: int, fields: int) -> bool:
    inner = record.rstrip(b"\r\n").split(b"\n")[1:-1]
    last = record.rstrip(b"\r\n").rsplit(b"\n", 1)[-1]
    return any(line.count(sign) == fields - 1 for line in (*inner, last))


def _record_at(lines: list[str], position: int, separator: str, fields: int) -> tuple[list[str], int, str]:
    first = lines[position].removesuffix("\r")
    if '"' not in first:
        return first.split(separator), 1, ""
    values = _parse(first, separator)
    if values is not None:
        return values, 1, ""
    pieces = [first]
    for line in lines[position + 1 : position + _LONGEST_RECORD]:
        line = line.removesuffix("\r")
        if line.count(separator) == fields - 1 and '"' not in line:
            break  # a whole record of its own: the quote before it was never closed
        pieces.append(line)
        if '"' not in line:
            continue
        values = _parse("\n".join(pieces), separator)
        if values is not None and len(values) == fields:
            return values, len(pieces), ""
    return [], 1, UNPAIRED


def _parse(text: str, separator: str) -> list[str] | None:
    """The fields of one record; None when a quotation mark is left open or a value is beyond all bounds."""
    for strict in (True, False):
        reader = csv.reader(io.StringIO(text, newline="\n"), delimiter=separator, strict=strict)
        try:
            values = next(reader, [""])
            return values if next(reader, None) is None else None
        except csv.Error as error:
            if "end of data" in str(error):  # the csv module's words for a quote left open
                return None
    return None
