"""docs/malformed_input.md, written from the cases and what became of them: `python -m tests.malformed > docs/malformed_input.md`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import pairwise

from tests.malformed.case import Case, Family, Told
from tests.malformed.families import FAMILIES
from tests.malformed.fuzzing import LONG, SHORT
from tests.malformed.intake import Outcome, outcome_of
from tests.malformed.sound import sound_cells

_OPENING = """# Malformed input

For whoever prepares an export, and for whoever judges whether its numbers can be believed: what Crosswise does with each of {cases}
ways in which an export was made wrong on purpose. This page is written from the cases in `tests/malformed/` and from what the
intake really did with them, by `python -m tests.malformed > docs/malformed_input.md`; a test fails when it is out of date.

Each case is one small sound invented export (six tables, {rows} rows) with one thing done to it. It is read, checked and summed up as
`crosswise check` does it; one of each kind also goes through the command itself. Asked of every case:

- It is read, or it stops with a line for each thing to mend. It never ends in a trace, never hangs, and no message shows what stands in a cell.
- For each table, rows read = rows used + rows set aside, and rows read are the records that the file holds, counted without the reader.
- Every value that is used is the one that the sound export has under that key, or a list says that it was blanked, or a note says how it was
  read. Where an export differs from the sound one and looks whole all the same, this is marked *differs* below, with the reason.

| what became of them | cases |
|---|---|
{counts}

Beside these, {short} random damages, and then {long}, are tried before a release (`make validate`): bytes changed, cut out and put elsewhere in CSV,
gzip, XLSX, Parquet, Stata, SPSS and SAS files, cells with any text, mapping files of any fragments, any separators and quotation marks.
What holds for the cases must hold for them; a cell that was not touched keeps its value or is listed.

Row numbers are those of the file: the header is row 1. Rows that go with a row they belong to (an attempt with its lesion) are counted as carried
along."""

_KINDS = {
    "read right": "read right: nothing is lost, and what was found out about the file is told",
    "read as it stands": "read as it stands, since it looks whole: what differs, and why nobody can know, is said below",
    "warned": "used as it is, with a warning",
    "values blanked": "single values blanked, each listed with its reason",
    "rows set aside": "rows set aside, each listed with its reason",
    "stops": "stops with a line that says what to mend",
}
_MOST_LINES = 2
_LONGEST = 300  # characters of a name or a line that are shown whole
_DONE: dict[str, tuple[tuple[Case, Outcome], ...]] = {}
_UNSEEN = {ord(sign): name for sign, name in (("\n", "\\n"), ("\t", "\\t"), ("|", "\\|"))}


def malformed_page() -> str:
    """The page in Markdown."""
    return "\n\n".join([opening(), *map(section, FAMILIES)]) + "\n"


def opening() -> str:
    """What the page is about, with its counts: those of the outcomes that are expected, which the tests hold every case to."""
    cases = [case for family in FAMILIES for case in family.cases]
    kinds = Counter(case.kind for case in cases)
    counts = [f"| {words} | {kinds[kind]} |" for kind, words in _KINDS.items()]
    counts.append(f"| all | {len(cases)} |")
    return _OPENING.format(
        cases=len(cases),
        rows=sum(len(rows) - 1 for rows in sound_cells().values()),
        counts="\n".join(counts),
        short=f"{SHORT.total:,}",
        long=f"{LONG.total:,}",
    )


def section(family: Family) -> str:
    """One family's heading and table."""
    lines = [
        f"| {_plain(case.name)} | {'; '.join(_told(case, done))} | {_rows(case, done)} |"
        for case, done in outcomes(family)
    ]
    head = ["| what is wrong | what becomes of it | rows read = used + set aside |", "|---|---|---|"]
    return "\n".join([f"## {family.title}", "", *head, *lines])


def outcomes(family: Family) -> tuple[tuple[Case, Outcome], ...]:
    """The family's cases with what became of them; done once in a process."""
    if family.title not in _DONE:
        _DONE[family.title] = tuple((case, outcome_of(case)) for case in family.cases)
    return _DONE[family.title]


def _told(case: Case, outcome: Outcome) -> Iterable[str]:
    if outcome.stops:
        yield "stops: " + ", ".join(f"`{_shown(line)}`" for line in outcome.stops[:_MOST_LINES])
        if len(outcome.stops) > _MOST_LINES:
            yield f"{len(outcome.stops) - _MOST_LINES} more such lines"
        return
    if outcome.kind in ("read right", "read as it stands"):
        yield outcome.kind
    yield from _listed(outcome.aside, "set aside")
    if outcome.carried:
        yield f"{outcome.carried} row{'s' if outcome.carried > 1 else ''} carried along"
    yield from _listed(outcome.blanked, "blanked")
    yield from _listed(outcome.warned, "warned of")
    for table, notes in outcome.notes.items():
        told = [note for note in notes if note not in ("", "utf-8")]
        yield f"told of {table}: {_plain(', '.join(told))}"
    for reason in dict.fromkeys(case.untold.get(where, "") for where in outcome.untold):
        places = ", ".join(where for where in outcome.untold if case.untold.get(where, "") == reason)
        yield f"*differs*: {places} ({reason})"


def _listed(told: Told, what: str) -> Iterable[str]:
    for table, reasons in told.items():
        for reason, rows in reasons.items():
            yield f"{table} {_in_words(rows)} {what}: *{_plain(reason)}*"


def _in_words(rows: Sequence[int]) -> str:
    """Row numbers with runs taken together: "rows 2 to 5, 9"."""
    starts = [rows[0], *(after for before, after in pairwise(rows) if after != before + 1)]
    ends = [*(before for before, after in pairwise(rows) if after != before + 1), rows[-1]]
    runs = [
        str(a) if a == b else f"{a}, {b}" if b == a + 1 else f"{a} to {b}" for a, b in zip(starts, ends, strict=True)
    ]
    return f"row{'s' if len(rows) > 1 else ''} {', '.join(runs)}"


def _rows(case: Case, outcome: Outcome) -> str:
    """Of the table that most rows were set aside of; of all tables together where none were."""
    counts = outcome.counts
    if not counts:
        return ""
    told = [name for name in counts if name in outcome.aside or name in outcome.blanked or name in case.records]
    one = max(told, key=lambda name: counts[name].set_aside) if told else None
    if one is None:
        return f"all: {sum(c.read for c in counts.values())} = {sum(c.used for c in counts.values())} + {sum(c.set_aside for c in counts.values())}"
    return f"{one}: {counts[one].read} = {counts[one].used} + {counts[one].set_aside}"


def _plain(text: str) -> str:
    """Text for a cell of the page, in which no sign means anything to the page itself."""
    return _shown(text).replace("&", "&amp;").replace("<", "&lt;")


def _shown(text: str) -> str:
    """Text in which signs that nobody sees are shown by their number, with long stretches cut."""
    shown = "".join(sign if sign.isprintable() or sign in "\n\t" else f"\\u{ord(sign):04x}" for sign in text)
    shown = shown.translate(_UNSEEN)
    return shown if len(shown) <= _LONGEST else f"{shown[:120]}...{shown[-120:]}"
