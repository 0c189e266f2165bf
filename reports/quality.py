"""The data-quality page: one file without a script, that says what to mend first and where to find it."""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass

from markupsafe import Markup

from models.quality_results import (
    FEWEST_FOR_ENDS,
    SMALLEST_GROUP,
    CodeSpread,
    FaultKind,
    Missing,
    NumberSpread,
    Part,
    QualitySummary,
    Volume,
)
from reports import quality_words, sheet
from reports.notation import ABSENT, HIDDEN, count, percent, unbroken
from reports.table_text import Table
from reports.wording import CAVEAT

NUMBERS_NOTE = f"* not shown: fewer than {SMALLEST_GROUP} values ({FEWEST_FOR_ENDS} for the fifth smallest and largest), or the ends of the years of birth."
HIDDEN_NOTE = f"* not shown: fewer than {SMALLEST_GROUP} procedures."
# Steps of the heat table: the share missing from which a cell has the shade. The number stands in the cell as well.
HEAT_STEPS = (0.05, 0.2, 0.5, 0.8)


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of the heat table: its text and the class of its shade."""

    text: str
    shade: str


@dataclass(frozen=True, slots=True)
class HeatTable:
    """Shares missing by column and by site, or by period. `rows` are (column, table, marks, cells)."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, str, str, tuple[Cell, ...]], ...]

    @property
    def has_hidden(self) -> bool:
        """Whether a cell is hidden, so that the footnote is needed."""
        return any(cell.text == HIDDEN for *_, cells in self.rows for cell in cells)


def quality_page(summary: QualitySummary) -> str:
    """The summary as one HTML document; the same summary gives the same bytes."""
    css = sheet.style("page.css", "quality.css")
    digest = base64.b64encode(hashlib.sha256(f"\n{css}\n".encode()).digest()).decode()
    missing = quality_words.notable(summary.missing)
    return sheet.template("quality.html").render(
        s=summary,
        policy=f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none'; form-action 'none'",
        style=Markup(css),  # noqa: S704 - our own files
        used=quality_words.used_sentence(summary),
        period=quality_words.period_sentence(summary),
        nothing_usable=quality_words.nothing_usable(summary),
        mend_first=quality_words.mend_first(summary),
        inside=quality_words.INSIDE,
        intake=_intake(summary),
        faults=[faults for kind, title in quality_words.KINDS if (faults := _faults(summary, kind, title)).rows],
        heat=_heat_tables(summary, missing),
        heat_by_site=_by_site_and_period(summary, missing),
        never_filled=quality_words.never_filled_sentence(summary.missing),
        nothing_to_mend=quality_words.NOTHING_TO_MEND,
        may_be_empty=any(m.expected_because for m in missing),
        mostly_blanked=any(quality_words.mostly_blanked(m) for m in missing),
        groups=quality_words.groups(summary.oddities),
        certainty=quality_words.CERTAINTY,
        where_and_when=quality_words.where_and_when,
        volumes=_volumes(summary.volumes),
        numbers=_numbers(summary.numbers),
        codes=[(name, _codes(summary.codes, name)) for name in dict.fromkeys(c.table for c in summary.codes)],
        hidden_note=HIDDEN_NOTE,
        numbers_note=NUMBERS_NOTE,
        caveat=CAVEAT,
        cautions=quality_words.CAUTIONS_HERE,
    )


def shade(part: Part) -> str:
    """The class of a cell: heat-0 (nearly complete) to heat-4, or "heat-none" where no share is told."""
    share = part.share
    # Rounded as it is printed, so that a cell of 5% has the shade of 5%.
    return "heat-none" if share is None else f"heat-{sum(round(share, 2) >= step for step in HEAT_STEPS)}"


def _intake(summary: QualitySummary) -> Table:
    rows: list[tuple[str, ...]] = [
        (
            t.table,
            count(t.read),
            count(t.used),
            count(t.set_aside),
            t.file or (ABSENT if t.read else "not exported"),
            "; ".join(t.detected) or ABSENT,
        )
        for t in summary.tables
    ]
    totals = [sum(getattr(t, part) for t in summary.tables) for part in ("read", "used", "set_aside")]
    rows.append(("together", *(count(total) for total in totals), "", ""))
    return Table(
        "Rows read = used + set aside",
        ("Table", "Read", "Used", "Set aside", "File", "Found out in reading"),
        tuple(rows),
        frozenset({0, 4, 5}),
        (*[""] * len(summary.tables), "sum"),
    )


def _faults(summary: QualitySummary, kind: FaultKind, title: str) -> Table:
    found = quality_words.of_kind(summary, kind)
    return Table(
        title,
        ("Why", "Table", "Values" if kind == "value" else "Rows", "First row numbers", "What to do"),
        tuple((f.reason, f.table, count(f.count), quality_words.row_numbers(f), f.advice) for f in found),
        frozenset({0, 1, 3, 4}),
    )


