"""A draft as the text of a mapping file: what is sure is written to be used, what is not stands behind '# decide:' and is not."""

from __future__ import annotations

import re
from collections.abc import Iterator

from pipeline.case_tables import TABLES, Column
from pipeline.draft.lines import CodeLine, Draft, TableDraft

HEAD = """\
# A first mapping, drafted from the headers and values of the export. Read it line by line before it is used.
#
# certain, likely  used as they stand; the reason is beside each.
# decide           not used until you decide: mend the line if need be, and take "# decide: " away.
# "7" = "?"        a code that is not known: write one of the codes named above it in place of the question mark, and take "# " away.
#
# Codes that stand on few rows are not shown here, as a value met once could be a patient's.
"""
_DECIDE = "# decide: "
_UNKNOWN_CODE = re.compile(r'# ".*" = "\?"')


def written(draft: Draft) -> str:
    """The mapping file's text. It loads as it stands, whatever the headers and codes of the export are."""
    parts = [HEAD.rstrip("\n")]
    parts.append(
        f"# The export looks {draft.language}." if draft.language else "# The language of the export is not known."
    )
    parts += [_table(table) for table in draft.tables]
    rest = [*_absent(draft), *_left_over(draft)]
    if rest:
        parts.append("\n".join(rest))
    return "\n\n".join(parts) + "\n"


def in_short(draft: Draft) -> str:
    """The draft in one sentence: what was found, how many lines say decide, how many codes are unknown, and what is needed and missing."""
    found = sum(line.used for table in draft.tables for line in table.columns)
    ours = sum(len(table.columns) for table in TABLES)
    lines = written(draft).splitlines()
    waiting = sum(line.startswith(_DECIDE) for line in lines)
    codes = sum(bool(_UNKNOWN_CODE.match(line)) for line in lines)
    needed = [
        f"{table.table.name}.{column.name}" for table in draft.tables for column in table.missing if column.needed
    ]
    told = [
        f"{len(draft.tables)} of {len(TABLES)} tables and {found} of {ours} columns found",
        "1 line waits for your decision" if waiting == 1 else f"{waiting:,} lines wait for your decision",
    ]
    if codes:
        told.append("1 code is not known" if codes == 1 else f"{codes:,} codes are not known")
    if needed:
        told.append(f"needed and not found: {', '.join(needed)}")
    return "; ".join(told)


def _table(table: TableDraft) -> str:
    name = table.table.name
    body = [*_sources(table), *_manner(table), *_drops(table)]
    body += _section(f"[{name}.columns]  # ours = theirs", _columns(table))
    body += _section(f"[{name}.units]  # the unit theirs is written in", _units(table))
    for column in table.table.columns:
        if column.name in table.codes:
            body += _codes(table, column)
    body += _section(f"[{name}.constants]  # columns that the file does not have", _constants(table))
    head = [f"# ---- {name}: {_bare(_place(table))} ({table.confidence}: {_bare(table.reason)})"]
    head += [f"# {_bare(table.told)}"] if table.told else []
    head += [f"# note: {_bare(note)}" for note in table.notes]
    body.insert(0, f"[{name}]" if body else "# In the dictionary's layout: nothing to translate.")
    if table.confidence == "guess":
        # The file itself is in doubt: nothing of it is used until that is decided.
        body = [line if line.startswith("#") or not line else f"{_DECIDE}{line}" for line in body]
    return "\n".join([*head, *body, *_missing(table)])


def _place(table: TableDraft) -> str:
    return f"{table.file}, sheet {table.sheet}" if table.sheet else table.file


def _sources(table: TableDraft) -> Iterator[str]:
    if table.named:
        yield f"file = {quoted(table.file)}"
        if table.sheet is not None:
            yield f"sheet = {quoted(table.sheet)}"


def _manner(table: TableDraft) -> Iterator[str]:
    numbers, dates = table.numbers, table.dates
    if numbers.note:
        yield f"# {_bare(numbers.note)}"
    for setting, sign in (("decimal", numbers.decimal), ("thousands", numbers.thousands)):
        if sign is not None:
            yield f"{setting} = {quoted(sign)}  # {numbers.confidence}: {_bare(numbers.reason)}"
    yield from (f"{_DECIDE}{setting} = {quoted(sign)}" for setting, sign in numbers.choices)
    if dates.note:
        yield f"# {_bare(dates.note)}"
    if dates.pattern is not None:
        yield f"dates = {quoted(dates.pattern)}  # {dates.confidence}: {_bare(dates.reason)}"
    yield from (f"{_DECIDE}dates = {quoted(choice)}" for choice in dates.choices)


