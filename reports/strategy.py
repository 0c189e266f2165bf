"""The quarterly strategy report for the service lead: read in a minute, then in ten; on screen, on a phone, on paper."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from models.results import Edition
from reports import alternatives, charts, flow_picture, palette, pictures, tables, wording
from reports.disclosure import hide_small
from reports.notation import level_text, quantity
from reports.page import Figure, Key, Section, figure, render
from reports.shown import ShownComparison, ShownEdition
from reports.trust import ABOVE_KEY, BELOW_KEY, trust_section

PLAIN_KEY = Key("circle", palette.PLAIN, False, "plain figures")
FAIR_KEY = Key("diamond", palette.FAIR, True, "like for like")


def strategy_page(edition: Edition) -> str:
    """The report as one HTML document. Small numbers are hidden first; the same edition gives the same bytes."""
    e = hide_small(edition)
    empty = wording.nothing_compared(e)
    sections = (
        _difference(e),
        _case_flow(e),
        _on_the_table(e),
        _profiles(e),
        _map(e),
        _prices(e),
        trust_section(e),
        _data_quality(e),
        _methods(e),
    )
    return render(
        "strategy.html",
        sections,
        e=e,
        period="" if empty else f"{wording.month(e.period_start)} to {wording.month(e.period_end)}",
        brief="The report in one sentence" if empty else "The quarter in five sentences",
        sentences=wording.five_sentences(e),
        caveat=wording.CAVEAT,
        cautions=wording.CAUTIONS,
        hidden_note=charts.hidden_note(e.smallest_count_shown),
    )


def _difference(e: ShownEdition) -> Section:
    main = e.fair(e.primary_endpoint)
    withheld = (
        f"The like-for-like comparison is withheld: {main.withheld_because}" if main and main.withheld_because else ""
    )
    shown = [m for m in e.case_mix if m.trait.unit == "share" and m.retrograde is not None and m.antegrade is not None]
    return Section(
        "difference",
        "Plain figures against like for like",
        (
            "The plain figures set lesions as they came side by side. But the start is chosen for the lesion: those started "
            "from below and from above are not alike. The like-for-like figures weight the lesions so that both groups have "
            "the same mix of the recorded traits, and answer: among lesions for which either start was realistic, would the "
            "other start have done better?",
            *((withheld,) if withheld else ()),
        ),
        (
            figure(
                "plain-against-fair",
                "Difference between starting from below and from above",
                charts.plain_against_fair,
                e,
                alternative=alternatives.plain_against_fair(e),
                table=tables.comparisons(e),
                key=(PLAIN_KEY, FAIR_KEY),
                caption=f"Dots with {level_text(e.level)} intervals. Counts are lesions started from below / from above.",
                absent="" if e.endpoint_labels and e.comparisons else "No comparison was made.",
                print_table=True,
            ),
            figure(
                "case-mix",
                "Why they differ: the lesions are not alike",
                charts.case_mix,
                e,
                alternative=alternatives.case_mix(e),
                table=tables.case_mix(e),
                key=(BELOW_KEY, ABOVE_KEY),
                caption=f"Other traits: {others}." if (others := _other_traits(e)) else "",
                absent=""
                if shown
                else "No share of a lesion trait can be shown: none was worked out, or all rest on small numbers.",
                print_table=True,
            ),
        ),
    )


def _other_traits(e: ShownEdition) -> str:
    """Traits that are not shares, in words."""
    return "; ".join(
        f"{m.trait.label} {quantity(m.retrograde, m.trait.unit)} from below,"
        f" {quantity(m.antegrade, m.trait.unit)} from above"
        for m in e.case_mix
        if m.trait.unit != "share"
    )


def _case_flow(e: ShownEdition) -> Section:
    return Section(
        "case-flow",
        "Case flow",
        ("Every row of the export is either used or set aside with a reason; every lesion left out is accounted for.",),
        tables=(tables.flow(e), tables.rows_read(e)),
    )


def _on_the_table(e: ShownEdition) -> Section:
    drawable = any(s.count for s in e.sequences)
    return Section(
        "on-the-table",
        "What happened on the table",
        (
            "From the first approach to the end of the session. A failed first approach can be tried again, switched to the "
            "other approach (bailout), or ended there. These are plain counts, not adjusted.",
        ),
        (
            figure(
                "on-the-table",
                "First approach, next step, end of the session",
                flow_picture.on_the_table,
                e,
                alternative=alternatives.on_the_table(e),
                table=tables.sequences(e),
                caption="The height of a band is its share of the lesions with that start; both halves have the same scale."
                + _thin_bands(e),
                absent=""
                if drawable
                else "No sequence of attempts can be shown: there is none, or the numbers are small.",
            ),
        ),
    )


def _thin_bands(e: ShownEdition) -> str:
    if all(s.count is not None for s in e.sequences):
        return ""
    return f" Gray bands are not to scale: {charts.hidden_note(e.smallest_count_shown)}"


def _profiles(e: ShownEdition) -> Section:
    rows = wording.profile_comparisons(e)
    return Section(
        "profiles",
        "Which lesions did better from below, which from above",
        (
            "The like-for-like difference within each kind of lesion, one trait at a time. Every lesion is counted once under "
            "each trait, so the rows under different traits are not separate evidence.",
            *(
                (wording.many_profiles(e), *wording.with_caution(rows), *wording.too_few(rows))
                if _any_estimate(rows)
                else ()
            ),
        ),
        _forest(e, rows),
    )


def _any_estimate(rows: list[tuple[str, str, ShownComparison]]) -> bool:
    return any(c.effect("risk_difference").estimate is not None for _, _, c in rows)


def _forest(e: ShownEdition, rows: list[tuple[str, str, ShownComparison]]) -> tuple[Figure, ...]:
    """The forest plot in as many parts as fit a page each; the table stands under the last."""
    absent = "" if rows else "No lesion profile was compared."
    if rows and not _any_estimate(rows):
        absent = "No lesion profile has an estimate. The table gives the reason for each."
    parts = 1 if absent else len(charts.forest_parts(e))
    hidden = f" {charts.hidden_note(e.smallest_count_shown)}" if any(c.n is None for _, _, c in rows) else ""
    caption = (
        f"Success: {wording.endpoint_label(e, e.primary_endpoint).lower()}. Dots with {level_text(e.level)} intervals. "
        f"Counts are lesions started from below / from above.{hidden}"
    )
    whole = tables.profiles(e)
    return tuple(
        figure(
            "profile-forest" if parts == 1 else f"profile-forest-{i + 1}",
            "Like-for-like difference by lesion profile" + (f", part {i + 1} of {parts}" if parts > 1 else ""),
            partial(charts.profile_forest, part=i),
            e,
            alternative=alternatives.profile_forest(e),
            table=whole if i == parts - 1 else replace(whole, rows=()),
            key=(
                Key("triangle-up", palette.BELOW, True, "from below did better"),
                Key("triangle-down", palette.ABOVE, True, "from above did better"),
                Key("circle", palette.QUIET, False, "interval includes no difference"),
            ),
            caption=caption if i == parts - 1 else "",
            absent=absent,
        )
        for i in range(parts)
    )


def _map(e: ShownEdition) -> Section:
    steps = (
        Key("square", palette.TOWARD_ABOVE[2], True, "from above better"),
        Key("square", palette.MIDDLE, True, f"within {charts.MAP_STEPS[0]:g} points of no difference"),
        Key("square", palette.TOWARD_BELOW[2], True, "from below better"),
        Key("bold-square", palette.INK, False, "interval clear of no difference"),
    )
    given = any(c.comparison.effect("risk_difference").estimate is not None for c in e.length_calcium)
    return Section(
        "map",
        "Length and calcium together",
        (
            "The like-for-like difference in percentage points, with its interval. A color without a bold frame is a lean "
            "that the numbers do not settle.",
        ),
        (
            figure(
                "length-calcium",
                "Difference by length and calcium",
                pictures.length_calcium,
                e,
                alternative=alternatives.length_calcium(e),
                table=tables.length_calcium(e),
                key=steps,
                caption=f"Darker means a larger difference (steps at {', '.join(f'{s:g}' for s in charts.MAP_STEPS)} points). "
                "White cells have no estimate; the table gives the reason.",
                absent=""
                if given
                else "No combination of length and calcium has enough comparable lesions for an estimate.",
            ),
        ),
    )


def _prices(e: ShownEdition) -> Section:
    return Section(
        "prices",
        "What it cost",
        (
            "Plain medians and quartiles by first approach, not adjusted: part of any gap is the harder lesion, not the "
            "approach.",
        ),
        (
            figure(
                "prices",
                "Time, radiation and contrast by first approach",
                charts.prices,
                e,
                alternative=alternatives.prices(e),
                table=tables.prices(e),
                key=(
                    Key("triangle-up", palette.BELOW, False, "from below (retrograde)"),
                    Key("triangle-down", palette.ABOVE, False, "from above (antegrade)"),
                ),
                caption=f"Mark: median. Bar: middle half. Each price has its own scale, from zero.{_price_remarks(e)}",
                absent=""
                if any(p.median is not None for p in e.prices)
                else "No price can be shown: none is recorded, or too few.",
            ),
        ),
    )


def _price_remarks(e: ShownEdition) -> str:
    """What the labels of the prices say in parentheses, once each."""
    remarks = dict.fromkeys(r.rstrip(")") for p in e.prices if (r := p.label.partition(" (")[2]))
    return "".join(f" Counted: {r}." for r in remarks)


def _data_quality(e: ShownEdition) -> Section:
    return Section(
        "data-quality",
        "Data quality",
        ("What the export was missing or had wrong. Mending these at the source makes the next report surer.",),
        tables=(tables.reasons(e), tables.missing(e)),
        closing=_always_recorded(e),
    )


def _always_recorded(e: ShownEdition) -> str:
    """The traits that no lesion lacks; empty when none or all are such."""
    always = [m.label for m in e.missing if m.share == 0]
    return f"Recorded for every lesion: {', '.join(always)}." if always and len(always) < len(e.missing) else ""


def _methods(e: ShownEdition) -> Section:
    return Section(
        "methods",
        "Methods in plain words, and volumes",
        (),
        (
            figure(
                "quarters",
                "Lesions by quarter",
                pictures.quarters,
                e,
                alternative=alternatives.quarters(e),
                table=tables.quarters(e),
                key=(
                    Key("square", palette.BELOW, True, "from below, lower part of a bar"),
                    Key("square", palette.ABOVE, True, "from above, upper part"),
                ),
                caption="Gray: the split by approach is not shown, because the numbers are small."
                if any(q.retrograde_first is None for q in e.quarters)
                else "",
                absent="" if any(q.lesions for q in e.quarters) else "No quarter is large enough to show.",
            ),
        ),
        notes=(*((m.heading, m.text) for m in e.methods), *_departures(e)),
    )


def _departures(e: ShownEdition) -> tuple[tuple[str, str], ...]:
    """What was changed in the plan after results had been seen; nothing where nothing was."""
    changed = [d.in_words() for d in e.departures if d.kind != "as_planned"]
    if not changed:
        return ()
    told = "; ".join(changed)
    return (
        (
            "Changed after results were seen",
            f"A plan that is changed in the light of results can be made to fit them. Changed: {told}.",
        ),
    )
