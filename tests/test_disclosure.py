"""Small numbers cannot be read from a report, nor worked out from its totals."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.results import (
    BalanceTerm,
    CaseMix,
    Edition,
    FlowStep,
    Gate,
    MissingShare,
    Price,
    QuarterCount,
    ReasonCount,
    ScoreOverlap,
    SequenceCount,
    TableCount,
)
from pipeline import analyze
from reports import tables
from reports.disclosure import hide_comparisons, hide_small
from reports.hidden_counts import (
    hide_flow,
    hide_mix,
    hide_prices,
    hide_quarters,
    hide_reasons,
    hide_sequences,
    hide_tables,
)
from reports.hidden_diagnostics import operators_as_one, score_bars, scrub, tells_of
from reports.notation import count
from reports.shown import ShownComparison, ShownEdition
from reports.small_cells import Sum, hidden_keys, is_small
from reports.strategy import strategy_page
from synthetic_data.service import invent
from tests.edition_example import FIRST, SESSION, comparison, edition


def shown(comparisons: tuple[ShownComparison, ...], profile: str, method: str = "crude") -> ShownComparison:
    return next(c for c in comparisons if c.profile == profile and c.method == method)


# The fewer-than-5 rule of several agencies (Australia, Canada, Scotland, English public health); 11 is the rule of the US
# Centers for Medicare and Medicaid Services (1 to 10 hidden), 8 that of English hospital statistics since 2018.
@pytest.mark.parametrize(
    ("smallest", "counts", "printed"),
    [(5, (0, 1, 4, 5), "0 * * 5"), (11, (0, 10, 11), "0 * 11"), (8, (0, 7, 8, 12, 13), "0 * 8 12 13")],
)
def test_counts_below_the_threshold_are_hidden_and_zero_is_shown(
    smallest: int, counts: tuple[int, ...], printed: str
) -> None:
    assert " ".join(count(None if is_small(c, smallest) else c) for c in counts) == printed


def test_a_lone_small_count_takes_a_second_one_with_it() -> None:
    assert hidden_keys({"a": (3,), "b": (20,), "c": (40,)}, [Sum(("a", "b", "c"))], smallest=5) == {"a", "b"}


def test_small_counts_that_add_up_to_a_small_count_take_another_one_with_them() -> None:
    assert hidden_keys({"a": (1,), "b": (2,), "c": (40,)}, [Sum(("a", "b", "c"))], smallest=5) == {"a", "b", "c"}


def test_a_hidden_total_cannot_be_added_up_from_its_parts() -> None:
    values = {"total": (30,), "a": (12,), "b": (18,)}
    assert "a" in hidden_keys(values, [Sum(("a", "b"), "total")], smallest=5, already=frozenset({"total"}))


@settings(max_examples=150, deadline=None)
@given(st.lists(st.integers(0, 14), min_size=2, max_size=4))
def test_a_reader_who_knows_the_total_cannot_work_out_a_small_count(counts: list[int]) -> None:
    smallest = 5
    if sum(counts) < smallest:
        return  # such a total is hidden itself
    hidden = sorted(
        hidden_keys({i: (c,) for i, c in enumerate(counts)}, [Sum(tuple(range(len(counts))))], smallest=smallest)
    )
    unknown = sum(counts) - sum(c for i, c in enumerate(counts) if i not in hidden)
    # A hidden count is at least 1, because zero is shown: try every way to share out what the total leaves.
    ways = (
        [w for w in itertools.product(range(1, unknown + 1), repeat=len(hidden)) if sum(w) == unknown] if hidden else []
    )
    for at, i in enumerate(hidden):
        if is_small(counts[i], smallest):
            assert len({w[at] for w in ways}) > 1


ALL = (comparison("all", (100, 60), (200, 140)),)


@pytest.mark.parametrize("events", [2, 58])
def test_few_events_or_few_without_the_event_hide_both(events: int) -> None:
    made = (*ALL, comparison("calcium=a", (60, events), (100, 70)), comparison("calcium=b", (40, 20), (100, 70)))
    arm = shown(hide_comparisons(made, 5), "calcium=a").retrograde
    assert (arm.n, arm.events, arm.risk, arm.lower, arm.upper) == (60, None, None, None, None)


def test_a_crude_difference_does_not_give_a_hidden_risk_away() -> None:
    c = shown(
        hide_comparisons(
            (*ALL, comparison("calcium=a", (60, 2), (100, 70)), comparison("calcium=b", (40, 30), (100, 70))), 5
        ),
        "calcium=a",
    )
    assert all(e.estimate is None and e.lower is None for e in c.effects)


def test_an_adjusted_estimate_stays_when_its_counts_are_hidden_but_its_effective_size_does_not() -> None:
    made = (
        *ALL,
        comparison("calcium=a", (60, 2), (100, 70), adjusted=(0.1, 0.02, 0.18)),
        comparison("calcium=b", (40, 30), (100, 70)),
    )
    c = shown(hide_comparisons(made, 5), "calcium=a", "weighting")
    assert c.counts_hidden
    assert c.effect("risk_difference").estimate == 0.1
    assert c.retrograde.effective_n is None


def test_the_only_small_level_of_a_trait_hides_a_second_level_in_the_same_arm_alone() -> None:
    made = (
        comparison("all", (103, 60), (300, 140)),
        comparison("calcium=a", (3, 2), (100, 50)),
        comparison("calcium=b", (40, 20), (100, 50)),
        comparison("calcium=c", (60, 38), (100, 40)),
    )
    found = hide_comparisons(made, 5)
    assert [shown(found, f"calcium={x}").retrograde.n for x in "abc"] == [None, None, 60]
    assert [shown(found, f"calcium={x}").antegrade.n for x in "abc"] == [100, 100, 100]


def test_lesions_without_a_recorded_level_cannot_be_counted_by_subtraction() -> None:
    made = (
        comparison("all", (103, 60), (200, 140)),
        comparison("calcium=a", (40, 20), (100, 70)),
        comparison("calcium=b", (60, 38), (100, 70)),  # 3 lesions have no recorded calcium
    )
    assert shown(hide_comparisons(made, 5), "calcium=a").retrograde.n is None


def test_the_map_does_not_give_back_what_the_profiles_hide() -> None:
    made = (
        comparison("all", (103, 60), (200, 140)),
        comparison("calcium=a", (3, 2), (100, 70)),
        comparison("calcium=b", (40, 20), (50, 35)),
        comparison("calcium=c", (60, 38), (50, 35)),
        *(comparison(f"length_band=s;calcium={x}", r, (30, 20)) for x, r in (("b", (20, 10)), ("c", (30, 19)))),
        *(comparison(f"length_band=l;calcium={x}", r, (20, 15)) for x, r in (("b", (20, 10)), ("c", (30, 19)))),
    )
    found = hide_comparisons(made, 5)
    assert shown(found, "calcium=b").retrograde.n is None
    assert None in [shown(found, f"length_band={x};calcium=b").retrograde.n for x in "sl"]


def test_two_endpoints_do_not_give_away_how_few_were_rescued() -> None:
    made = (comparison("all", (100, 60), (200, 140)), comparison("all", (100, 63), (200, 170), endpoint=SESSION))
    first, session = hide_comparisons(made, 5)
    assert (first.retrograde.events, session.retrograde.events) == (60, None)
    assert session.antegrade.events is None  # else the two approaches together, known from the quarters, would tell


def test_a_reason_does_not_print_a_hidden_count() -> None:
    made = (
        comparison("all", (100, 60), (200, 140)),
        comparison("calcium=a", (3, 2), (50, 40), withheld="only 3 lesions, needs 20"),
        comparison("calcium=b", (97, 58), (150, 100)),
    )
    assert (
        shown(hide_comparisons(made, 5), "calcium=a", "weighting").withheld_because
        == "only fewer than 5 lesions, needs 20"
    )


def test_a_limit_that_happens_to_equal_a_hidden_count_is_not_taken_for_it() -> None:
    assert scrub("fewer than 20 lesions; 20 were", frozenset({20}), 5) == "fewer than 20 lesions; some were"


def test_scrubbing_leaves_decimals_and_percentages_alone() -> None:
    assert (
        scrub("3 of 0.3 and 3% and 12, 3.", frozenset({3, 12}), 5)
        == "fewer than 5 of 0.3 and 3% and some, fewer than 5."
    )


def test_a_step_of_the_case_flow_at_which_few_leave_is_joined_to_its_neighbor() -> None:
    flow = (
        FlowStep("read", 100, 0, ""),
        FlowStep("in period", 80, 20, "outside"),
        FlowStep("compared", 77, 3, "unknown"),
    )
    steps, bare = hide_flow(flow, 5)
    assert [(s.label, s.count, s.left_out) for s in steps] == [("read", 100, 0), ("compared", 77, 23)]
    assert not bare
    assert steps[-1].reason == "outside; or unknown"


def test_a_case_flow_that_loses_only_a_few_shows_its_end_alone() -> None:
    steps, bare = hide_flow((FlowStep("read", 100, 0, ""), FlowStep("compared", 97, 3, "unknown")), 5)
    assert bare
    assert [(s.count, s.left_out) for s in steps] == [(None, None), (97, None)]
    (lesions,) = hide_tables((TableCount("lesions", 100, 97, 3),), steps, bare, 5)
    assert (lesions.read, lesions.used, lesions.set_aside) == (None, None, None)


def test_few_rows_set_aside_hide_the_rows_used_as_well() -> None:
    (table,) = hide_tables((TableCount("attempts", 100, 97, 3),), (), False, 5)
    assert (table.read, table.used, table.set_aside) == (100, None, None)


def test_a_rare_reason_is_hidden_with_a_second_one() -> None:
    reasons = (
        ReasonCount("lesions", "row", "a", 2),
        ReasonCount("lesions", "row", "b", 30),
        ReasonCount("lesions", "value", "c", 9),
    )
    assert [r.count for r in hide_reasons(reasons, 5)] == [None, None, 9]


def test_a_rare_course_on_the_table_cannot_be_worked_out() -> None:
    rows = (("none", False, 30), ("same", True, 2), ("same", False, 9), ("bailout", True, 40), ("bailout", False, 20))
    sequences = (
        SequenceCount("retrograde", True, "none", True, 200),
        *(SequenceCount("retrograde", False, then, end, n) for then, end, n in rows),  # type: ignore[arg-type]
    )
    found = {
        (s.then, s.session_crossed): s.count
        for s in hide_sequences(sequences, 5, hide_all=False)
        if not s.first_crossed
    }
    assert found["same", True] is None
    assert found["bailout", True] is None  # the only other way to cross after a failure
    assert found["none", False] == 30


def test_a_quarter_with_few_starts_from_below_hides_a_second_quarter() -> None:
    quarters = tuple(QuarterCount(f"2025 Q{i + 1}", 60, r, 40, 50) for i, r in enumerate((3, 14, 20)))
    found = hide_quarters(quarters, 5, hide_approach=False, hide_outcome=False)
    assert [q.retrograde_first for q in found] == [None, None, 20]
    assert [q.first_approach_crossed for q in found] == [40, 40, 40]


def test_the_median_of_a_few_lesions_is_not_shown() -> None:
    (price,) = hide_prices(
        (Price("m", "Minutes", "min", "retrograde", 4, 50.0, 40.0, 60.0),), {"retrograde": 4}, 5, hide_n=False
    )
    assert (price.n, price.median, price.upper_quartile) == (None, None, None)


def test_a_share_that_stands_for_a_few_lesions_is_not_shown() -> None:
    (mix,) = hide_mix(
        (CaseMix("x", 0.03, 0.5, "share", 0.1),),
        {"retrograde": 100, "antegrade": 100},
        {"retrograde": frozenset(), "antegrade": frozenset()},
        5,
    )
    assert (mix.retrograde, mix.antegrade) == (None, 0.5)


def test_a_share_does_not_give_back_a_count_hidden_in_the_profiles() -> None:
    (mix,) = hide_mix(
        (CaseMix("x", 0.40, 0.5, "share", 0.1),),
        {"retrograde": 100, "antegrade": 100},
        {"retrograde": frozenset({40}), "antegrade": frozenset()},
        5,
    )
    assert mix.retrograde is None


def test_a_missing_share_that_stands_for_a_few_lesions_is_not_shown() -> None:
    e = hide_small(
        edition(missing=(MissingShare("a", "A", 2 / 1500), MissingShare("b", "B", 0.2), MissingShare("c", "C", 0.0)))
    )
    assert [m.share for m in e.missing] == [None, 0.2, 0.0]


@given(st.lists(st.integers(0, 9), min_size=3, max_size=12))
def test_no_bar_of_the_score_histogram_stands_for_a_few_lesions(counts: list[int]) -> None:
    edges = tuple(i / len(counts) for i in range(len(counts) + 1))
    bars = [
        b for b in score_bars(ScoreOverlap(edges, tuple(counts), (0,) * len(counts)), 5) if b.approach == "retrograde"
    ]
    assert not any(is_small(b.count, 5) for b in bars)
    if sum(counts) >= 5:
        assert sum(b.count for b in bars) == sum(counts)
        assert (bars[0].lower, bars[-1].upper) == (0.0, 1.0)
        assert all(a.upper == b.lower for a, b in itertools.pairwise(bars))


def test_a_service_with_a_handful_of_cases_prints_none_of_its_counts() -> None:
    tiny = edition(
        comparisons=(
            comparison("all", (3, 2), (977, 701)),
            comparison("all", (3, 2), (977, 701), withheld="only 3 lesions were started from below"),
        ),
        profile_labels=(),
        length_calcium=(),
        diagnostics=None,
        case_mix=(),
        prices=(),
        sequences=(
            SequenceCount("retrograde", True, "none", True, 2),
            SequenceCount("retrograde", False, "none", False, 1),
            SequenceCount("antegrade", True, "none", True, 701),
            SequenceCount("antegrade", False, "none", False, 276),
        ),
        quarters=(QuarterCount("2025 Q4", 980, 3, 703, 703),),
        flow=(FlowStep("Lesions read", 980, 0, ""), FlowStep("Compared", 980, 0, "")),
        reasons=(),
        table_counts=(),
        missing=(),
        methods=(),
    )
    page = re.sub(r"<(style|script)\b.*?</\1>", "", strategy_page(tiny), flags=re.S)
    words = re.sub(r"<[^>]+>", " ", page)
    for number in ("977", "701", "703", "276"):
        assert number not in words
    assert not re.search(r"\b3 (lesions|of)", words)


def test_no_count_that_is_hidden_in_the_tables_is_left_in_the_chart_data() -> None:
    e = edition()
    page = strategy_page(e)
    hidden = [c for c in hide_small(e).comparisons if c.counts_hidden and c.endpoint == FIRST]
    assert hidden  # the example has some
    specs = re.search(r'id="chart-specs">(.*?)</script>', page, re.S)
    assert specs
    assert (
        "34 of 41" not in page
    )  # calcium none from below: 7 not crossed would be shown, 34 is hidden with its neighbor
    small = replace(e, comparisons=(*e.comparisons, comparison("rare=yes", (23457, 1), (23459, 2))))
    assert not re.search(r"\b[12] of 2345", strategy_page(small))


def test_a_balance_plot_does_not_tell_one_operator_from_another() -> None:
    def term(name: str, before: float, after: float) -> BalanceTerm:
        return BalanceTerm(name, name, "fitted", 0.2, 0.1, before, after, None, None)

    found = operators_as_one(
        (term("age", 0.1, 0.0), term("operator_id=1", -0.3, 0.01), term("operator_id=2", 0.2, -0.04))
    )
    assert [(t.label, t.smd_before, t.smd_after) for t in found] == [
        ("age", 0.1, 0.0),
        ("operator, largest of 2", 0.3, 0.04),
    ]


def test_a_check_does_not_print_a_hidden_number_of_lesions() -> None:
    e = edition()
    assert e.diagnostics
    small = replace(
        e.diagnostics,
        gates=(
            Gate("arm", "enough lesions", 3.0, 20.0, "withhold", ""),
            Gate("balance", "alike", 0.12, 0.1, "caution", ""),
            Gate("key_traits", "recorded", 1.0, 1.0, "pass", ""),
        ),
    )
    found = hide_small(replace(e, diagnostics=small)).diagnostics
    assert found
    assert [g.value for g in found.gates] == [None, 0.12, 1.0]


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
    c = shown(hide_comparisons(made, 5), "calcium=a", "weighting")
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
