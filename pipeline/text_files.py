"""CSV files: encoding, separator, header line, and records that are never shifted nor lost.

A line with too many or too few fields keeps its row number and a fault, and the run goes on. The structure of the file
(quotes, records, fields in each) is measured on its bytes first, so that the fast parser only ever sees sound records.
"""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.faults import NeedsMending
from pipeline.records import Block, blocks
from pipeline.source import HEADER_WITHIN, SAMPLE_ROWS, Wanted

SEPARATORS = (";", ",", "\t", "|")
_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_DAMAGED = "\ufffd"  # stands for a letter that cannot be decoded
_SAMPLE_BYTES = 2_000_000
_LONGEST_HEADER = 65_536  # bytes


@dataclass(frozen=True, slots=True)
class TextSource:
    """A CSV file, decoded, with its header line found. `body` is UTF-8 and starts at the line `first_line`."""

    name: str
    sha256: str
    headers: tuple[str, ...]
    encoding: str
    separator: str
    first_line: int
    body: bytes = field(repr=False)

    def sample(self, positions: Sequence[int]) -> pl.DataFrame:
        """The first records' values of the columns at `positions`."""
        start = self.body[:_SAMPLE_BYTES].decode(errors="ignore")
        found: list[list[str]] = []
        reader = csv.reader(io.StringIO(start, newline=""), delimiter=self.separator)
        try:
            for record in reader:
                if len(record) == len(self.headers):
                    found.append([record[position] for position in positions])
                if len(found) == SAMPLE_ROWS:
                    break
        except csv.Error:
            pass  # the sample ends here; the record itself is set aside when the rows are read
        schema = {str(position): pl.String for position in positions}
        return pl.DataFrame(found, schema=schema, orient="row")

    def blocks(self, positions: Sequence[int]) -> Iterator[pl.DataFrame]:
        """Every record, in blocks: row number, fault, and the columns at `positions`."""
        for block in blocks(self.body, separator=self.separator, fields=len(self.headers)):
            yield self._frame(block, positions)

    def rows(self, positions: Sequence[int]) -> pl.DataFrame:
        """Every record: row number, fault, and the columns at `positions`."""
        return pl.concat([pl.DataFrame(schema=_schema(positions)), *self.blocks(positions)])

    def _frame(self, block: Block, positions: Sequence[int]) -> pl.DataFrame:
        good = self._parsed(block, positions)
        nothing = (None,) * len(positions)
        others: list[tuple[int | str | None, ...]] = []
        for line, fields in block.ragged:
            others.append((line + self.first_line, _ragged(fields, len(self.headers)), *nothing))
        for line, values, broken in block.taken_apart:
            row = line + self.first_line
            if broken or len(values) != len(self.headers):
                others.append((row, broken or _ragged(len(values), len(self.headers)), *nothing))
            else:
                others.append((row, None, *(values[position] or None for position in positions)))
        if not others:
            return good
        return pl.concat([good, pl.DataFrame(others, schema=_schema(positions), orient="row")]).sort("row")

    def _parsed(self, block: Block, positions: Sequence[int]) -> pl.DataFrame:
        """The sound records. Should the fast parser see another number of them, they are read one by one."""
        columns = {str(i): pl.String for i in range(len(self.headers))}
        try:
            values = pl.read_csv(
                block.sound,
                has_header=False,
                schema=columns,
                columns=sorted(positions),
                separator=self.separator,
                quote_char='"' if block.quoted else None,
                raise_if_empty=False,
            )
        except pl.exceptions.PolarsError:
            values = pl.DataFrame()
        if values.height != len(block.sound_lines):
            text = io.StringIO(block.sound.decode(), newline="")
            records = [
                [record[position] or None for position in sorted(positions)]
                for record in csv.reader(text, delimiter=self.separator)
            ]
            values = pl.DataFrame(records, schema={str(p): pl.String for p in sorted(positions)}, orient="row")
        return values.select(
            pl.Series("row", block.sound_lines + self.first_line, dtype=pl.Int64),
            pl.lit(None, dtype=pl.String).alias("fault"),
            *(pl.col(str(position)) for position in positions),
        )


def _schema(positions: Sequence[int]) -> dict[str, pl.DataType | type[pl.DataType]]:
    return {"row": pl.Int64, "fault": pl.String, **{str(position): pl.String for position in positions}}


