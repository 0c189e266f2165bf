"""One table's draft, from its sheet and the pairs of columns: what is used, what is to be decided, and what may not be used."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.case_tables import PSEUDONYM_COLUMNS
from pipeline.draft.as_read import AsRead, as_read, is_found_by_name, workbook_sheet
from pipeline.draft.code_words import Confidence, read_codes
from pipeline.draft.export_sheets import is_headed
from pipeline.draft.held import Held
from pipeline.draft.lines import CodeLines, ColumnLine, ConstantLine, TableDraft
from pipeline.draft.manner import Dates, Numbers, dates_of, numbers_of
from pipeline.draft.pairing import Pair
from pipeline.draft.phrasebook import OWN
from pipeline.draft.site_codes import code_lines
from pipeline.draft.tables import TableFound
from pipeline.draft.units import UnitChoice, choose_unit
from pipeline.draft.words import heading, tokens
from pipeline.guard.identifiers import holds_full_dates, identifier_columns, kind_of_used
from pipeline.mapping import accepted_codes
from pipeline.reading.export_folder import ExportFolder
from pipeline.reading.source import SAMPLE_ROWS, fold
from pipeline.rules import CALCIUM_GRADES

_NEARLY_ALL = 0.9
_NAMED = 0.75  # a heading so much like ours was recognized by its name
_FEWEST_NAMED = 2  # recognized headings that show that a file's first line is one of headings
_LONGEST_HEADER = 80  # characters; a longer one is told by its place
_MUCH, _HALF = 0.6, 0.4  # of a table's columns
_SEVERAL = 2


def draft_table(folder: ExportFolder, found: TableFound, language: str, notes: Sequence[str]) -> TableDraft:
    """The draft of one table. `notes`: what else is to be told about it."""
    read = as_read(folder, found)
    refused: list[tuple[str, str]] = []
    lines: list[ColumnLine] = []
    codes: dict[str, CodeLines] = {}
    for pair in found.pairs:
        name, about = pair.column.name, read.columns[pair.column.name]
        kind = _kind_of_identifier(pair, about, language)
        if kind is not None:
            refused.append((pair.header, f"it looked like {name} and like a direct identifier ({kind})"))
            continue
        lines.append(_line(found, pair, about))
        if accepted_codes(pair.column):
            told = code_lines(pair.column, pair.header, about, language, guessed=pair.confidence == "guess")
            if told.lines or told.unshown:
                codes[name] = told
    others = [at for at in range(len(found.sheet.headers)) if at not in {pair.position for pair in found.pairs}]
    identifiers = identifier_columns(found.sheet.headers, found.sheet.source.sample(others)) if others else []
    refused += [(one.header, f"looks like a direct identifier ({one.kind})") for one in identifiers]
    refused += [(line.header, f"decide: {line.doubt}") for line in lines if line.own and line.doubt]
    unused, unnamed = _unused(found, [at for at in others if at not in {one.position for one in identifiers}])
    constants = _constants(found, lines, read.columns, language)
    have = {line.column.name for line in lines} | {constant.column for constant in constants if constant.used}
    return TableDraft(
        table=found.table,
        file=found.sheet.file,
        sheet=workbook_sheet(found),
        named=not is_found_by_name(folder, found),
        reason=_why_this_table(found),
        confidence=_confidence(found),
        told=_told(read),
        numbers=_numbers(read, lines),
        dates=_dates(read, lines),
        columns=tuple(lines),
        codes=codes,
        constants=constants,
        drops=_may_be_dropped(found, lines, refused),
        unused=unused,
        unnamed=unnamed,
        missing=tuple(column for column in found.table.columns if column.name not in have),
        notes=tuple(note for note in (read.fault, _births(lines, refused), *notes) if note),
    )


def _line(found: TableFound, pair: Pair, about: Held) -> ColumnLine:
    own = fold(pair.header) == pair.column.name
    unit = choose_unit(found.table, pair.column, about, heading(pair.header).unit)
    confidence: Confidence = "certain" if own else pair.confidence
    doubt = ""
    if unit is not None:
        if unit.unit is None and (unit.instead or not own):
            doubt = f"in which unit? {unit.reason}"
        elif not unit.sure and confidence == "certain" and not own:
            confidence = "likely"
    if confidence == "guess":
        doubt = "; ".join(part for part in ("is this it?", doubt) if part)
    return ColumnLine(pair.column, pair.header, confidence, _why(pair, unit), own, doubt, unit)


def _why(pair: Pair, unit: UnitChoice | None) -> str:
    found = pair.found
    if found is None and pair.fit.a_key:
        return pair.fit.reason
    if found is None or pair.name < _NAMED / 2:
        by_name = "by its values alone"
    elif found.language == OWN:
        by_name = "the dictionary's name" if found.score == 1.0 else "like the dictionary's name"
    else:
        by_name = f"{'' if found.score == 1.0 else 'like '}'{found.written}' in {found.language}"
        by_name += ", which may mean more" if found.doubtful else ""
    by_values = pair.fit.reason if unit is None or unit.unit is None else unit.reason
    return f"{by_name}; {by_values}"


def _kind_of_identifier(pair: Pair, about: Held, language: str) -> str | None:
    """What the guard of a run would stop at, were the column used."""
    values = pl.Series(
        [value for value, rows in about.counts.head(SAMPLE_ROWS).iter_rows() for _ in range(min(rows, 10))],
        dtype=pl.String,
    )
    if pair.column.name == "birth_year" and holds_full_dates(values):
        return "dates of birth"
    translated = {
        about.shown[choice.theirs]
        for choice in read_codes(pair.column, about.codes, language, heading(pair.header).legend).choices
        if choice.ours is not None
    }
    values = values.filter(~values.is_in(sorted(translated))) if translated else values
    name = pair.column.name
    return kind_of_used(pair.header, values, key=name in PSEUDONYM_COLUMNS, column=name)


def _unused(found: TableFound, positions: Sequence[int]) -> tuple[tuple[str, ...], int]:
    """The headers of theirs that are left over, and how many are not told: a file without headings begins with a patient's row."""
    named = sum(pair.name >= _NAMED for pair in found.pairs)
    headers = [found.sheet.headers[position] for position in positions]
    if named < _FEWEST_NAMED:
        return (), len(headers)
    shown = [header for header in headers if len(header) <= _LONGEST_HEADER and is_headed((header, "x"))]
    return tuple(shown), len(headers) - len(shown)


