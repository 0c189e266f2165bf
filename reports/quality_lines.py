"""The data-quality summary in brief, for the terminal: plain text, at most MOST_LINES lines."""

from __future__ import annotations

from collections.abc import Iterator

from models.quality_results import QualitySummary
from reports import quality_words
from reports.notation import capital, percent
from reports.quality_words import OddityGroup

MOST_LINES = 45
MOST_OF_A_KIND = 4
MOST_ODD = 8
MOST_MISSING = 6


def quality_lines(summary: QualitySummary) -> tuple[str, ...]:
    """What was used, what to mend first, what was set aside and why, what is missing most, what looks odd."""
    lines = [*_intake(summary), *_mend_first(summary), *_faults(summary), *_missing(summary), *_odd(summary)]
    return tuple(lines[:MOST_LINES])


def _intake(summary: QualitySummary) -> Iterator[str]:
    yield f"{'table':<15}{'read':>10}{'used':>10}{'set aside':>12}   file"
    for t in summary.tables:
        file = t.file or ("" if t.read else "absent")
        yield f"{t.table:<15}{t.read:>10,}{t.used:>10,}{t.set_aside:>12,}   {file}".rstrip()
    period = quality_words.period_sentence(summary)
    yield f"{quality_words.used_sentence(summary)}{f' {period[0].upper()}{period[1:]}.' if period else ''}"


def _mend_first(summary: QualitySummary) -> Iterator[str]:
    first = quality_words.mend_first(summary)
    yield ""
    yield "To mend first"
    if not first:
        yield f" {capital(quality_words.NOTHING_TO_MEND)}"
        return
    for number, m in enumerate(first, start=1):
        yield f" {number}. {' '.join(part for part in (m.what, m.told, m.do) if part)}"


def _faults(summary: QualitySummary) -> Iterator[str]:
    for kind, heading in quality_words.KINDS:
        found = quality_words.of_kind(summary, kind)
        if not found and kind != "row":
            continue
        yield ""
        yield f"{heading}: none" if not found else f"{heading}, by reason"
        for f in found[:MOST_OF_A_KIND]:
            yield f"{f.count:>10,}  {f.table}: {f.reason}  {quality_words.rows_in_brackets(f)}".rstrip()
        if len(found) > MOST_OF_A_KIND:
            rest = found[MOST_OF_A_KIND:]
            yield f"{sum(f.count for f in rest):>10,}  for {len(rest)} other reason{'s' if len(rest) > 1 else ''}"


def _missing(summary: QualitySummary) -> Iterator[str]:
    never = quality_words.never_filled_sentence(summary.missing)
    gaps = [m for m in quality_words.notable(summary.missing) if not m.expected_because]
    most = sorted(gaps, key=lambda m: -(m.overall.share or 0))[:MOST_MISSING]
    if most or never:
        yield ""
    if most:
        told = ", ".join(f"{m.column} {percent(m.overall.share)}" for m in most)
        more = f", and {len(gaps) - len(most)} more" if len(gaps) > len(most) else ""
        yield f"Not recorded or not usable, most often: {told}{more}."
    if never:
        yield never


def _odd(summary: QualitySummary) -> Iterator[str]:
    found = quality_words.groups(summary.oddities)
    yield ""
    yield "Looks odd" if found else "Looks odd: nothing"
    for group in found[:MOST_ODD]:
        yield f"  {_one_line(group)}"
    if len(found) > MOST_ODD:
        yield f"  and {len(found) - MOST_ODD} more on the page"


def _one_line(group: OddityGroup) -> str:
    first = group.shown[0]
    place = ", ".join(part for part in (group.column or group.table, quality_words.where_and_when(first)) if part)
    others = group.more + len(group.shown) - 1
    return f"{group.kind}: {place}: {first.finding}{f' (and {others} more)' if others else ''}"
