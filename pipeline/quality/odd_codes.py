"""Codes and gaps that change suddenly: a code that takes over or vanishes, a column that empties, a site that never varies."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from models.level_shifts import SMALLEST_CHANGE, WINDOW, Shift, never_varies, shifts
from models.quality_results import NO_SITE
from pipeline.features import FEATURES
from pipeline.quality.odd_findings import Finding, Found, percent
from pipeline.quality.tallies import ATTEMPTS_COLUMN, Tally
from pipeline.quality.when_and_where import Places

Ints = NDArray[np.int64]

# Columns whose gaps have a reason, with the reason as it is printed.
MAY_BE_EMPTY = {
    ("procedures", "planned_approach"): "only where the site writes the plan down",
    ("procedures", "operator_id"): "only where operators are told apart",
    ("lesions", "target_angiosome"): "only where there is a wound",
    ("complications", "attempt_id"): "only where it can be tied to one attempt",
    ("complications", "complication_date"): "only where it is another day than the procedure's",
    ("follow_up", "side"): "not where the event concerns the whole patient",
    ("follow_up", "lesion_id"): "only where the event concerns one lesion",
}
# Columns in which every service has more than one value: all rows alike there are a sign of a default. Common practice, no source.
ALWAYS_VARIES = (
    *((("patients", c)) for c in ("sex", "diabetes", "renal", "smoking", "coronary_disease", "ambulatory")),
    *((("procedures", c)) for c in ("side", "rutherford", "wound", "ischemia")),
    *((("lesions", c)) for c in ("segment", "proximal_cap", "distal_cap", "runoff_vessels")),
    *((("attempts", c)) for c in ("approach", "crossed", "stopped_because", "access_site")),
)
# A patient's follow-up rows have one side: a handful of patients would pass for many rows.
OF_ONE_PATIENT = (("follow_up", "side"),)
FEWEST_ALIKE = 50  # rows that must all be alike before it is told; ours, no source
EMPTY = 0.98  # share missing from which a column counts as never filled in; ours, no source
FILLED_ELSEWHERE = 0.5
MANY_SITES = (
    0.6  # share of the sites that change in one quarter, from which the change is the whole export's; ours, no source
)
SEVERAL_COLUMNS = 3

# Columns without which the comparison is less fair; calcium_scale and calcium_grade are what the feature calcium is read from.
COMPARED = frozenset({f.name for f in FEATURES if f.adjust_because is not None}) | {
    "calcium_scale",
    "calcium_grade",
    "approach",
    "crossed",
    ATTEMPTS_COLUMN,
}

_ASK_CHANGE = (
    "Ask the data manager of the site what changed then: a new form, a new coding rule, a new export. If the meaning changed, "
    "translate each period by its own mapping."
)
_ASK_SCALE = "Ask the site whether it went over to another scale then. If so nothing needs mending: each grade is read on its own scale."
_ASK_NEVER = "Ask the site whether this is how it works, or whether the form fills in one answer by itself."
_ASK_GAP = "Ask the data manager whether the column was left out of the export, renamed, or no longer asked for."
_ASK_EMPTY = "Ask the site whether it is recorded under another name, and add it to the export and the mapping."


def sudden_changes(tallies: Sequence[Tally], where: Places) -> Found:
    """Codes whose share jumps, vanishes, appears or stands out in one quarter, and sites where all rows are alike."""
    found: list[Finding] = []
    looks = 0
    for tally in tallies:
        if tally.at is None or (tally.table, tally.column) in OF_ONE_PATIENT:
            continue
        totals = tally.at.sum(axis=2)
        seen = shifts(_with_all_sites(tally.at), _with_all_sites(totals))
        alike, more = never_varies(tally.at, totals) if _must_vary(tally) else ([], 0)
        looks += seen.looks + more
        named = [*_most_striking(seen.found), *alike]
        found += [_change(tally, shift, where) for shift in named]
    kept = _each_place_once(Found(tuple(found), looks).beyond_chance().findings)
    return Found((*_of_all_sites(kept, where), *_always_alike(tallies)), looks)


def sudden_gaps(tallies: Sequence[Tally], where: Places) -> Found:
    """Columns that empty or fill suddenly, that one site never fills in, and that nobody does."""
    found: list[Finding] = []
    looks = 0
    for tally in tallies:
        if tally.of_scale or tally.column == ATTEMPTS_COLUMN:
            continue
        if tally.never_recorded:
            found.append(_never_filled(tally))
            continue
        totals = where.rows[tally.table]
        empty = set(_empty_sites(tally, totals))
        found += [_not_filled_at(tally, where.sites[site], int(totals[site].sum())) for site in empty]
        # A value that was blanked was recorded: it is told among the faults, and is no gap.
        seen = shifts(_with_all_sites(tally.unrecorded_at[:, :, None]), _with_all_sites(totals))
        looks += seen.looks
        found += [_gap(tally, shift, where) for shift in _most_striking(seen.found) if shift.site not in empty]
    kept = _each_place_once(Found(tuple(found), looks).beyond_chance().findings)
    return Found(tuple(_of_all_sites(_of_several_columns(kept), where)), looks)


def _with_all_sites(counts: Ints) -> Ints:
    """Counts by site first, with all sites together as one more: what changes everywhere may be too little at each."""
    return np.concatenate([counts, counts.sum(axis=0, keepdims=True)]) if len(counts) > 1 else counts


def _each_place_once(findings: Sequence[Finding]) -> list[Finding]:
    """Without what was found for all sites together where single sites show it."""
    at_sites = {(f.table, f.column) for f in findings if f.site}
    return [f for f in findings if f.site or (f.table, f.column) not in at_sites]


def _must_vary(tally: Tally) -> bool:
    return tally.column not in ("calcium_scale", "planned_approach") and not tally.of_scale


def _most_striking(found: Sequence[Shift]) -> list[Shift]:
    """One change a site: the one that chance explains least."""
    best: dict[int, Shift] = {}
    for shift in sorted(found, key=lambda s: (s.p_value, -abs(s.after - s.before))):
        best.setdefault(shift.site, shift)
    return list(best.values())


def _change(tally: Tally, shift: Shift, where: Places) -> Finding:
    site, quarter = _site(where, shift.site), "" if shift.quarter < 0 else where.quarters[shift.quarter]
    code = tally.labels[shift.code].replace("_", " ")
    told, kind = f"“{code}” ", "coding change"
    other = "" if shift.quarter < 0 else _counterpart(tally, shift)
    if shift.quarter < 0:
        kind = "never varies"
        told = f"Every one of {shift.n:,} rows says “{code}”; at the other sites {percent(shift.before)} do."
    elif shift.kind == "gone":
        told += (
            f"was {percent(shift.before)} before {quarter}; of the {shift.n:,} rows since then not one has it{other}."
        )
    elif shift.kind == "new":
        told += f"is {percent(shift.after)} from {quarter} on; of the {shift.n:,} rows before not one has it{other}."
    elif shift.kind == "quarter":
        kind = "odd quarter"
        told += f"is {percent(shift.after)} of {shift.n:,} rows in {quarter} alone, {percent(shift.before)} in the quarters around it."
    else:
        verb = "rises" if shift.after > shift.before else "falls"
        told += f"{verb} from {percent(shift.before)} to {percent(shift.after)} with {quarter}{other}."
    return Finding(
        kind,
        tally.table,
        tally.name,
        told,
        _ASK_NEVER if kind == "never varies" else _ASK_SCALE if tally.column == "calcium_scale" else _ASK_CHANGE,
        f"share of {tally.labels[shift.code]}",
        shift.after,
        shift.n,
        site=site,
        quarter=quarter,
        chance=shift.p_value,
        urgent=tally.column in COMPARED and tally.column != "calcium_scale",
    )


def _counterpart(tally: Tally, shift: Shift) -> str:
    """The code that makes room or takes over, where there is one: "; “mild” falls from 60% to 5%"."""
    if tally.at is None or len(tally.labels) < 3:
        return ""
    at, q = _with_all_sites(tally.at)[shift.site], shift.quarter
    before, after = at[max(q - WINDOW, 0) : q].sum(axis=0), at[q : q + WINDOW].sum(axis=0)
    was, now = before / max(before.sum(), 1), after / max(after.sum(), 1)
    change = (now - was) * (-1 if shift.after > shift.before else 1)
    change[shift.code] = 0.0
    other = int(change.argmax())
    if change[other] < SMALLEST_CHANGE / 2:
        return ""
    verb = "rises" if now[other] > was[other] else "falls"
    return f"; “{tally.labels[other].replace('_', ' ')}” {verb} from {percent(was[other])} to {percent(now[other])}"


def _gap(tally: Tally, shift: Shift, where: Places) -> Finding:
    quarter = where.quarters[shift.quarter]
    when = f"in {quarter} alone" if shift.kind == "quarter" else f"from {quarter} on"
    before = "in the quarters around it" if shift.kind == "quarter" else "before"
    return Finding(
        "sudden gap" if shift.after > shift.before else "gap closed",
        tally.table,
        tally.name,
        f"Not recorded in {percent(shift.after)} of rows {when}, {percent(shift.before)} {before}.",
        _ASK_GAP
        if shift.after > shift.before
        else "Ask whether it is now truly recorded, or whether an empty field is exported as an answer.",
        "share missing",
        shift.after,
        shift.n,
        site=_site(where, shift.site),
        quarter=quarter,
        chance=shift.p_value,
        urgent=tally.column in COMPARED and shift.after > shift.before,
    )


def _empty_sites(tally: Tally, totals: Ints) -> Iterator[int]:
    """Sites that never fill the column in though the others do."""
    missing, rows = tally.unrecorded_at.sum(axis=1), totals.sum(axis=1)
    for site in np.flatnonzero((rows >= FEWEST_ALIKE) & (missing >= EMPTY * rows)):
        others = rows.sum() - rows[site]
        if others and (missing.sum() - missing[site]) / others < FILLED_ELSEWHERE:
            yield int(site)


def _not_filled_at(tally: Tally, site: str, rows: int) -> Finding:
    reason = MAY_BE_EMPTY.get((tally.table, tally.column))
    return Finding(
        "never filled in",
        tally.table,
        tally.name,
        f"This site does not fill it in ({rows:,} rows); the others do."
        + (f" It may be empty: {reason}." if reason else ""),
        _ASK_EMPTY,
        "share missing",
        1.0,
        rows,
        site=site,
        certainty="counted",
        urgent=tally.column in COMPARED,
    )


def _never_filled(tally: Tally) -> Finding:
    return Finding(
        "never filled in",
        tally.table,
        tally.name,
        f"Not recorded in any of {tally.rows:,} rows.",
        _ASK_EMPTY,
        "share missing",
        1.0,
        tally.rows,
        certainty="counted",
        urgent=tally.column in COMPARED,
    )


def _always_alike(tallies: Sequence[Tally]) -> Iterator[Finding]:
    for tally in tallies:
        recorded = sum(tally.counts)
        if (tally.table, tally.column) in ALWAYS_VARIES and recorded >= FEWEST_ALIKE and max(tally.counts) == recorded:
            code = tally.labels[tally.counts.index(recorded)].replace("_", " ")
            yield Finding(
                "never varies",
                tally.table,
                tally.name,
                f"Every one of {recorded:,} rows says “{code}”.",
                _ASK_NEVER,
                f"share of {code}",
                1.0,
                recorded,
                certainty="counted",
                urgent=tally.column in COMPARED,
            )


def _of_several_columns(findings: Sequence[Finding]) -> list[Finding]:
    """Gaps of one table that open in one quarter at one site are one finding: they have one cause."""
    groups: dict[tuple[str, ...], list[Finding]] = defaultdict(list)
    for f in findings:
        groups[(f.kind, f.table, f.site, f.quarter)].append(f)
    joined: list[Finding] = []
    for group in groups.values():
        first = group[0]
        if len(group) < SEVERAL_COLUMNS or not first.quarter:
            joined += group
            continue
        columns = ", ".join(f.column for f in group)
        worst = max(group, key=lambda f: f.value or 0.0)
        told = (
            f"{len(group)} columns together: {columns}. {worst.column}: {worst.finding[0].lower()}{worst.finding[1:]}"
        )
        chance = min((f.chance for f in group if f.chance is not None), default=None)
        urgent = any(f.urgent for f in group)
        joined.append(replace(worst, column=columns, finding=told, chance=chance, urgent=urgent))
    return joined


def _of_all_sites(findings: Sequence[Finding], where: Places) -> list[Finding]:
    """A change that most sites show in one quarter is the export's, and told once."""
    groups: dict[tuple[str, ...], list[Finding]] = defaultdict(list)
    for f in findings:
        groups[(f.kind, f.table, f.column, f.quarter) if f.quarter else (f.kind, f.table, f.column, f.site)].append(f)
    told: list[Finding] = []
    named = sum(site != NO_SITE for site in where.sites)
    for group in groups.values():
        number = sum(f.site != NO_SITE for f in group)
        if number < 2 or number < MANY_SITES * named:
            told += group
            continue
        every = "both" if named == 2 else f"all {named}"
        sites = every if number == named else f"{number} of the {named}"
        largest = max(group, key=lambda f: f.n)
        sentence = f"At {sites} sites; at {largest.site}: {largest.finding[0].lower()}{largest.finding[1:]}"
        told.append(replace(largest, site="", finding=sentence))
    return told


def _site(where: Places, site: int) -> str:
    """The site's name; "" for all sites together, and where the export has but one, unnamed."""
    return "" if site == len(where.sites) or where.sites == (NO_SITE,) else where.sites[site]
