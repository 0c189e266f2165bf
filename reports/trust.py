"""The part of the report on how far its main comparison can be trusted."""

from __future__ import annotations

from models.results import Effect
from reports import alternatives, charts, palette, pictures, tables, wording
from reports.notation import count, points_interval
from reports.page import Figure, Key, Section, figure
from reports.shown import ShownComparison, ShownEdition

BELOW_KEY = Key("triangle-up", palette.BELOW, True, "from below (retrograde)")
ABOVE_KEY = Key("triangle-down", palette.ABOVE, True, "from above (antegrade)")


def trust_section(e: ShownEdition) -> Section:
    """Checks, balance, overlap and effective size; or why there are none."""
    d = e.diagnostics
    if d is None:
        main = e.fair(e.primary_endpoint)
        why = main.withheld_because if main and main.withheld_because else "no like-for-like comparison could be fitted"
        return Section("trust", "How far to trust it", (f"There are no checks to show: {wording.clause(why)}.",))
    main = e.fair(e.primary_endpoint)
    return Section(
        "trust",
        "How far to trust it",
        (
            wording.gates_sentence(e),
            "The comparison is only as fair as the recorded traits make it: a reason for choosing the start that nobody "
            "wrote down is not allowed for.",
            *_effective_size(e, main),
            *_over_looks(e, main),
            f"From the recorded traits, the start could be told with a c-statistic of {d.c_statistic:.2f}, where 0.50 is a "
            "coin toss and 1.00 is certainty. The nearer to certainty, the fewer lesions could have gone either way.",
        ),
        (_balance(e), _scores(e)),
        lead_tables=(tables.gates(e),),
    )


def _effective_size(e: ShownEdition, main: ShownComparison | None) -> tuple[str, ...]:
    d = e.diagnostics
    if d is None or main is None or d.effective_n_retrograde is None or d.effective_n_antegrade is None:
        return ()
    return (
        f"Weighting costs precision: the {count(main.retrograde.n)} lesions started from below carry the information of "
        f"about {d.effective_n_retrograde:,.0f}, the {count(main.antegrade.n)} started from above of about "
        f"{d.effective_n_antegrade:,.0f}.",
    )


def _over_looks(e: ShownEdition, main: ShownComparison | None) -> tuple[str, ...]:
    """The interval that allows for a report each quarter, and what it leaves of the verdict."""
    o = e.over_looks
    d = main.effect("risk_difference") if main else None
    if o is None or main is None or d is None or d.estimate is None:
        return ()
    wide = Effect(d.measure, d.estimate, o.lower, o.upper, None)
    fixed, lasting = wording.direction(d), wording.direction(wide)
    times = "once" if o.looks == 1 else f"{o.looks} times"
    text = (
        f"A report each quarter asks the same question again, and asked often enough chance will answer. The difference has been looked at "
        f"{times}; an interval that holds over all looks, past and coming, is {points_interval(wide)} points"
    )
    if fixed in ("below", "above") and lasting == "unclear":
        return (text + ": by that stricter measure the question is still open.",)
    return (text + ".",)


def _balance(e: ShownEdition) -> Figure:
    terms = e.diagnostics.balance if e.diagnostics else ()
    drawn = charts.BALANCE_TRAITS + charts.BALANCE_DERIVED
    more = f" The largest are drawn; the table has all {len(terms)}." if len(terms) > drawn else ""
    return figure(
        "balance",
        "Are the groups alike after weighting?",
        charts.balance,
        e,
        alternative=alternatives.balance(e),
        table=tables.balance(e),
        key=(
            Key("circle", palette.PLAIN, False, "before weighting"),
            Key("diamond", palette.FAIR, True, "after weighting"),
        ),
        caption=f"Left of the line at 0.10 the groups count as alike (Austin 2009).{more}",
        absent="" if terms else "No balance was worked out.",
    )


def _scores(e: ShownEdition) -> Figure:
    bars = e.diagnostics.score_bars if e.diagnostics else ()
    return figure(
        "score-overlap",
        "Could lesions have gone either way?",
        pictures.score_overlap,
        e,
        alternative=alternatives.score_overlap(e),
        table=tables.scores(e),
        key=(BELOW_KEY, ABOVE_KEY),
        caption="Where both groups have bars, lesions like these were started both ways and can be compared. "
        "Ranges with few lesions are joined.",
        absent="" if bars else "The scores are not shown: too few lesions.",
    )
