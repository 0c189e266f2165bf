"""A reader who sets out to work hidden counts back from the report fails, by any of the roads that once led there."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from models.results import (
    Edition,
)
from pipeline import analyze
from reports import tables
from reports.disclosure import hide_comparisons, hide_small
from reports.hidden_diagnostics import tells_of
from reports.shown import ShownEdition
from reports.small_cells import is_small
from synthetic_data.service import invent
from tests.edition_example import ALL, FIRST, SESSION, comparison, edition, shown


def recovered_by_adding(e: Edition, s: ShownEdition) -> set[tuple[str, str, int]]:
    """Small numbers of lesions or events that follow from the totals a reader knows: the null space of those totals tells."""
    found = set()
    for endpoint, approach, what in itertools.product((FIRST, SESSION), ("retrograde", "antegrade"), ("n", "events")):
        pairs = [
            (c.profile, getattr(getattr(c, approach), what), getattr(getattr(h, approach), what))
            for c, h in zip(e.comparisons, s.comparisons, strict=True)
            if c.endpoint == endpoint and c.method == "crude"
        ]
        true = {p: v for p, v, _ in pairs}
        known = {p for p, _, v in pairs if v is not None}
        unknown = [p for p in true if p not in known]
        at = {p: i for i, p in enumerate(unknown)}
        totals = [(half, levels) for half, levels in HALVES.items() if half in true]
        features = dict.fromkeys(p.partition("=")[0] for p in true if p != "all")
        for f in features:
            levels = [p for p in true if p.startswith(f"{f}=")]
            if sum(true[p] for p in levels) == true["all"]:  # recorded for every lesion, as the report says
                totals.append(("all", levels))
        rows = []
        for total, parts in totals:
            row = np.zeros(len(unknown))
            for p, sign in ((total, -1.0), *((p, 1.0) for p in parts)):
                if p in at:
                    row[at[p]] += sign
            rows.append(row)
        if unknown and rows:
            system = np.array(rows)
            for p in unknown:
                unit = np.eye(len(unknown))[at[p]]
                follows = np.linalg.matrix_rank(np.vstack([system, unit])) == np.linalg.matrix_rank(system)
                if follows and is_small(true[p], 5):
                    found.add((p, approach, true[p]))
    return found


HALVES = {
    "below_knee=false": ["segment=superficial_femoral", "segment=popliteal"],
    "below_knee=true": [
        f"segment={x}"
        for x in (
            "tibioperoneal_trunk",
            "anterior_tibial",
            "posterior_tibial",
            "peroneal",
            "dorsalis_pedis",
            "plantar",
        )
    ],
}


def smd(a: float, b: float) -> float:
    """Austin 2009, for two proportions."""
    return (a - b) / max(((a * (1 - a) + b * (1 - b)) / 2) ** 0.5, 1e-9)


def recovered_from_balance(e: Edition, s: ShownEdition) -> set[tuple[str, str]]:
    """Hidden numbers of lesions to which one count alone fits, given the other group's count and a printed difference."""
    assert e.diagnostics
    assert s.diagnostics
    printed = {t.label: t.smd_before for t in s.diagnostics.balance} | {m.trait.label: m.smd for m in s.case_mix}
    profile_of = {
        t.label: t.name.replace("=yes", "=true") for t in e.diagnostics.balance if "=" in t.name and " x " not in t.name
    }
    shown_n = {
        c.profile: (c.retrograde.n, c.antegrade.n) for c in s.comparisons if c.method == "crude" and c.endpoint == FIRST
    }
    recorded: dict[str, list[int]] = {}
    for c in e.comparisons:
        if c.method == "crude" and c.endpoint == FIRST:
            both = recorded.setdefault(c.profile.partition("=")[0], [0, 0])
            both[0] += c.retrograde.n
            both[1] += c.antegrade.n
    found = set()
    for label, profile in profile_of.items():
        difference, (below, above) = printed.get(label), shown_n.get(profile, (0, 0))
        if difference is None or (below is not None and above is not None):
            continue
        whole = recorded[profile.partition("=")[0]]
        ways = {
            (i, j)
            for i in ([below] if below is not None else range(whole[0] + 1))
            for j in ([above] if above is not None else range(whole[1] + 1))
            if round(smd(i / whole[0], j / whole[1]), 2) == round(difference, 2)
        }
        for side, seen in enumerate((below, above)):
            if seen is None and len({w[side] for w in ways if 0 < w[side] < 5}) >= 1:
                found.add((profile, "from below" if side == 0 else "from above"))
    return found


def recovered_from_plain_risks(e: Edition, s: ShownEdition) -> set[tuple[str, str, int]]:
    """Small hidden counts that a risk with the weight 1, or the effects made from it, gives back; and those left out."""
    found = set()
    whole = {c.endpoint: c for c in e.comparisons if c.method == "crude" and c.profile == "all"}
    for c, h in zip(e.comparisons, s.comparisons, strict=True):
        if c.profile != "all":
            continue
        plain = whole[c.endpoint]
        for arm, seen in ((c.retrograde, h.retrograde), (c.antegrade, h.antegrade)):
            crude = s.comparison(c.endpoint, "crude", "observed")
            assert crude
            shown_arm = crude.retrograde if arm.approach == "retrograde" else crude.antegrade
            true = plain.retrograde if arm.approach == "retrograde" else plain.antegrade
            if seen.n is not None and shown_arm.n is not None and is_small(seen.n - shown_arm.n, 5):
                found.add((c.method, "left out", shown_arm.n - seen.n))
            if seen.events is not None and shown_arm.events is not None and is_small(seen.events - shown_arm.events, 5):
                found.add((c.method, "events left out", shown_arm.events - seen.events))
            risks = [seen.risk]
            d, rr = h.effect("risk_difference").estimate, h.effect("risk_ratio").estimate
            if d is not None and rr is not None and rr != 1:
                risks.append(d * rr / (rr - 1) if arm.approach == "retrograde" else d / (rr - 1))
            for risk in risks:
                if risk is None or shown_arm.events is not None or c.population == "overlap":
                    continue
                back = risk * true.n
                if abs(back - true.events) < 1e-6 and any(is_small(x, 5) for x in (true.events, true.n - true.events)):
                    found.add((c.population, arm.approach, true.events))
    return found


