"""The quarter in five sentences, written from the numbers; and the words that other parts of the page share.

Intervals stand beside every difference. A direction is claimed only where the interval is clear of zero.
"""

from __future__ import annotations

from datetime import date
from typing import Literal

from models.results import Effect
from reports.notation import capital, count, joined, level_text, percent, points, points_interval, quantity, share_of
from reports.shown import ShownComparison, ShownEdition, ShownQuarter

Direction = Literal["below", "above", "unclear", "withheld"]

CAVEAT = (
    "Observational evidence from one service: it supports discussion and does not direct the treatment of a patient."
)
# Product wording; every report carries all of them.
CAUTIONS = (
    "This is observational evidence from one service. It supports discussion; it does not direct the treatment of a patient.",
    "Local protocols, device instructions, radiation rules and licensed clinical judgment come first.",
    "This is not a medical device.",
    "Small numbers are suppressed.",
    "Operators are pseudonymous, and charts are not league tables.",
)
# How an endpoint reads in a sentence before "in 68% of lesions"; an endpoint without an entry is quoted by its label.
_REACHED = {
    "first_approach_crossed": "the first approach succeeded",
    "crossed_in_session": "the lesion was crossed by the end of the session",
}
_CROSSED = {"first_approach_crossed": "the first approach crossed"}  # where "... points more often" follows
_AT_THE_END = "crossed_in_session"
_TRAITS_NAMED = 3
_PROFILES_NAMED = 3
_NAMES_LISTED = 8
CLEARLY_DIFFERENT = 0.1  # SD; Austin 2009: above this a trait differs between the groups


def nothing_compared(e: ShownEdition) -> bool:
    """Whether no lesion reached the comparison at all, so that there is no quarter and no period to speak of."""
    return not (e.latest_quarter and e.period_start and e.period_end)


def five_sentences(e: ShownEdition) -> tuple[str, ...]:
    """Volume, crossing, plain difference, like-for-like difference, profiles; one sentence alone where no lesion was compared."""
    if nothing_compared(e):
        return (
            "No lesion could be compared; the case flow below says at which step the lesions were left out, and why.",
        )
    return volume(e), crossing(e), plain_difference(e), fair_difference(e), profile_leads(e)


def direction(effect: Effect) -> Direction:
    """Which start did better: claimed only when the interval of the difference is clear of zero."""
    if effect.estimate is None or effect.lower is None or effect.upper is None:
        return "withheld"
    if effect.lower > 0:
        return "below"
    return "above" if effect.upper < 0 else "unclear"


def endpoint_label(e: ShownEdition, endpoint: str) -> str:
    """The endpoint as printed."""
    return capital(dict(e.endpoint_labels).get(endpoint, endpoint.replace("_", " ")))


def reached(e: ShownEdition, endpoint: str) -> str:
    """The endpoint as it reads in a sentence: "the first approach succeeded"."""
    return _REACHED.get(endpoint, f"\u201c{endpoint_label(e, endpoint)}\u201d was reached")


def month(iso: str) -> str:
    """A month such as "2023-01" in American words, "Jan 2023"; any other text unchanged."""
    try:
        d = date.fromisoformat(f"{iso}-01")
    except ValueError:
        return iso
    months = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
    return f"{months[d.month - 1]} {d.year}"


def _period(e: ShownEdition) -> str:
    return f"{month(e.period_start)} to {month(e.period_end)}"


def _latest(e: ShownEdition) -> tuple[ShownQuarter | None, ShownQuarter | None]:
    """The latest quarter and the one listed before it."""
    names = [q.quarter for q in e.quarters]
    if e.latest_quarter not in names:
        return None, None
    at = names.index(e.latest_quarter)
    return e.quarters[at], e.quarters[at - 1] if at else None


def _few(e: ShownEdition, n: int | None, noun: str = "lesion") -> str:
    if n is None:
        return f"too few {noun}s to print a count"
    return f"{count(n)} {noun}" + ("" if n == 1 else "s")


