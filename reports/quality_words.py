"""The data-quality summary in words: what to mend first, and how each part reads. No polars, no patient row."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from models.quality_results import (
    SMALLEST_GROUP,
    Certainty,
    Fault,
    FaultKind,
    Missing,
    Oddity,
    Part,
    QualitySummary,
)
from reports.notation import ABSENT, HIDDEN, capital, joined, percent
from reports.wording import CAUTIONS

MOST_TO_MEND = 6
OFTEN = 0.01  # share of a table's rows from which one reason for setting aside is told first; ours, no source
BLANKED_OFTEN = 0.05
FEWEST_IN_WORDS = "five"
FEWEST_TO_MEND = 5  # rows: a handful of slips is listed, and no cause to mend first
GAPS_SHOWN = 0.05  # share missing from which a column stands in the heat table
GAP_IN_A_CELL = 0.2
FEWEST_IN_A_CELL = 20
FINDINGS_SHOWN = 3

SUPPRESSED = "Small numbers are suppressed."
# Tables by what a fault in them does to the comparison: attempts are what is compared.
EFFECT = ("attempts", "lesions", "procedures", "patients", "complications", "follow_up")
TABLE_ROWS = {"follow_up": "follow-up rows"}
MAY_BE_ABSENT = ("complications", "follow_up")  # tables without which the approaches can be compared all the same
SOON_MENDED = ("sudden gap", "ends early", "weeks without a procedure")  # kinds that a better export puts right
CERTAINTY: dict[Certainty, str] = {
    "counted": "counted, so that no chance is in it",
    "beyond chance": "beyond chance, as under 1 in 1,000 clean exports would show it",
    "worth a look": "worth a look, as there may be a good reason",
}
INSIDE = (
    "For those who keep the records and those who read the reports. This page stays inside the service: it names sites and tells faults "
    "exactly. Rows are told by their number in the file; no row and no key of a patient is shown."
)
KINDS: tuple[tuple[FaultKind, str], ...] = (
    ("row", "Rows set aside"),
    ("value", "Values blanked (the row stays)"),
    ("warning", "Warnings (the row stays as it is)"),
)
NOTHING_TO_MEND = (
    f"nothing stands out: no reason sets aside both {FEWEST_IN_WORDS} rows and one row in a hundred of a table, and nothing was found that "
    "could change the comparison."
)
# On the other pages small numbers are suppressed; here faults are not.
CAUTIONS_HERE = tuple(
    f"Shares over fewer than {SMALLEST_GROUP} procedures are hidden; faults are counted exactly, so this page stays inside."
    if caution == SUPPRESSED
    else caution
    for caution in CAUTIONS
)


@dataclass(frozen=True, slots=True)
class ToMend:
    """One thing to mend: what it is, what was found, what to do. Sentences, the last two perhaps empty."""

    what: str
    told: str
    do: str


@dataclass(frozen=True, slots=True)
class OddityGroup:
    """Findings of one kind in one column: the first few to be told, and how many more there are."""

    kind: str
    table: str
    column: str
    certainty: Certainty
    ask: str
    shown: tuple[Oddity, ...]
    more: int
    urgent: bool


def nothing_usable(summary: QualitySummary) -> ToMend | None:
    """Why nothing at all can be compared; None when something can be."""
    if summary.used("lesions") and summary.used("attempts"):
        return None
    for table in summary.tables:
        if table.used or table.table in MAY_BE_ABSENT:
            continue
        if table.read == 0:
            what = f"Nothing can be compared: the table {table.table} holds no row."
            return ToMend(what, "", "Export it, or name its file in the mapping.")
        what = f"Nothing can be compared: not one of {table.read:,} rows of {table.table} can be used."
        first = next((f for f in summary.faults if f.table == table.table and f.kind == "row"), None)
        if first is None:
            return ToMend(what, "", "")
        return ToMend(what, f"Most often, in {first.count:,} rows: {first.reason}.", first.advice)
    return None


def mend_first(summary: QualitySummary) -> tuple[ToMend, ...]:
    """The few things that matter most, each with what to do; () where nothing stands out.

    Of rows set aside, and of values blanked, first what the comparison rests on most, then the larger share.
    """
    dead = nothing_usable(summary)
    told = [dead] if dead else []
    aside = [f for f in summary.faults if f.kind == "row" and _often(f, OFTEN) and not _harmless(f)]
    aside.sort(key=_least_effect)
    told += [_fault(f) for f in aside[:3] if not dead or f.reason not in dead.told]
    told += [_odd(g) for g in groups(summary.oddities) if g.urgent or g.kind in SOON_MENDED][:4]
    blanked = [f for f in summary.faults if f.kind == "value" and _often(f, BLANKED_OFTEN)]
    told += [_fault(f) for f in sorted(blanked, key=_least_effect)[:2]]
    return tuple(told[:MOST_TO_MEND])


def used_sentence(summary: QualitySummary) -> str:
    """How many rows were read and how many are used."""
    read, used = sum(t.read for t in summary.tables), sum(t.used for t in summary.tables)
    if read == 0:
        return "No row was read."
    aside = (
        f"; {read - used:,} ({percent((read - used) / read)}) are set aside" if used < read else "; none is set aside"
    )
    return f"{used:,} of {read:,} rows can be used{aside}."


def period_sentence(summary: QualitySummary) -> str:
    """The quarters and the number of sites; "" without a procedure."""
    if not summary.first_quarter:
        return ""
    number, without = summary.named_sites, summary.without_site
    sites = f"{number:,} {'site' if number == 1 else 'sites'}" if number else "sites are not told apart"
    if number and without:
        sites += f"; {without:,} {'procedure' if without == 1 else 'procedures'} without a site"
    when = summary.first_quarter
    if summary.last_quarter != summary.first_quarter:
        when += f" to {summary.last_quarter}"
    return f"procedures from {when}; {sites}"


def groups(oddities: Iterable[Oddity]) -> tuple[OddityGroup, ...]:
    """Findings of one kind and column together, in the order in which the first of each comes."""
    by_column: dict[tuple[str, str, str], list[Oddity]] = {}
    for o in oddities:
        by_column.setdefault((o.kind, o.table, o.column), []).append(o)
    return tuple(
        OddityGroup(
            kind, table, column, found[0].certainty, found[0].ask, tuple(found[:FINDINGS_SHOWN]),
            max(len(found) - FINDINGS_SHOWN, 0), any(o.urgent for o in found),
        )
        for (kind, table, column), found in by_column.items()
    )  # fmt: skip


def where_and_when(oddity: Oddity) -> str:
    """The site and the quarter of a finding: "SITE2, 2024 Q1", "all sites"."""
    return ", ".join(part for part in (oddity.site, oddity.quarter) if part)


def of_kind(summary: QualitySummary, kind: FaultKind) -> tuple[Fault, ...]:
    """The faults of one kind, the most frequent first, those that only follow from another row last."""
    return tuple(sorted((f for f in summary.faults if f.kind == kind), key=_follows))


def row_numbers(fault: Fault) -> str:
    """The first few row numbers in the file ("3, 7 ..."); a dash where there are none."""
    if not fault.first_rows:
        return ABSENT
    more = " ..." if fault.count > len(fault.first_rows) else ""
    return ", ".join(str(row) for row in fault.first_rows) + more


def rows_in_brackets(fault: Fault) -> str:
    """ "(row 183)", "(rows 3, 7 ...)"; "" where there are none."""
    if not fault.first_rows:
        return ""
    return f"({'row' if fault.count == 1 else 'rows'} {row_numbers(fault)})"


def notable(missing: Sequence[Missing]) -> tuple[Missing, ...]:
    """Columns with a gap that is worth a row of the heat table: those that may be empty last, never-filled ones left out."""
    found = [m for m in missing if _worth_a_row(m) and not never_filled(m)]
    return tuple(sorted(found, key=lambda m: bool(m.expected_because)))


def never_filled(m: Missing) -> bool:
    """Whether no row at all has a value, not even one that could not be used."""
    return m.overall.part == m.overall.whole > 0 == m.blanked


def mostly_blanked(m: Missing) -> bool:
    """Whether most of what is missing was recorded and could not be used."""
    return 2 * m.blanked > m.overall.part


def never_filled_sentence(missing: Sequence[Missing]) -> str:
    """The columns that nobody fills in; "" where there are none."""
    names = [f"{m.column} ({m.table})" for m in missing if never_filled(m)]
    return f"Never filled in, or not in the export: {joined(names)}." if names else ""


def share_text(part: Part) -> str:
    """A share missing as it stands in a cell: hidden, nothing to share, or a percentage."""
    if part.hidden:
        return HIDDEN
    share = part.share
    return ABSENT if share is None else "0" if share == 0 else percent(share)


def _worth_a_row(m: Missing) -> bool:
    cells = (*m.by_site, *m.by_period)
    in_a_cell = any(c.whole >= FEWEST_IN_A_CELL and not c.hidden and (c.share or 0) >= GAP_IN_A_CELL for c in cells)
    return (m.overall.share or 0) >= GAPS_SHOWN or in_a_cell


def _often(fault: Fault, share: float) -> bool:
    return fault.count >= max(share * fault.read, FEWEST_TO_MEND)


def _least_effect(fault: Fault) -> tuple[int, float]:
    """Sorts by what the comparison rests on most, then by the larger share of the table."""
    return EFFECT.index(fault.table), -fault.count / max(fault.read, 1)


def _follows(fault: Fault) -> bool:
    return fault.reason.startswith("its ") and fault.reason.endswith("was set aside")


def _harmless(fault: Fault) -> bool:
    """Whether rows were set aside only because of another row, or merely stand twice."""
    return _follows(fault) or fault.reason.startswith("the same row stands earlier")


def _fault(fault: Fault) -> ToMend:
    share = percent(fault.count / fault.read) if fault.read else ABSENT
    done = "are set aside" if fault.kind == "row" else "have a value blanked"
    rows = TABLE_ROWS.get(fault.table, fault.table)
    return ToMend(f"{fault.count:,} of {fault.read:,} {rows} ({share}) {done}: {fault.reason}.", "", fault.advice)


def _odd(group: OddityGroup) -> ToMend:
    first = group.shown[0]
    others = group.more + len(group.shown) - 1
    place = ", ".join(part for part in (group.column or group.table, where_and_when(first)) if part)
    more = f" {others} more such finding{'s' if others > 1 else ''} below." if others else ""
    return ToMend(f"{capital(group.kind)}: {place}.", first.finding + more, group.ask)