@pytest.fixture(scope="module", params=[(150, 1), (150, 4), (400, 1), (400, 3), (2000, 1)], ids=str)
def invented(request: pytest.FixtureRequest) -> Edition:
    cases, seed = request.param
    return analyze(invent(cases, seed).tables, key=b"invented data only").edition


def test_no_small_count_of_an_invented_service_is_worked_out_from_nested_traits(invented: Edition) -> None:
    assert recovered_by_adding(invented, hide_small(invented)) == set()


def test_no_hidden_count_of_an_invented_service_is_worked_out_from_its_balance(invented: Edition) -> None:
    assert recovered_from_balance(invented, hide_small(invented)) == set()


def test_no_small_count_of_an_invented_service_is_worked_out_from_another_population(invented: Edition) -> None:
    assert recovered_from_plain_risks(invented, hide_small(invented)) == set()


def test_the_sum_of_two_segments_does_not_give_a_small_one_away() -> None:
    made = (
        comparison("all", (100, 60), (200, 140)),
        comparison("segment=superficial_femoral", (27, 15), (104, 70)),
        comparison("segment=popliteal", (3, 2), (34, 20)),
        comparison("segment=plantar", (30, 20), (30, 25)),
        comparison("segment=peroneal", (40, 23), (32, 25)),
        comparison("below_knee=false", (30, 17), (138, 90)),
        comparison("below_knee=true", (70, 43), (62, 50)),
    )
    s = hide_comparisons(made, 5)
    assert shown(s, "segment=popliteal").retrograde.n is None
    assert None in (shown(s, "segment=superficial_femoral").retrograde.n, shown(s, "below_knee=false").retrograde.n)
    e = edition(comparisons=made, profile_labels=(), length_calcium=())
    assert recovered_by_adding(e, hide_small(e)) == set()


def test_a_risk_with_the_weight_1_is_hidden_with_its_counts() -> None:
    treated = replace(comparison("all", (40, 38), (300, 200), adjusted=(0.2, 0.1, 0.3)), population="treated")
    treated = replace(treated, retrograde=replace(treated.retrograde, risk=38 / 40))
    e = edition(comparisons=(comparison("all", (40, 38), (300, 200)), treated), profile_labels=(), length_calcium=())
    (_, found) = hide_small(e).comparisons
    assert found.retrograde.risk is None
    assert all(x.estimate is None and x.upper is None for x in found.effects)
    assert recovered_from_plain_risks(e, hide_small(e)) == set()
    row = next(r for r in tables.comparisons(hide_small(e)).rows if "lesions like those started from below" in r[0])
    assert row[3:6] == ("*", "*", "*")  # hidden, not withheld


@pytest.mark.parametrize(("own", "hidden"), [((97, 58), True), ((90, 57), True), ((90, 50), False)])
def test_lesions_with_every_trait_recorded_do_not_tell_how_few_lack_one(own: tuple[int, int], hidden: bool) -> None:
    complete = replace(comparison("all", own, (180, 120), adjusted=(0.1, 0.02, 0.18)), method="complete_case")
    _, c = hide_comparisons((comparison("all", (100, 60), (200, 140)), complete), 5)
    assert [c.retrograde.n is None, c.antegrade.n is None, c.retrograde.events is None] == [hidden] * 3
    assert c.effect("risk_difference").estimate == 0.1


def test_equal_weights_make_a_like_for_like_risk_a_plain_one() -> None:
    even = comparison("calcium=a", (60, 2), (100, 70), adjusted=(0.1, 0.02, 0.18))
    even = replace(even, retrograde=replace(even.retrograde, effective_n=60.0))
    made = (*ALL, comparison("calcium=a", (60, 2), (100, 70)), comparison("calcium=b", (40, 30), (100, 70)), even)
    c = shown(hide_comparisons(made, 5), "calcium=a", "doubly_robust")
    assert (c.retrograde.risk, c.effect("risk_difference").estimate) == (None, None)


def test_a_hidden_balance_is_an_asterisk_in_the_table_and_no_mark_in_the_chart(invented: Edition) -> None:
    s = hide_small(invented)
    assert s.diagnostics
    hidden = {t.label for t in s.diagnostics.balance if t.smd_before is None}
    if invented.quarters and sum(q.lesions for q in invented.quarters) < 1000:
        assert hidden
    for row in tables.balance(s).rows:
        assert (row[2] == "*") == (row[0].replace(" \u00d7 ", " x ").lower() in {h.lower() for h in hidden})


@pytest.mark.parametrize(
    ("term", "tells"),
    [
        ("calcium=severe", True),
        ("calcium=mild", False),
        ("calcium not recorded", True),
        ("in_stent=yes", True),
        ("length_mm x calcium=severe", True),
        ("calcium=mild x renal=ckd", False),
        ("length_mm^2", False),
    ],
)
def test_a_difference_before_weighting_is_hidden_with_the_level_that_it_tells_of(term: str, tells: bool) -> None:
    assert tells_of(term, frozenset({"calcium=severe", "in_stent=true"})) is tells
