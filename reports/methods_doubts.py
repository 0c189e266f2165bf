"""Tables of the methods page on what could still be wrong: hidden traits, single patients and operators, repeated looks."""

from __future__ import annotations

import re

from reports.methods_shown import ShownHidden, ShownInfluence, ShownLooks, ShownMethods
from reports.methods_tables import MEASURES, difference
from reports.notation import (
    ABSENT,
    HIDDEN,
    capital,
    count,
    percent,
    points,
    unbroken,
)
from reports.table_text import Table


def e_values(m: ShownMethods) -> Table:
    """E-values of every endpoint and measure."""
    return Table(
        "E-values (VanderWeele & Ding 2017): how strongly, as a risk ratio, a hidden trait would have to go with both approach and crossing to explain the "
        "estimate away, or to move its limit to no difference. 1.00: nothing hidden is needed, the interval holds no difference already.",
        ("Endpoint", "Measure", "For the estimate", "For the limit"),
        tuple(
            (
                m.endpoint_label(h.found.endpoint),
                MEASURES[e.measure],
                f"{e.point:.2f}" if e.point is not None else ABSENT,
                f"{e.limit:.2f}" if e.limit is not None else (e.reason or ABSENT),
            )
            for h in m.hidden
            for e in h.found.e_values
        ),
        frozenset({0, 1}),
    )  # fmt: skip


def bounded(m: ShownMethods) -> Table:
    """The interval widened for a hidden trait of the plan's strength, and the strengths that would bring it to zero."""
    rows = []
    for h in m.hidden:
        b, r = h.found.bounded, h.found.robustness
        primary = m.primary(h.found.endpoint)
        d = primary.comparison.effect("risk_difference") if primary else None
        rows.append(
            (
                m.endpoint_label(h.found.endpoint),
                ABSENT if d is None else difference(d.estimate, d.lower, d.upper),
                m.why_absent("bounded", h.found.endpoint) if b is None else f"{points(b.bias, signed=False)}",
                ABSENT if b is None else unbroken(f"{points(b.lower)} to {points(b.upper)}"),
                ABSENT if r is None else f"{percent(r.estimate)} / {percent(r.limit)}",
            )
        )
    return Table(
        "The interval if a hidden trait as strong as the plan supposes pulled as hard as it can, either way; and the robustness value "
        "(Cinelli & Hazlett 2020): the share of what is left unexplained of both approach and crossing that it would have to explain to bring the estimate / its limit to zero.",
        ("Endpoint", "Primary, points", "Largest bias, points", "Bounded interval", "Robustness, estimate / limit"),
        tuple(rows),
    )  # fmt: skip


def strengths(h: ShownHidden) -> Table:
    """The measured traits' own strengths, numbered as on the surface."""
    return Table(
        "The measured traits' own strength, as benchmarks: partial R squared with the approach and with crossing given the other traits, "
        "and how far the difference moves when the trait is left out.",
        ("Trait", "With the approach", "With crossing", "Moves the difference by, points"),
        tuple(
            (
                f"{n}. {s.name}",
                f"{s.approach * 100:.1f}%",
                f"{s.outcome * 100:.1f}%",
                points(s.moves),
            )
            for n, s in enumerate(h.found.strengths, start=1)
        ),
    )


def surface_numbers(h: ShownHidden) -> Table:
    """The surface as numbers."""
    s = h.found.surface
    columns = sorted(range(len(s.outcome)), key=lambda j: s.outcome[j]) if s else []
    rows = sorted(range(len(s.approach)), key=lambda i: -s.approach[i]) if s else []
    return Table(
        "The corrected difference, in points, with its interval. Down: by how much commoner the trait is among lesions started from below; "
        "across: what it does to the chance of crossing.",
        ("Commoner by", *(points(s.outcome[j]) for j in columns)) if s else ("",),
        tuple(
            (
                points(s.approach[i]),
                *(difference(c.estimate, c.lower, c.upper) for j in columns for c in (s.cells[i][j],)),
            )
            for i in rows
        )
        if s
        else (),
    )


def rosenbaum(h: ShownHidden) -> Table:
    """Rosenbaum's bounds by Gamma."""
    found = h.found.rosenbaum
    return Table(
        "Matched pairs (Rosenbaum 2002): if a hidden trait multiplied the odds of a start from below within a pair by up to Gamma, "
        "the one-sided p-value would lie between these.",
        ("Gamma", "Smallest p", "Largest p"),
        tuple((f"{b.gamma:g}", _p(b.lower_p), _p(b.upper_p)) for b in found.bounds) if found else (),
        nothing="The p-values are not shown: they rest on small numbers.",
    )


def _p(value: float) -> str:
    return "under 0.0001" if value < 0.0001 else f"{value:.4f}" if value < 0.01 else f"{value:.3f}"


def controls(m: ShownMethods) -> Table:
    """Negative controls."""
    return Table(
        "Negative controls (Lipsitch, Tchetgen Tchetgen & Cohen 2010): differences where there should be none. One whose interval leaves out zero would be worrying.",
        ("Control", "Kind", "Endpoint compared", "Difference (interval), points", "Margin, points", "Reading"),
        tuple(
            (
                capital(c.name),
                c.kind,
                m.endpoint_label(h.found.endpoint),
                difference(c.estimate, c.lower, c.upper),
                points(c.margin, signed=False),
                f"{capital(c.verdict)}. {c.sentence}",
            )
            for h in m.hidden
            for c in h.found.controls
        ),
        frozenset({0, 1, 2, 5}),
    )


