"""The structure of a CSV body: where its lines end, which of them are whole records, and which must be read with care.

A line whose quotation marks pair up by themselves is one record. Any other line is taken apart one by one: it may be the
first of a value that runs over several lines, or hold a stray mark, which then costs that one line and no other.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

BLOCK = 16 * 1024 * 1024  # bytes looked at at a time, so that memory does not grow with the file
_LONGEST_RECORD = 200  # lines that one quoted value may run over; beyond it the quote was never closed
_QUOTE, _NEWLINE, _RETURN = ord('"'), ord("\n"), ord("\r")
UNPAIRED = "the quotation marks on the line do not pair up"

Positions = npt.NDArray[np.int64]
Marks = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Block:
    """Some whole lines of a body, in order. `first_line` is the number of the first, from 0.

    `sound` are the bytes of the records that have the header's number of fields, one a line, and `sound_lines` their line
    numbers. `ragged` are lines with another number of fields, as (line, fields). `taken_apart` are records read one by
    one, as (line, values, fault or ""). Lines that hold nothing are none of these.
    """

    first_line: int
    sound: bytes
    sound_lines: Positions
    quoted: bool
    ragged: tuple[tuple[int, int], ...]
    taken_apart: tuple[tuple[int, list[str], str], ...]


def blocks(body: bytes, *, separator: str, fields: int, start: int = 0, size: int = BLOCK) -> Iterator[Block]:
    """`body` (UTF-8, lines ending in LF or CR LF) from `start` on, in blocks of about `size` bytes; every line is in one of them."""
    position, line = start, 0
    while position < len(body):
        end = _line_end(body, min(position + size, len(body)) - 1)
        lines = _Lines.of(body, position, end, separator)
        block, position, line = _block(body, lines, line, separator, fields)
        yield block


@dataclass(frozen=True, slots=True)
class _Lines:
    """The lines of body[offset:end]. `starts` and `ends` count from the body's start; `ends` are past the newline."""

    starts: Positions
    ends: Positions
    fields: Positions
    sound: Marks  # its quotation marks pair up, each at a field's edge
    quoted: bool

    @classmethod
    def of(cls, body: bytes, offset: int, end: int, separator: str) -> _Lines:
        part = np.frombuffer(body, dtype=np.uint8, count=end - offset, offset=offset)
        ends = np.flatnonzero(part == _NEWLINE) + 1
        if len(ends) == 0 or ends[-1] != len(part):  # the last line has no newline
            ends = np.append(ends, len(part))
        signs = np.flatnonzero(part == ord(separator))
        starts = np.concatenate(([0], ends[:-1]))
        signs_before = np.searchsorted(signs, ends)
        fields = np.diff(signs_before, prepend=0) + 1
        sound = np.ones(len(ends), dtype=bool)
        quotes = np.flatnonzero(part == _QUOTE) if body.find(b'"', offset, end) >= 0 else np.zeros(0, dtype=np.int64)
        if len(quotes):
            line_of = np.searchsorted(ends, quotes, side="right")
            quoted, first, marks = np.unique(line_of, return_index=True, return_counts=True)
            # The place of each mark among those of its line, from 0: the even ones open a value, the odd ones close it.
            place = np.arange(len(quotes)) - np.repeat(first, marks)
            sound[line_of[~_at_edge(part, quotes, place % 2 == 0, ord(separator))]] = False
            sound[quoted[marks % 2 == 1]] = False
            # Of the separators of these lines, those between marks part nothing.
            held = fields[quoted] - 1
            which = np.repeat(signs_before[quoted] - held.cumsum(), held) + np.arange(held.sum())
            inside = (np.searchsorted(quotes, signs[which]) - np.repeat(first, held)) % 2
            fields[quoted] -= np.bincount(np.repeat(np.arange(len(quoted)), held), inside, len(quoted)).astype(np.int64)
        return cls(starts + offset, ends + offset, fields, sound, quoted=len(quotes) > 0)


