"""Small numbers cannot be read from a report, nor worked out from its totals."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.results import (
    BalanceTerm,
    CaseMix,
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
from reports.hidden_diagnostics import operators_as_one, score_bars, scrub
from reports.notation import count
from reports.small_cells import Sum, hidden_keys, is_small
from reports.strategy import strategy_page
from tests.edition_example import ALL, FIRST, SESSION, comparison, edition, shown


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
    c = shown(hide_comparisons(made, 5), "calcium=a", "doubly_robust")
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
        shown(hide_comparisons(made, 5), "calcium=a", "doubly_robust").withheld_because
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