def _heat_tables(summary: QualitySummary, missing: tuple[Missing, ...]) -> tuple[HeatTable, ...]:
    if not missing:
        return ()
    tables = [
        _heat("Share not recorded or not usable, by quarter of the procedure", summary.periods, missing, by_site=False)
    ]
    if len(summary.sites) > 1:
        more = f". The {summary.more_sites:,} smaller sites are in quality.csv." if summary.more_sites else ""
        tables.append(_heat(f"Share not recorded or not usable, by site{more}", summary.sites, missing, by_site=True))
    return tuple(tables)


def _heat(caption: str, heads: tuple[str, ...], missing: tuple[Missing, ...], *, by_site: bool) -> HeatTable:
    rows = []
    for m in missing:
        parts = (m.overall, *(m.by_site if by_site else m.by_period))
        rows.append((m.column, m.table, _marks(m), tuple(_cell(p) for p in parts)))
    return HeatTable(caption, ("All", *heads), tuple(rows))


def _by_site_and_period(summary: QualitySummary, missing: tuple[Missing, ...]) -> tuple[HeatTable, ...]:
    """A table for each site, for a reader who wants to know where and when; folded away on the page."""
    if len(summary.sites) < 2 or not missing:
        return ()
    return tuple(
        HeatTable(
            f"{site}: share not recorded or not usable, by quarter of the procedure",
            ("All", *summary.periods),
            tuple(
                (
                    m.column,
                    m.table,
                    _marks(m),
                    tuple(_cell(p) for p in (m.by_site[i], *m.by_site_and_period[i])),
                )
                for m in missing
            ),
        )
        for i, site in enumerate(summary.sites)
    )


def _marks(m: Missing) -> str:
    return ("†" if m.expected_because else "") + ("‡" if quality_words.mostly_blanked(m) else "")


def _cell(part: Part) -> Cell:
    return Cell(quality_words.share_text(part), shade(part))


def _volumes(volumes: tuple[Volume, ...]) -> Table:
    def row(v: Volume) -> tuple[str, ...]:
        if v.procedures is None:
            return (v.label, *(HIDDEN,) * 6)
        per_lesion = ABSENT if v.attempts_per_lesion is None else f"{v.attempts_per_lesion:.2f}"
        shares = (v.without_attempt, v.from_below, v.crossed)
        told = (ABSENT if share is None else percent(share) for share in shares)
        return (v.label, count(v.procedures), count(v.lesions), per_lesion, *told)

    return Table(
        "What the tables say was done. If it is not what you know of the service, something is missing or misread.",
        (
            "",
            "Procedures",
            "Lesions",
            "Attempts per lesion",
            "Lesions without attempt",
            "Attempts from below",
            "Attempts that crossed",
        ),
        tuple(row(v) for v in volumes),
        row_classes=tuple("sum" if v.kind == "all" else "" for v in volumes),
    )


def _numbers(numbers: tuple[NumberSpread, ...]) -> Table:
    def row(n: NumberSpread) -> tuple[str, ...]:
        limits = [_number(limit, n.unit) for limit in n.limits or ()]
        accepted = unbroken(" to ".join(limits)) if limits else ABSENT
        told = (n.median, n.lower_quartile, n.upper_quartile, n.low_end, n.high_end)
        if n.median is None:
            texts = [HIDDEN if n.n else ABSENT] * 3
        else:
            median, lower, upper, least, most = (_number(value, n.unit) for value in told)
            ends = HIDDEN if n.low_end is None else unbroken(f"{least} to {most}")
            texts = [median, unbroken(f"{lower} to {upper}"), ends]
        return (n.column, count(n.n), count(n.missing), *texts, accepted)

    return Table(
        "Numbers as they were read, in the unit that the column is named by: a unit that was forgotten in the mapping shows in the median",
        ("Column", "Recorded", "Missing", "Median", "Middle half", "Fifth smallest to fifth largest", "Accepted"),
        tuple(row(n) for n in numbers),
    )


def _number(value: float | None, unit: str) -> str:
    """Whole from 100 on, three figures below; a year without a separator."""
    if value is None:
        return ABSENT
    if unit == "year":
        return f"{value:.0f}"
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"


def _codes(codes: tuple[CodeSpread, ...], table: str) -> Table:
    def told(c: CodeSpread) -> str:
        recorded = sum(number for _, number in c.codes)
        if not recorded:
            return ABSENT
        if recorded < SMALLEST_GROUP:
            return HIDDEN
        return ", ".join(f"{code.replace('_', ' ')} {percent(number / recorded)}" for code, number in c.codes)

    return Table(
        f"{table}: codes as they were read through the mapping",
        ("Column", "Recorded", "Missing", "Codes"),
        tuple((c.column, count(c.n - c.missing), count(c.missing), told(c)) for c in codes if c.table == table),
        frozenset({0, 3}),
    )
