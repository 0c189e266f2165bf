"""Where a CSV's table begins: the line `sep=`, titles above the header, the sign between fields, and the header itself."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipeline.reading.source import HEADER_WITHIN, Wanted

SEPARATORS = (";", ",", "\t", "|")
_SEPARATOR_LINE = re.compile(rb'"?sep=([!-~\t])"?[;,\t| ]*\r?(\n|$)', re.IGNORECASE)
_LONGEST_HEADER = 65_536  # bytes
_HEAD_BYTES = 2_000_000  # read to see how the records below the header are cut
_HEAD_RECORDS = 1000


@dataclass(frozen=True, slots=True)
class Beginning:
    """The header's fields (stripped; none when the file is empty), the sign between fields, the header's last line counted
    from 1, and the byte at which the text below it starts."""

    headers: tuple[str, ...]
    separator: str
    line: int
    start: int


def find_header(text: bytes, *, stated: str | None, wanted: Wanted) -> Beginning:
    """The header is the line, among the first few, and the separator the sign, under which most known headers are seen.

    Where none is known: the first line that is cut into as many fields as most lines of the file's beginning, by the sign
    that cuts them most evenly. `stated` is the separator that the mapping gives, None to find it out.
    """
    above, position, told = _separator_line(text)
    signs = (stated,) if stated else tuple(dict.fromkeys((told, *SEPARATORS) if told else SEPARATORS))
    head = text[position : position + _HEAD_BYTES]
    found = _best_line(head, signs, wanted)
    if found is None:
        return Beginning((), stated or told or ",", above, len(text))
    fields, sign, lines = found
    for _ in range(lines):
        end = text.find(b"\n", position)
        position = len(text) if end < 0 else end + 1
    headers = tuple(cell.strip() for cell in _reconciled(fields, text[position : position + _HEAD_BYTES], sign))
    return Beginning(headers, sign, above + lines, position)


def _separator_line(text: bytes) -> tuple[int, int, str | None]:
    """A first line `sep=;`, which spreadsheets write: lines that it takes, bytes that it takes, and the sign."""
    line = _SEPARATOR_LINE.match(text[:200])
    if line is None:
        return 0, 0, None
    sign = line[1].decode()
    return 1, line.end(), None if sign.isalnum() or sign == '"' else sign


def _best_line(text: bytes, signs: Sequence[str], wanted: Wanted) -> tuple[list[str], str, int] | None:
    """The header's fields, the separator, and the lines up to the header's end; None when there is nothing but blank lines."""
    starts = list(_head_lines(text))
    best: tuple[tuple[bool, int, int, int], list[str], str, int] | None = None
    for sign in signs:
        for number, start in enumerate(starts):
            fields, taken = _first_record(text[start : start + _LONGEST_HEADER], sign)
            if not any(cell.strip() for cell in fields):
                continue
            complete, known = wanted.score(fields)
            merit = (complete, known, -number, len(fields))
            if best is None or merit > best[0]:
                best = merit, fields, sign, number + taken
    if best is None:
        return None
    (_, known, _, _), fields, sign, lines = best
    return (fields, sign, lines) if known else (_most_even(text, signs, starts) or (fields, sign, lines))


def _most_even(text: bytes, signs: Sequence[str], starts: Sequence[int]) -> tuple[list[str], str, int] | None:
    """The same where no header is known, by how evenly the lines are cut; None when no sign cuts them."""
    best: tuple[tuple[float, int], list[str], str, int] | None = None
    for sign in signs:
        counts = Counter(len(record) for record in _records(text, sign) if any(cell.strip() for cell in record))
        width, lines = max(counts.items(), key=lambda count: (count[0] > 1, count[1], count[0]), default=(1, 0))
        merit = (lines / max(counts.total(), 1), width)
        if width == 1 or (best is not None and merit <= best[0]):
            continue
        for number, start in enumerate(starts):
            fields, taken = _first_record(text[start : start + _LONGEST_HEADER], sign)
            # A title padded with separators has mostly blank cells.
            if len(fields) == width and sum(bool(cell.strip()) for cell in fields) > width / 2:
                best = merit, fields, sign, number + taken
                break
    return None if best is None else best[1:]


def _reconciled(fields: list[str], body: bytes, sign: str) -> list[str]:
    """The header's fields, with the blank ones that a program puts at the end of every line but the header's, or of it alone."""
    records = [record for record in _records(body, sign) if any(cell.strip() for cell in record)]
    widths = {len(record) for record in records}
    if len(widths) != 1:
        return fields
    (width,) = widths
    header, beyond = fields, [record[len(fields) :] for record in records]
    if width < len(fields) and not any(cell.strip() for cell in fields[width:]):
        header = fields[:width]
    elif width > len(fields) and not any(cell.strip() for cells in beyond for cell in cells):
        header = fields + [""] * (width - len(fields))
    return header


def _head_lines(text: bytes) -> Iterator[int]:
    position = 0
    for _ in range(HEADER_WITHIN):
        if position >= len(text):
            return
        yield position
        end = text.find(b"\n", position)
        if end < 0:
            return
        position = end + 1


def _first_record(text: bytes, sign: str) -> tuple[list[str], int]:
    """The first record of `text`, and how many lines it takes; no fields when it cannot be read."""
    reader = csv.reader(io.StringIO(text.decode(errors="ignore"), newline=""), delimiter=sign)
    try:
        return next(reader, []), reader.line_num
    except csv.Error:
        return [], 1


def _records(text: bytes, sign: str) -> list[list[str]]:
    """The first records of `text`, as far as they can be read; the last is left out where it may be cut."""
    records: list[list[str]] = []
    try:
        for record in csv.reader(io.StringIO(text.decode(errors="ignore"), newline=""), delimiter=sign):
            records.append(record)
            if len(records) == _HEAD_RECORDS:
                return records
    except csv.Error:
        return records
    return records[:-1] if len(text) == _HEAD_BYTES else records