def _at_edge(part: npt.NDArray[np.uint8], quotes: Positions, opens: Marks, sign: int) -> Marks:
    """Whether a mark opens at the start of a field or closes at its end; a doubled one stands beside its twin."""
    before = np.where(quotes > 0, part[np.maximum(quotes - 1, 0)], _NEWLINE)
    after = np.where(quotes < len(part) - 1, part[np.minimum(quotes + 1, len(part) - 1)], _NEWLINE)
    starts = (before == sign) | (before == _NEWLINE) | (before == _QUOTE)
    stops = (after == sign) | (after == _NEWLINE) | (after == _RETURN) | (after == _QUOTE)
    at_edge: Marks = np.where(opens, starts, stops)
    return at_edge


def _block(body: bytes, lines: _Lines, line: int, separator: str, fields: int) -> tuple[Block, int, int]:
    """The block of `lines`, whose first is number `line`; the position and the number of the line after it.

    The last value of a block may run on into the next lines: they are taken with it.
    """
    count = len(lines.ends)
    whole = lines.sound.copy()
    taken_apart: list[tuple[int, list[str], str]] = []
    position = int(lines.ends[-1])
    after = line + count
    passed = 0
    for at in np.flatnonzero(~lines.sound).tolist():
        if at < passed:
            continue  # inside the value of a line before it
        values, taken, fault = _record_at(body, int(lines.starts[at]), separator, fields)
        if fault or any(value.strip() for value in values):
            taken_apart.append((line + at, values, fault))
        passed = at + taken
        whole[at : min(passed, count)] = False
        if passed > count:
            position = _skip_lines(body, position, passed - count)
            after = line + passed
    held = whole & ~_blank(body, lines, whole, fields, separator)
    right = held & (lines.fields == fields)
    wrong = np.flatnonzero(held & ~right)
    block = Block(
        first_line=line,
        sound=_joined(body, lines, right),
        sound_lines=np.flatnonzero(right) + line,
        quoted=lines.quoted,
        ragged=tuple(zip((wrong + line).tolist(), lines.fields[wrong].tolist(), strict=True)),
        taken_apart=tuple(taken_apart),
    )
    return block, position, after


def _joined(body: bytes, lines: _Lines, chosen: Marks) -> bytes:
    """The bytes of the chosen lines."""
    edges = np.flatnonzero(np.diff(chosen.astype(np.int8), prepend=0, append=0))
    runs = [
        (int(lines.starts[first]), int(lines.ends[past - 1]))
        for first, past in zip(edges[0::2], edges[1::2], strict=True)
    ]
    # A line ends with its newline, save the last of a file that has none.
    view = memoryview(body)
    return b"".join(view[start:end] for start, end in runs)


def _blank(body: bytes, lines: _Lines, whole: Marks, fields: int, separator: str) -> Marks:
    """Lines that hold nothing but separators, spaces and quotes: a spreadsheet's empty rows."""
    nothing = bytes({ord(separator), _QUOTE, *b"\n\r \t\f\v"})
    blank = np.zeros(len(lines.ends), dtype=bool)
    # Only a line that is short and starts with two such signs is worth the look: nearly every row starts with a key.
    is_nothing = np.zeros(256, dtype=bool)
    is_nothing[list(nothing)] = True
    buffer = np.frombuffer(body, dtype=np.uint8)
    second = np.minimum(lines.starts + 1, lines.ends - 1)
    short = (lines.ends - lines.starts <= 3 * lines.fields + 4) | (lines.fields != fields)
    looked_at = whole & short & is_nothing[buffer[lines.starts]] & is_nothing[buffer[second]]
    for i in np.flatnonzero(looked_at):
        record = body[lines.starts[i] : lines.ends[i]]
        values = _parse(record.decode(), separator) if not record.strip(nothing) else ["something"]
        blank[i] = values is not None and not any(value.strip() for value in values)
    return blank