def volume(e: ShownEdition) -> str:
    """How many lesions in the latest quarter, and the share started from below, against the quarter before."""
    now, before = _latest(e)
    if now is None or now.lesions == 0:
        return f"No lesion was treated in {e.latest_quarter}."
    if now.lesions is None:
        return f"In {e.latest_quarter} too few lesions were treated to print a count."
    text = f"In {now.quarter} the service treated {_few(e, now.lesions)}"
    if now.retrograde_first is None:
        text += "; the split between starting from below and from above is too small to print"
    else:
        text += f" and started {count(now.retrograde_first)} of them ({share_of(now.retrograde_first, now.lesions)}) from below"
    if before is None or before.lesions is None:
        return text + "; there is no earlier quarter to compare with."
    text += f"; in {before.quarter} it was {_few(e, before.lesions)}"
    if before.retrograde_first is not None and before.lesions:
        text += f", {count(before.retrograde_first)} ({share_of(before.retrograde_first, before.lesions)}) from below"
    return text + "."


def crossing(e: ShownEdition) -> str:
    """What the first approach and the session as a whole crossed in the latest quarter, against the quarter before."""
    now, before = _latest(e)
    if now is None or not now.lesions:
        return "There is therefore nothing to say about crossing in that quarter."
    if now.first_approach_crossed is None or now.crossed_in_session is None:
        return f"How many were crossed in {now.quarter} is not printed, because the numbers are small."
    text = (
        f"The first approach crossed {count(now.first_approach_crossed)} ({share_of(now.first_approach_crossed, now.lesions)})"
        f" and, by the end of the session, {count(now.crossed_in_session)} ({share_of(now.crossed_in_session, now.lesions)}) were crossed"
    )
    if (
        before
        and before.lesions
        and before.first_approach_crossed is not None
        and before.crossed_in_session is not None
    ):
        text += (
            f", against {share_of(before.first_approach_crossed, before.lesions)}"
            f" and {share_of(before.crossed_in_session, before.lesions)} the quarter before"
        )
    return text + "."


def plain_difference(e: ShownEdition) -> str:
    """The crude difference over the whole period, primary endpoint."""
    c = e.comparison(e.primary_endpoint, "crude", "observed")
    start = f"Over the whole period ({_period(e)}), with lesions taken as they came, "
    if c is None:
        return start + "no comparison was made."
    if c.withheld_because:
        return f"{start}the plain comparison is withheld: {clause(c.withheld_because)}."
    d = c.effect("risk_difference")
    if c.counts_hidden or d.estimate is None:
        return f"{start}the plain figures are not printed, because the numbers behind them are small."
    figures = (
        f"{reached(e, c.endpoint)} in {percent(c.retrograde.risk)} of the {count(c.retrograde.n)} started from below"
        f" and {percent(c.antegrade.risk)} of the {count(c.antegrade.n)} started from above"
    )
    return f"{start}{figures}, a plain difference of {difference_text(c)}."


def difference_text(c: ShownComparison) -> str:
    """A difference with its interval: "+4.8 percentage points (95% interval +0.2 to +9.4)"."""
    d = c.effect("risk_difference")
    return f"{points(d.estimate)} percentage points ({level_text(c.level)} interval {points_interval(d)})"


def fair_difference(e: ShownEdition) -> str:
    """The like-for-like difference, what it means, and whether the plain figures pointed the other way and why."""
    c = e.fair(e.primary_endpoint)
    if c is None:
        return "No like-for-like comparison was made."
    d = c.effect("risk_difference")
    if c.withheld_because or d.estimate is None:
        small = "it would give small numbers away" if c.counts_hidden else "no estimate could be made"
        why = clause(c.withheld_because or small)
        return f"The like-for-like comparison is withheld{_beside_plain(e)}: {why}."
    way: Direction = "unclear" if e.verdict_held_because else direction(d)
    start = "Comparing like with like, among lesions for which either start was realistic,"
    what = _CROSSED.get(c.endpoint, reached(e, c.endpoint))
    if e.verdict_held_because:
        text = (
            f"{start} the difference in how often {what} is {difference_text(c)}, but no verdict is given: "
            f"{clause(e.verdict_held_because)}"
        )
    elif way == "unclear":
        text = (
            f"{start} the difference in how often {what} is {difference_text(c)}: this history does not settle "
            "which start is better"
        )
    else:
        better = d if way == "below" else _turned(d)
        text = (
            f"{start} {what} {points(better.estimate, signed=False)} percentage points more often from {way}"
            f" ({level_text(c.level)} interval {points(better.lower, signed=False)} to"
            f" {points(better.upper, signed=False)}), {_in_a_hundred(better)}"
        )
    return text + _at_the_end(e) + _against_plain(e, d) + _with_care(e) + "."