def _drops(table: TableDraft) -> Iterator[str]:
    if table.drops:
        yield "drop = ["
        yield from (f"    {quoted(header)},  # {_bare(reason)}" for header, reason in table.drops)
        yield "]"


def _columns(table: TableDraft) -> Iterator[str]:
    for line in table.columns:
        if line.own:
            continue
        told = f"{line.column.name} = {quoted(line.header)}  # {line.confidence}: {_bare(line.reason)}"
        yield told if line.used else f"{_DECIDE}{told}; {_bare(line.doubt)}"


def _units(table: TableDraft) -> Iterator[str]:
    for line in table.columns:
        unit = line.unit
        if unit is None:
            continue
        if unit.unit is not None and unit.unit != line.column.unit:
            told = f"{line.column.name} = {quoted(unit.unit)}  # {'certain' if unit.sure else 'likely'}: {_bare(unit.reason)}"
            yield told if line.used else f"{_DECIDE}{told}"
        elif unit.unit is None and line.doubt:
            for one in unit.instead or (line.column.unit,):
                yield f"{_DECIDE}{line.column.name} = {quoted(one)}  # {_bare(unit.reason)}"


def _codes(table: TableDraft, column: Column) -> Iterator[str]:
    """The codes stand there to be used even where the column itself is to be decided: without it they do nothing."""
    found = table.codes[column.name]
    accepted = ", ".join(column.codes) or ("true, false" if column.type == "bool" else "the grades of the scale")
    # Without a code, a section is needed only where it keeps ours from being read into what is not known.
    if found.lines or column.type == "bool":
        yield ""
        yield f"[{table.table.name}.codes.{column.name}]  # theirs = ours: {accepted}"
    yield from map(_code, found.lines)
    if found.unshown:
        many = "1 value is" if found.unshown == 1 else f"{found.unshown} values are"
        yield f"# {column.name}: {many} not shown (on few rows, long, or not like a code); look in the file"


def _code(code: CodeLine) -> str:
    if code.ours is None:
        rows = f"({code.rows:,} rows)" if code.rows is not None else ""
        told = " ".join(part for part in (_bare(code.reason), rows) if part)
        return f'# {quoted(code.theirs)} = "?"' + (f"  # {told}" if told else "")
    told = f"{quoted(code.theirs)} = {quoted(code.ours)}  # {code.confidence}: {_bare(code.reason)}"
    return f"{_DECIDE}{told}" if code.confidence == "guess" else told


def _constants(table: TableDraft) -> Iterator[str]:
    for constant in table.constants:
        told = f"{constant.column} = {quoted(constant.value)}  # {'likely: ' if constant.used else ''}{_bare(constant.reason)}"
        yield told if constant.used else f"{_DECIDE}{told}"


def _missing(table: TableDraft) -> Iterator[str]:
    needed = [column.name for column in table.missing if column.needed]
    others = [column.name for column in table.missing if not column.needed]
    if needed or others or table.unused or table.unnamed:
        yield ""
    if needed:
        yield f"# Ours that are needed and were not found: {', '.join(needed)}"
    if others:
        yield f"# Ours that were not found: {', '.join(others)}"
    if table.unused:
        yield f"# Theirs that are not used: {', '.join(quoted(header) for header in table.unused)}"
    if table.unnamed:
        many = "1 more column is" if table.unnamed == 1 else f"{table.unnamed} more columns are"
        yield f"# {many} not used; the header may be a patient's value and is not shown"


def _absent(draft: Draft) -> Iterator[str]:
    for table, mixed in draft.absent:
        yield f'# No file was found for {table.name}. If there is one: [{table.name}] file = "..."'
        if mixed:
            yield f"# note: {_bare(mixed)} has columns of {table.name} too; {table.meaning.lower().rstrip('.')}: export it as a file of its own"


def _left_over(draft: Draft) -> Iterator[str]:
    if draft.spare:
        yield f"# Files and sheets that are not used: {', '.join(quoted(name) for name in draft.spare)}"
    yield from (f"# note: {_bare(fault)}" for fault in draft.faults)


def _section(head: str, lines: Iterator[str]) -> list[str]:
    body = list(lines)
    if not body:
        return []
    # A section of nothing but decisions needs its head all the same, for the line that is decided to belong somewhere.
    return ["", head, *body]


def quoted(text: str) -> str:
    """The text as a TOML string on one line, whatever signs are in it."""
    return '"' + "".join(_sign(sign) for sign in text) + '"'


def _sign(sign: str) -> str:
    if sign in ('"', "\\"):
        return f"\\{sign}"
    return sign if sign.isprintable() else f"\\U{ord(sign):08x}"


def _bare(text: str) -> str:
    """The text as part of a comment."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)