def _line_end(body: bytes, position: int) -> int:
    """The end of the line that holds `position`, past its newline."""
    found = body.find(b"\n", position)
    return len(body) if found < 0 else found + 1


def _skip_lines(body: bytes, position: int, count: int) -> int:
    for _ in range(count):
        position = _line_end(body, position)
    return position


def _record_at(body: bytes, position: int, separator: str, fields: int) -> tuple[list[str], int, str]:
    """The record that starts at `position`: its values, the lines that it takes, and what is wrong with it or ""."""
    first, position = _line_at(body, position)
    values = _parse(first, separator)
    if values is not None:
        return values, 1, ""
    pieces, first_is_one = [first], _is_one_but_for_a_mark(first, separator, fields)
    while position < len(body) and len(pieces) < _LONGEST_RECORD:
        line, position = _line_at(body, position)
        if _is_whole(line, separator, fields):
            break  # a record of its own: the quote before it was never closed
        if first_is_one and _is_one_but_for_a_mark(line, separator, fields):
            break  # each is one, but for a stray quote: taken together they would be one row with values of two
        pieces.append(line)
        if '"' not in line.replace('""', ""):
            continue  # doubled marks close nothing
        # Less strictly, two lines with an unclosed quote each would be one.
        values, is_open = _strictly("".join(pieces), separator)
        if values is not None and len(values) == fields:
            return values, len(pieces), ""
        if not is_open:
            break  # no line that follows could mend what is wrong by now
    return [], 1, UNPAIRED


def _is_whole(line: str, separator: str, fields: int) -> bool:
    """Whether a line is a record by itself, with any quotation marks at the edges of its fields."""
    if '"' not in line:
        return line.count(separator) == fields - 1
    if line.count('"') % 2:
        return False
    data = line.encode()
    lines = _Lines.of(data, 0, len(data), separator)
    return bool(lines.sound[0]) and int(lines.fields[0]) == fields


def _is_one_but_for_a_mark(line: str, separator: str, fields: int) -> bool:
    """Whether a line has a record's separators outside its quotation marks, as it is or with one of the marks less."""
    if len(_strictly(line, separator)[0] or ()) == fields:
        return True
    signs = [piece.count(separator) for piece in line.split('"')]
    # Without a mark the pieces beside it are one, and behind it inside and outside change places.
    outside, behind = 0, sum(signs[1::2])  # before the mark as they stand, and from it on as they would be
    for at, count in enumerate(signs[:-1]):
        if at % 2 == 0:
            outside += count
        else:
            behind -= count
        following = signs[at + 1]
        # The next piece goes with this one, wherever that is.
        own = following if at % 2 == 0 else 0
        rest = behind - (following if at % 2 == 0 else 0)
        if outside + own + rest == fields - 1:
            return True
    return False


def _line_at(body: bytes, position: int) -> tuple[str, int]:
    end = _line_end(body, position)
    return body[position:end].decode(errors="replace"), end


def _parse(text: str, separator: str) -> list[str] | None:
    """The fields of one record, read strictly or else with its marks wherever they stand.

    None when a quotation mark is left open or a value is beyond all bounds.
    """
    values, is_open = _strictly(text, separator)
    if values is not None or is_open:
        return values
    try:
        return _one_record(text, separator, strict=False)
    except csv.Error:
        return None


def _strictly(text: str, separator: str) -> tuple[list[str] | None, bool]:
    """The fields of one record whose quotation marks stand where they should; None, and whether one is left open, otherwise."""
    try:
        return _one_record(text, separator, strict=True), False
    except csv.Error as error:
        return None, "end of data" in str(error)  # the csv module's words for a quote left open


def _one_record(text: str, separator: str, *, strict: bool) -> list[str] | None:
    reader = csv.reader(
        io.StringIO(text.removesuffix("\n").removesuffix("\r"), newline=""), delimiter=separator, strict=strict
    )
    values = next(reader, [""])
    return values if next(reader, None) is None else None