def _beside_plain(e: ShownEdition) -> str:
    """What withholding the main answer means for the plain figures: nothing where the sentence before gave none."""
    crude = e.comparison(e.primary_endpoint, "crude", "observed")
    if crude is not None and crude.withheld_because:
        return " as well"
    given = crude is not None and not crude.counts_hidden and crude.effect("risk_difference").estimate is not None
    return ", so nothing should be read into the plain figures" if given else ""


def _at_the_end(e: ShownEdition) -> str:
    """The clause on the same lesions at the end of the session, from below minus from above; empty where there is none."""
    c = e.fair(_AT_THE_END)
    d = c.effect("risk_difference") if c else None
    if e.primary_endpoint == _AT_THE_END or c is None or d is None or c.withheld_because or d.estimate is None:
        return ""
    return (
        f"; by the end of the session the difference, from below minus from above, was {points(d.estimate)}"
        f" ({points_interval(d)})"
    )


def _with_care(e: ShownEdition) -> str:
    """The clause that a check of the main comparison asked for caution; empty when none did."""
    verdicts = [g.gate.verdict for g in e.diagnostics.gates] if e.diagnostics else []
    asked = verdicts.count("caution")
    return f"; read it with care, {asked} of {len(verdicts)} checks asked for caution" if asked else ""


def _turned(d: Effect) -> Effect:
    """The same difference seen from the other side: antegrade minus retrograde."""
    if d.estimate is None or d.lower is None or d.upper is None:
        return d
    return Effect(d.measure, -d.estimate, -d.upper, -d.lower, d.p_value)


def _in_a_hundred(d: Effect) -> str:
    more = round((d.estimate or 0.0) * 100)
    return f"about {more} more in every 100 lesions" if more else "fewer than 1 more in every 100 lesions"


def _against_plain(e: ShownEdition, fair: Effect) -> str:
    """The clause on how the plain figures compare, with the traits that differ most; empty when they are not shown."""
    crude = e.comparison(e.primary_endpoint, "crude", "observed")
    plain = crude.effect("risk_difference") if crude else None
    if plain is None or plain.estimate is None or fair.estimate is None:
        return ""
    mix = different_traits(e)
    if plain.estimate * fair.estimate < 0:
        # Which way an unclear difference lies may be chance: the unlike groups are then told beside it, not as its cause.
        if "unclear" in (direction(plain), direction(fair)):
            beside = f", and the two groups were not alike (from below against from above: {mix})" if mix else ""
            return f"; the plain figures leaned the other way{beside}"
        why = f" because they compare different lesions (from below against from above: {mix})" if mix else ""
        return f"; the plain figures pointed the other way{why}"
    return f"; the two groups were not alike (from below against from above: {mix})" if mix else ""


def different_traits(e: ShownEdition) -> str:
    """The traits that differ most between the groups, in words; empty when none differs clearly or can be shown."""
    clear = [
        m
        for m in e.case_mix
        if m.smd is not None
        and abs(m.smd) >= CLEARLY_DIFFERENT
        and m.retrograde is not None
        and m.antegrade is not None
    ]
    clear.sort(key=lambda m: -abs(m.smd or 0.0))
    return "; ".join(
        f"{_lower(m.trait.label).replace(': ', ' ')} {quantity(m.retrograde, m.trait.unit)} against {quantity(m.antegrade, m.trait.unit)}"
        for m in clear[:_TRAITS_NAMED]
    )


def profile_comparisons(e: ShownEdition) -> list[tuple[str, str, ShownComparison]]:
    """(feature label, level label, like-for-like comparison) for each one-way profile, in the order of the edition."""
    found = ((p, e.fair(e.primary_endpoint, p.profile)) for p in e.profile_labels)
    return [(p.feature_label, p.level_label, c) for p, c in found if c is not None and ";" not in c.profile]


def profile_leads(e: ShownEdition) -> str:
    """Profiles clear of zero each way, how many are unclear, how many withheld; and that they are leads."""
    rows = profile_comparisons(e)
    if not rows:
        return "No lesion profile was compared."
    by_way: dict[Direction, list[tuple[str, ShownComparison]]] = {
        "below": [],
        "above": [],
        "unclear": [],
        "withheld": [],
    }
    for feature, level, c in rows:
        by_way[direction(c.effect("risk_difference"))].append((f"{_lower(feature)} {level}", c))
    below, above, unclear, withheld = (by_way[w] for w in ("below", "above", "unclear", "withheld"))
    kinds = "1 lesion profile" if len(rows) == 1 else f"{len(rows)} lesion profiles"
    if len(withheld) == len(rows):
        return f"Of {kinds}, none had enough comparable lesions to say which start is better."
    text = f"Of {kinds}, starting from below did better in {_named(below)} and from above in {_named(above)}"
    text += f", {len(unclear) or 'none'} {'was' if len(unclear) == 1 else 'were'} unclear and {len(withheld) or 'none'} had too little to say"
    if below or above:
        text += "; no allowance has been made for looking at many profiles, so each is a lead, not a finding"
    return text + "."


