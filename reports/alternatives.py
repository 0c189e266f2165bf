"""Text alternatives: what each chart shows, in a sentence with its main numbers, for a reader who cannot see it."""

from __future__ import annotations

from reports.charts import in_order, price_name
from reports.notation import count, joined, percent, points, points_interval, price_text, quantity, share_of
from reports.shown import ShownComparison, ShownEdition
from reports.tables import APPROACH
from reports.wording import direction, endpoint_label, profile_leads


def _difference(c: ShownComparison | None) -> str:
    d = c.effect("risk_difference") if c else None
    if d is None or d.estimate is None:
        return "not shown"
    return f"{points(d.estimate)} points ({points_interval(d)})"


def plain_against_fair(e: ShownEdition) -> str:
    """Both differences for each endpoint."""
    return " ".join(
        f"{endpoint_label(e, endpoint)}, from below against from above: plain figures"
        f" {_difference(e.comparison(endpoint, 'crude', 'observed'))}, like for like"
        f" {_difference(e.fair(endpoint))}."
        for endpoint, _ in e.endpoint_labels
    )


def case_mix(e: ShownEdition) -> str:
    """Every share by first approach."""
    shares = [
        f"{m.trait.label} {quantity(m.retrograde, 'share')} from below and {quantity(m.antegrade, 'share')} from above"
        for m in e.case_mix
        if m.trait.unit == "share" and m.retrograde is not None and m.antegrade is not None
    ]
    return f"Lesion traits by first approach: {'; '.join(shares)}."


def on_the_table(e: ShownEdition) -> str:
    """First approach, switch and end of session for each start."""
    parts = []
    for approach, words in APPROACH.items():
        own = [s for s in e.sequences if s.first_approach == approach]
        steps = [
            f"{count(s.count)} {'crossed at first' if s.first_crossed else _failed(s.then, s.session_crossed)}"
            for s in own
            if s.count
        ]
        if steps:
            parts.append(f"Started {words}: {joined(steps)}.")
    return " ".join(parts)


def _failed(then: str, crossed: bool) -> str:
    end = "crossed" if crossed else "not crossed"
    return {
        "none": "stopped after the first approach failed",
        "same": f"{end} after trying again by the same approach",
        "bailout": f"{end} after switching to the other approach",
    }[then]


def profile_forest(e: ShownEdition) -> str:
    """The sentence of the summary on profiles."""
    return f"Like-for-like difference with its interval for each lesion profile. {profile_leads(e)}"


def length_calcium(e: ShownEdition) -> str:
    """How many cells have an estimate, and the ones clear of zero."""
    cells = [(c, c.comparison.effect("risk_difference")) for c in e.length_calcium]
    given = [(c, d) for c, d in cells if d.estimate is not None]
    clear = [
        f"{c.length_band} with calcium {c.calcium} {points(d.estimate)} points ({points_interval(d)})"
        for c, d in given
        if direction(d) in ("below", "above")
    ]
    found = f"Clear of zero: {'; '.join(clear)}." if clear else "None is clear of zero."
    return f"Map of length by calcium: {len(given)} of {len(cells)} cells have an estimate. {found}"


def prices(e: ShownEdition) -> str:
    """Every median by first approach."""
    parts = []
    for name in dict.fromkeys(p.name for p in e.prices):
        own = [p for p in in_order(e.prices) if p.name == name and p.median is not None]
        if own:
            medians = joined(
                [f"{price_text(p.median, p.upper_quartile or 0.0)} {p.unit} {APPROACH[p.approach]}" for p in own]
            )
            parts.append(f"{price_name(own[0].label)}: median {medians}.")
    return " ".join(parts)


def balance(e: ShownEdition) -> str:
    """The largest difference before and after weighting."""
    terms = e.diagnostics.balance if e.diagnostics else ()
    if not terms:
        return "No balance was worked out."
    known = [(abs(t.smd_before), t.label) for t in terms if t.smd_before is not None]
    after = max(terms, key=lambda t: abs(t.smd_after))
    size, label = max(known, key=lambda k: k[0], default=(0.0, ""))
    first = f"before weighting: {size:.2f} standard deviations ({label}); " if known else ""
    some = "Of those shown, largest" if len(known) < len(terms) else "Largest"
    return f"{some} difference between the groups {first}after weighting: {abs(after.smd_after):.2f} ({after.label})."


def score_overlap(e: ShownEdition) -> str:
    """Where each group's scores lie."""
    bars = e.diagnostics.score_bars if e.diagnostics else ()
    parts = []
    for approach, words in APPROACH.items():
        own = [b for b in bars if b.approach == approach and b.count]
        if own:
            peak = max(own, key=lambda b: b.count / (b.upper - b.lower))
            parts.append(
                f"lesions started {words} range from {percent(own[0].lower)} to {percent(own[-1].upper)},"
                f" most around {percent((peak.lower + peak.upper) / 2)}"
            )
    return f"Estimated chance of being started from below: {'; '.join(parts)}." if parts else "No scores are shown."


def quarters(e: ShownEdition) -> str:
    """First and last quarter."""
    shown = [q for q in e.quarters if q.lesions is not None]
    if not shown:
        return "No quarter is large enough to show."
    ends = [shown[0]] if len(shown) == 1 else [shown[0], shown[-1]]
    return (
        "Lesions by quarter: "
        + "; ".join(
            f"{q.quarter} {count(q.lesions)}"
            + (f", {share_of(q.retrograde_first, q.lesions)} from below" if q.retrograde_first is not None else "")
            for q in ends
        )
        + "."
    )