def instrument(m: ShownMethods) -> Table:
    """Operators' preference as an instrument."""
    rows = []
    for h in m.hidden:
        i = h.found.instrument
        if i is None:
            continue
        a = i.anderson_rubin
        region = ABSENT
        if a is not None and a.shape == "everything":
            region = "rules out nothing"
        elif a is not None and a.lower is not None and a.upper is not None:
            between = unbroken(f"{points(a.lower)} to {points(a.upper)}")
            region = between if a.shape == "interval" else f"all but {between}"
        rows.append(
            (
                m.endpoint_label(h.found.endpoint),
                ABSENT if i.first_stage_f is None else f"{i.first_stage_f:.1f}",
                ABSENT if i.estimate is None else difference(i.estimate, i.lower, i.upper),
                region,
                str(i.operators),
                i.withheld_because or i.warning or "Strong enough by the plan's limit.",
            )
        )
    return Table(
        "Operators' preference as an instrument (Brookhart & Schneeweiss 2007): a difference that hidden traits of lesions do not touch, if preference acts through "
        "the approach alone. Read the Anderson-Rubin interval, which holds however weak the instrument is.",
        ("Endpoint", "First-stage F", "Two-stage, points", "Anderson-Rubin, points", "Operators", "Remark"),
        tuple(rows),
        frozenset({0, 5}),
    )  # fmt: skip


def operators(m: ShownMethods, found: ShownInfluence) -> Table:
    """The answer without each operator."""
    return Table(
        f"{m.endpoint_label(found.endpoint)}: the primary difference without each operator's lesions. Numbers are pseudonymous, in no order of merit.",
        ("Without operator", "Lesions left out", "Difference (interval), points"),
        tuple(
            (
                str(o.number),
                count(o.lesions),
                (o.withheld_because or HIDDEN) if o.estimate is None else difference(o.estimate, o.lower, o.upper),
            )
            for o in sorted(found.operators, key=lambda o: o.number)
        ),
    )


def looks(m: ShownMethods, series: ShownLooks) -> Table:
    """Every look with both intervals and verdicts."""
    rows = []
    for shown in series.lines:
        i = shown.line.interval
        rows.append(
            (
                f"{shown.line.number}. {shown.line.name}",
                count(shown.n),
                ABSENT if i.estimate is None else points(i.estimate),
                ABSENT if i.fixed_lower is None else unbroken(f"{points(i.fixed_lower)} to {points(i.fixed_upper)}"),
                i.fixed_verdict,
                ABSENT if i.lower is None else unbroken(f"{points(i.lower)} to {points(i.upper)}"),
                i.withheld_because or i.verdict,
            )
        )
    return Table(
        f"{m.endpoint_label(series.endpoint)}: every look so far, read as if it were the only one, and so that all looks together err "
        f"with a chance of at most {percent(series.error)}.",
        (
            "Look",
            "Lesions so far",
            "Difference, points",
            "As if alone",
            "Verdict",
            "Over all looks",
            "Verdict over all",
        ),
        tuple(rows),
        frozenset({0, 4, 6}),
    )


def self_check(m: ShownMethods) -> Table:
    """Bias, coverage and power on this service's own lesions."""
    rows = []
    for one in m.self_checks:
        for e in one.check.effects:
            rows.append(
                (
                    f"{m.endpoint_label(one.endpoint)}, true difference {points(e.effect)}",
                    f"{count(e.answered)} of {count(e.replicates)}",
                    unbroken(f"{points(e.bias)} ({points(e.bias_error, signed=False)})"),
                    unbroken(f"{points(e.empirical_se, signed=False)} / {points(e.mean_se, signed=False)}"),
                    unbroken(f"{percent(e.coverage)} ({percent(e.coverage_lower)} to {percent(e.coverage_upper)})"),
                    unbroken(f"{percent(e.claimed)} ({percent(e.claimed_lower)} to {percent(e.claimed_upper)})"),
                )
            )
    return Table(
        "The primary method on outcomes drawn for this service's own lesions with a known effect: bias with its simulation error, spread of the estimates beside "
        "the mean standard error, share of intervals that held the truth, share that left out zero.",
        ("Endpoint and effect put in", "Answered", "Bias, points (error)", "SD / mean SE, points", "Coverage (interval)", "Claimed a difference"),
        tuple(rows),
    )  # fmt: skip


def departures(m: ShownMethods) -> Table:
    """What was changed in the plan after results had been seen."""
    kinds = {"choice": "a choice", "as_planned": "as the plan foresees", "release": "a new release of the program"}
    return Table(
        "Changes of the plan after results had been seen. A choice made then would be worrying where it helps the answer.",
        ("Field", "Then", "Now", "Since", "Reports seen before", "Kind"),
        tuple(
            (
                f"{d.field}: {d.meaning.rstrip('.')}",
                _dates(d.then or "not in the plan"),
                _dates(d.now or "not in the plan"),
                _dates(f"delivery {d.since_delivery}, {d.since}"),
                str(d.reports_seen),
                kinds[d.kind],
            )
            for d in m.departures
        ),
        frozenset({0, 1, 2, 3, 5}),
        nothing="None: the plan is the one that was there before the first report.",
    )


def _dates(text: str) -> str:
    """The text with its dates kept on one line."""
    return re.sub(r"(\d{4})-(\d\d)-(\d\d)", "\\1\u2011\\2\u2011\\3", text)
