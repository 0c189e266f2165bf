"""CSV files: records that are never shifted nor lost (`text_encoding` and `header_line` say where they begin).

A line with too many or too few fields keeps its row number and a fault, and the run goes on. The structure of the file
(quotes, records, fields in each) is measured on its bytes first, so that the fast parser only ever sees sound records.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.faults import NeedsMending
from pipeline.reading.header_line import find_header
from pipeline.reading.records import Block, blocks
from pipeline.reading.source import SAMPLE_ROWS, Wanted
from pipeline.reading.text_encoding import as_utf8

_SAMPLE_BYTES = 2_000_000


@dataclass(frozen=True, slots=True)
class TextSource:
    """A CSV file, decoded, with its header line found.

    `text` is the whole of it in UTF-8, not cut, so that it stands in memory once; the records begin at its byte `start`, which
    is the line `first_line`.
    """

    name: str
    sha256: str
    headers: tuple[str, ...]
    encoding: str
    separator: str
    first_line: int
    start: int
    text: bytes = field(repr=False)

    @property
    def epoch(self) -> None:
        """None: a text file writes its dates out."""
        return None

    def sample(self, positions: Sequence[int]) -> pl.DataFrame:
        """The first records' values of the columns at `positions`."""
        begins = self.text[self.start : self.start + _SAMPLE_BYTES].decode(errors="ignore")
        found: list[list[str]] = []
        reader = csv.reader(io.StringIO(begins, newline=""), delimiter=self.separator)
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
        for block in blocks(self.text, separator=self.separator, fields=len(self.headers), start=self.start):
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


def open_text(
    data: bytes, *, name: str, encoding: str | None, separator: str | None, wanted: Wanted, sha256: str | None = None
) -> TextSource:
    """A CSV file's bytes, decoded and with its header found.

    `encoding` and `separator` are what the mapping states, None to detect; `sha256` that of the file when it was packed.
    Raises NeedsMending when it is no text, or has no line.
    """
    text, told = as_utf8(data, name=name, stated=encoding)
    begins = find_header(text, stated=separator, wanted=wanted)
    if not begins.headers:
        raise NeedsMending(f"{name}: the file is empty; export it again, with its header line")
    return TextSource(
        name=name,
        sha256=sha256 or hashlib.sha256(data).hexdigest(),
        headers=begins.headers,
        encoding=told,
        separator=begins.separator,
        first_line=begins.line + 1,
        start=begins.start,
        text=text,
    )


def _ragged(found: int, expected: int) -> str:
    return f"the line has {found} field{'' if found == 1 else 's'} where the header has {expected}"