def many_profiles(e: ShownEdition) -> str:
    """That many profiles were looked at and no allowance was made for it."""
    by_chance = round((1 - e.level) * 100)
    return (
        "No allowance has been made here for looking at many profiles: even if no profile truly differed, about"
        f" {by_chance} in every 100 would show an interval clear of zero by chance. A single profile is a lead to follow"
        " up, not a finding."
    )


def _named(profiles: list[tuple[str, ShownComparison]]) -> str:
    if not profiles:
        return "none"
    farthest = sorted(profiles, key=lambda p: -_clearance(p[1]))
    named = [f"{name}, {_short(c)}" for name, c in farthest[:_PROFILES_NAMED]]
    if len(profiles) > _PROFILES_NAMED:
        named.append(f"and {len(profiles) - _PROFILES_NAMED} more")
    return f"{len(profiles)} ({'; '.join(named)})"


def _clearance(c: ShownComparison) -> float:
    """How far the interval stays from zero."""
    d = c.effect("risk_difference")
    return min(abs(d.lower or 0.0), abs(d.upper or 0.0))


def _short(c: ShownComparison) -> str:
    d = c.effect("risk_difference")
    return f"{points(d.estimate)} points, {points_interval(d)}"


def gates_sentence(e: ShownEdition) -> str:
    """How many checks passed, how many ask for caution, how many withhold."""
    verdicts = [g.gate.verdict for g in e.diagnostics.gates] if e.diagnostics else []
    if not verdicts:
        return "No check was made on the main comparison."
    if all(v == "pass" for v in verdicts):
        return (
            f"All {len(verdicts)} checks on the main comparison passed."
            if len(verdicts) > 1
            else "The one check passed."
        )
    parts = [
        f"{n} {word}"
        for v, word in (
            ("pass", "passed"),
            ("caution", "asked for caution"),
            ("withhold", "failed, so that the figure is withheld"),
        )
        if (n := verdicts.count(v))  # type: ignore[arg-type]
    ]
    return f"Of {len(verdicts)} checks on the main comparison, {joined(parts)}."


def too_few(rows: list[tuple[str, str, ShownComparison]]) -> tuple[str, ...]:
    """One sentence for each reason why profiles have no estimate, naming them."""
    by_reason: dict[str, list[str]] = {}
    for feature, level, c in rows:
        if c.effect("risk_difference").estimate is None:
            reason = (c.withheld_because or "no estimate could be made").strip().rstrip(".")
            by_reason.setdefault(reason, []).append(f"{_lower(feature)} {level}")
    return tuple(
        f"Without an estimate: {'; '.join(names)}. Reason: {clause(reason)}." for reason, names in by_reason.items()
    )


def with_caution(rows: list[tuple[str, str, ShownComparison]]) -> tuple[str, ...]:
    """One sentence naming the profiles whose groups stay somewhat unlike after weighting; none when there are none."""
    names = [
        f"{_lower(feature)} {level}"
        for feature, level, c in rows
        if "caution" in c.note and c.effect("risk_difference").estimate is not None
    ]
    return (
        (f"Read with extra care, the groups stay somewhat unlike after weighting: {'; '.join(names)}.",)
        if names
        else ()
    )


def _cut(names: list[str]) -> str:
    more = len(names) - _NAMES_LISTED
    return "; ".join(names) if more <= 0 else f"{'; '.join(names[:_NAMES_LISTED])}; and {more} more"


def _lower(label: str) -> str:
    """A label inside a sentence: first letter lowered unless it is a proper name or an abbreviation."""
    first, _, rest = label.partition(" ")
    keep = any(letter.isupper() for letter in first[1:]) or first in ("Rutherford", "Doppler")
    return label if keep else f"{first.lower()}{' ' + rest if rest else ''}"


def clause(sentence: str) -> str:
    """A reason as the end of a sentence: no closing period, first letter lowered."""
    return _lower(sentence.strip().rstrip("."))