def open_text(data: bytes, *, name: str, encoding: str | None, separator: str | None, wanted: Wanted) -> TextSource:
    """A CSV file's bytes, decoded and with its header found.

    `encoding` and `separator` are what the mapping states, None to detect. Raises NeedsMending when it is no text.
    """
    sha256 = hashlib.sha256(data).hexdigest()
    text, found_encoding = _decode(data, name=name, stated=encoding)
    if b"\n" not in text and b"\r" in text:
        text = text.replace(b"\r", b"\n")
    skipped, text, told = _without_separator_line(text)
    header, sign, lines, body = _find_header(text, stated=separator or told, wanted=wanted)
    if not header:
        raise NeedsMending(f"{name}: the file is empty; export it again, with its header line")
    return TextSource(
        name=name,
        sha256=sha256,
        headers=tuple(cell.strip() for cell in header),
        encoding=found_encoding,
        separator=sign,
        first_line=skipped + lines + 1,
        body=body,
    )


def _decode(data: bytes, *, name: str, stated: str | None) -> tuple[bytes, str]:
    """The text as UTF-8, and how it was decoded. Order: byte order mark, UTF-16 by its NULs, UTF-8, as stated, cp1252."""
    for mark, encoding in _BOMS:
        if data.startswith(mark):
            return _as_utf8(data[len(mark) :], encoding, name), encoding
    head = data[:4096]
    if b"\x00" in head:
        even, odd = head[0::2].count(0), head[1::2].count(0)
        if max(even, odd) > 0.4 * len(head) / 2 and min(even, odd) < 0.1 * len(head) / 2:
            encoding = "utf-16-le" if odd > even else "utf-16-be"
            return _as_utf8(data, encoding, name), encoding
    try:
        data.decode("utf-8")
        return data, "utf-8"
    except UnicodeDecodeError:
        pass
    if stated is not None:
        return _as_utf8(data, stated, name), stated
    mended = data.decode("utf-8", errors="replace")
    damaged = mended.count(_DAMAGED)
    if sum(not sign.isascii() for sign in mended) > 2 * damaged:
        # Mostly sound UTF-8: one torn letter must not turn every other letter of the file into two wrong ones.
        return mended.encode("utf-8"), f"utf-8 ({damaged} damaged letter{'' if damaged == 1 else 's'})"
    return _as_utf8(data, "cp1252", name), "cp1252 (assumed: it is not UTF-8)"


def _as_utf8(data: bytes, encoding: str, name: str) -> bytes:
    try:
        return data.decode(encoding).encode("utf-8")
    except UnicodeError:
        raise NeedsMending(
            f"{name}: the text cannot be decoded as {encoding}; save it as UTF-8, or give its encoding in the mapping"
        ) from None


def _without_separator_line(text: bytes) -> tuple[int, bytes, str | None]:
    """Takes off a first line `sep=;`, which spreadsheets write: lines taken, the rest, and the sign."""
    line, _, rest = text.partition(b"\n")
    told = line.strip(b'\r"')
    if told[:4].lower() == b"sep=" and len(told) == 5:
        return 1, rest, told[4:].decode()
    return 0, text, None


def _find_header(text: bytes, *, stated: str | None, wanted: Wanted) -> tuple[list[str], str, int, bytes]:
    """Header fields, separator, lines up to the header's end, and the rest.

    The header is the line, among the first few, and the separator the sign, under which most known headers are seen.
    """
    best: tuple[tuple[bool, int, int, int], list[str], str, int] | None = None
    head = list(_head_lines(text))
    for sign in (stated,) if stated else SEPARATORS:
        for number, start in enumerate(head):
            fields, consumed = _first_record(text[start : start + _LONGEST_HEADER], sign)
            if not any(field.strip() for field in fields):
                continue
            complete, known = wanted.score(fields)
            # With nothing known anywhere: the first line that is not blank, cut by the sign that cuts it most.
            merit = (complete, known, -number, len(fields))
            if best is None or merit > best[0]:
                best = merit, fields, sign, number + consumed
    if best is None:
        return [], stated or ",", 0, b""
    _, fields, sign, lines = best
    position = 0
    for _ in range(lines):
        end = text.find(b"\n", position)
        position = len(text) if end < 0 else end + 1
    return fields, sign, lines, text[position:]


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
    start = text.decode(errors="ignore")
    reader = csv.reader(io.StringIO(start, newline=""), delimiter=sign)
    try:
        return next(reader, []), reader.line_num
    except csv.Error:
        return [], 1


def _ragged(found: int, expected: int) -> str:
    return f"the line has {found} field{'' if found == 1 else 's'} where the header has {expected}"