def _may_be_dropped(
    found: TableFound, lines: Sequence[ColumnLine], refused: Sequence[tuple[str, str]]
) -> tuple[tuple[str, str], ...]:
    """What goes under drop: a header once, none that is used, and no needed column of ours."""
    used = {fold(line.header) for line in lines if not (line.own and line.doubt)}
    lines_of = {line.column.name for line in lines}
    needed = {column.name for column in found.table.columns if column.needed and column.name not in lines_of}
    needed |= {line.column.name for line in lines if line.own and line.column.needed}
    kept: dict[str, tuple[str, str]] = {}
    for header, reason in refused:
        if fold(header) not in used | needed:
            kept.setdefault(fold(header), (header, reason))
    return tuple(kept.values())


def _constants(
    found: TableFound, lines: Sequence[ColumnLine], columns: Mapping[str, Held], language: str
) -> tuple[ConstantLine, ...]:
    """The calcium scale, where no column gives it: read off the heading, or to be decided."""
    have = {line.column.name: line for line in lines}
    if "calcium_grade" not in have or "calcium_scale" in have or "calcium_scale" in map(fold, found.sheet.headers):
        return ()
    line = have["calcium_grade"]
    read = read_codes(line.column, columns["calcium_grade"].codes, language)
    grades = {choice.ours for choice in read.choices if choice.ours}
    fitting = [scale for scale, known in CALCIUM_GRADES.items() if grades <= set(known)]
    named = [scale for scale in CALCIUM_GRADES if scale in tokens(line.header)]
    if len(named) == 1 and named[0] in fitting and read.share >= _NEARLY_ALL:
        return (ConstantLine("calcium_scale", named[0], used=True, reason=f"the heading says {named[0].upper()}"),)
    which = " or ".join(fitting) or "pacss, parc or descriptive"
    return (ConstantLine("calcium_scale", fitting[0] if fitting else "?", used=False, reason=f"which scale? {which}"),)


def _numbers(read: AsRead, lines: Sequence[ColumnLine]) -> Numbers:
    columns = [line.column.name for line in lines if line.column.type in ("int", "real")]
    values = {name: read.columns[name].counts["value"] for name in columns}
    return numbers_of(values, typed_cells=read.source.separator == "")


def _dates(read: AsRead, lines: Sequence[ColumnLine]) -> Dates:
    """A table of ours has one column of dates at most."""
    dated = [line for line in lines if line.column.type == "date"]
    if not dated:
        return Dates()
    name = dated[0].column.name
    counts = read.columns[name].counts
    return dates_of(name, counts["value"], epoch=read.source.epoch, counts=counts["rows"])


def _births(lines: Sequence[ColumnLine], refused: Sequence[tuple[str, str]]) -> str:
    told = any("birth" in reason for _, reason in refused)
    if told and all(line.column.name != "birth_year" for line in lines):
        return "birth_year: the file has full dates of birth, which are not read; add a column with the year alone"
    return ""


def _why_this_table(found: TableFound) -> str:
    there = f"{len(found.pairs)} of its {len(found.table.columns)} columns are there"
    return f"{'by its name; ' if found.name else ''}{there}"


def _confidence(found: TableFound) -> Confidence:
    """A table by its name and columns; without a name, one that lacks several needed columns may be another table altogether."""
    if found.columns >= _MUCH or (found.name and found.columns >= _HALF):
        return "certain"
    paired = {pair.column.name for pair in found.pairs}
    lacking = sum(column.needed and column.name not in paired for column in found.table.columns)
    return "likely" if found.name or (found.columns >= _HALF and lacking < _SEVERAL) else "guess"


def _told(read: AsRead) -> str:
    if not read.source.separator:
        return ""
    sign = {"\t": "tabs"}.get(read.source.separator, f"'{read.source.separator}'")
    return f"read as {read.source.encoding}, with {sign} between fields"
