"""Small numbers in the methods report: hidden, and not to be worked out from what stands beside them."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.adjustment_results import MethodEstimate, TraitRow
from models.matched_effects import PairTable
from models.results import Comparison, Effect, Gate
from models.rosenbaum import rosenbaum_bounds
from models.sensitivity_results import LeftOutOperator, MissingPattern, MissingTrait, Plausibility
from reports.hidden_diagnostics import hides_value
from reports.methods import methods_page
from reports.methods_disclosure import hide_methods, hide_small
from reports.methods_shown import ShownTrait
from tests.methods_example import FIRST, N_ABOVE, N_BELOW, SESSION, methods_report

SMALLEST = 5


def words(text: str) -> str:
    bare = re.sub(r"<style\b.*?</style>", "", text, flags=re.S)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", bare))).replace("\u00a0", " ")


def row(name: str, trait: str, level: str, below: int, above: int, **changes: Any) -> TraitRow:
    made = TraitRow(
        name=name,
        trait=trait,
        level=level,
        unit="share",
        count_retrograde=below,
        count_antegrade=above,
        recorded_retrograde=N_BELOW,
        recorded_antegrade=N_ABOVE,
        retrograde=below / N_BELOW,
        antegrade=above / N_ABOVE,
        retrograde_sd=None,
        antegrade_sd=None,
        smd_before=0.2,
        weighted_retrograde=0.3,
        weighted_antegrade=0.3,
        weighted_retrograde_sd=None,
        weighted_antegrade_sd=None,
        smd_after=0.01,
    )
    return replace(made, **changes)


def table_one(*rows: TraitRow) -> tuple[ShownTrait, ...]:
    return hide_small(methods_report(table_one=rows)).table_one


# Table 1


def test_a_level_with_three_lesions_is_hidden_and_a_second_one_with_it() -> None:
    shown = table_one(
        row("bypass=none", "Bypass", "none", 340, 989),
        row("bypass=patent", "Bypass", "patent", 3, 30),
        row("bypass=occluded", "Bypass", "occluded", 69, 69),
    )
    assert [t.count_retrograde for t in shown] == [340, None, None]  # the fewest lesions are lost
    assert [t.count_antegrade for t in shown] == [989, 30, 69]
    assert all(t.smd_before is None and t.retrograde is None and t.weighted_retrograde is None for t in shown[1:])
    assert shown[1].antegrade is not None and shown[1].smd_after == 0.01


def test_lesions_without_a_level_recorded_do_not_give_a_lone_gap_away() -> None:
    shown = table_one(  # 1,088 - 989 - 96 leaves three lesions that no level holds
        row("bypass=none", "Bypass", "none", 340, 989, recorded_antegrade=1085),
        row("bypass=occluded", "Bypass", "occluded", 72, 96, recorded_antegrade=1085),
    )
    assert [t.count_antegrade for t in shown] == [989, None]
    assert [t.count_retrograde for t in shown] == [340, 72]


def test_a_count_and_a_share_of_few_hundred_do_not_give_three_unrecorded_away() -> None:
    shown = table_one(row("stent=yes", "Stent", "", 31, 162, recorded_retrograde=409, retrograde=31 / 409))
    assert shown[0].count_retrograde is None and shown[0].retrograde == 31 / 409


def test_a_yes_no_trait_that_nearly_all_have_is_hidden() -> None:
    (shown,) = table_one(row("stent=yes", "Stent", "", N_BELOW - 2, 500))
    assert shown.count_retrograde is None and shown.retrograde is None and shown.count_antegrade == 500


def test_nobody_and_everybody_are_shown() -> None:
    (shown,) = table_one(row("stent=yes", "Stent", "", 0, N_ABOVE))
    assert (shown.count_retrograde, shown.count_antegrade) == (0, N_ABOVE)


def test_a_mean_of_three_lesions_is_hidden_as_well() -> None:
    number = row(
        "length", "Length", "", 3, N_ABOVE, unit="mm", recorded_retrograde=3, retrograde=204.0, retrograde_sd=96.0
    )
    (shown,) = table_one(number)
    assert shown.retrograde is None and shown.retrograde_sd is None and shown.smd_before is None
    assert shown.antegrade is not None


def test_the_balance_of_a_hidden_level_and_of_its_products_is_hidden_before_weighting() -> None:
    shown = {b.label: b for b in hide_small(methods_report()).balance}
    for label in ("earlier bypass: patent", "occlusion length x earlier bypass: occluded"):
        assert shown[label].smd_before is None and shown[label].ks_before is None and shown[label].hidden
    assert shown["occlusion length"].smd_before == 0.706


def test_single_operators_are_one_line_of_the_balance() -> None:
    labels = [b.label for b in hide_small(methods_report()).balance]
    assert "operator, largest of 3" in labels and not any(re.fullmatch(r"operator \d+", label) for label in labels)


# Methods


def estimate(method: str, endpoint: str, n: int, events: tuple[int, int], effective: float | None) -> Comparison:
    base = next(e for e in methods_report().estimates if e.comparison.method == method).comparison
    return replace(
        base,
        endpoint=endpoint,
        retrograde=replace(base.retrograde, n=n, events=events[0], effective_n=effective),
        antegrade=replace(base.antegrade, n=n, events=events[1], effective_n=effective),
    )


CRUDE = tuple(e.comparison for e in methods_report().estimates if e.comparison.method == "crude")


def test_matched_lesions_that_are_nearly_all_have_their_number_hidden() -> None:
    shown = hide_methods((*CRUDE, estimate("matching", FIRST, N_BELOW - 3, (200, 190), None)), SMALLEST)
    assert shown[-1].retrograde.n is None


def test_two_matchings_that_differ_by_two_lesions_are_not_both_counted() -> None:
    pair = (estimate("matching", FIRST, 300, (200, 190), 250.0), estimate("matching_with_replacement", FIRST, 302, (201, 190), 250.0))  # fmt: skip
    shown = hide_methods((*CRUDE, *pair), SMALLEST)
    assert shown[-2].retrograde.n == 300 and shown[-1].retrograde.n is None
    assert shown[-1].effect("risk_difference").estimate is not None


def test_matched_risks_of_two_endpoints_that_differ_by_two_lesions_are_not_both_shown() -> None:
    pair = tuple(estimate("matching", e, 300, (200 + d, 190 + 40), 300.0) for e, d in ((FIRST, 0), (SESSION, 2)))
    shown = hide_methods((*CRUDE, *pair), SMALLEST)
    assert shown[-2].effect("risk_ratio").estimate is not None
    assert shown[-1].effect("risk_ratio").estimate is None and shown[-1].retrograde.risk is None


def tiny(e: MethodEstimate) -> MethodEstimate:
    c = e.comparison
    return replace(e, comparison=replace(c, retrograde=replace(c.retrograde, n=4, events=3)))


def test_four_lesions_from_below_hide_how_many_were_from_above_all_over_the_page() -> None:
    whole = methods_report()
    made = words(
        methods_page(
            replace(
                whole,
                estimates=tuple(map(tiny, whole.estimates)),
                weights=tuple(replace(w, n=4) if w.approach == "retrograde" else w for w in whole.weights),
            )
        )
    )
    assert "1,088" in words(methods_page(whole)) and "1,088" not in made
    assert "3 of 4" not in made and "803 of" not in made


def test_an_adjusted_difference_stays_where_counts_are_hidden() -> None:
    whole = methods_report()
    shown = hide_small(replace(whole, estimates=tuple(map(tiny, whole.estimates))))
    primary, crude = shown.primary(FIRST), shown.crude(FIRST)
    assert primary and primary.comparison.effect("risk_difference").estimate is not None
    assert crude and crude.comparison.effect("risk_difference") == Effect("risk_difference", None, None, None, None)


# Checks


@pytest.mark.parametrize(
    ("name", "value", "limit", "hidden"),
    [("arm_size", 3, 20, True), ("variance_ratio", 2.2, 2.0, False), ("imbalance", 0.07, 0.1, False)],
)
def test_only_a_number_of_lesions_is_hidden_in_a_check(name: str, value: float, limit: float, hidden: bool) -> None:
    assert hides_value(Gate(name, "", value, limit, "pass", ""), False, SMALLEST) is hidden


# The score


def test_a_tenth_of_the_score_with_two_from_below_is_hidden_and_another_with_it() -> None:
    whole = methods_report()
    assert whole.score
    groups = (replace(whole.score.groups[0], retrograde=2), *whole.score.groups[1:])
    shown = hide_small(replace(whole, score=replace(whole.score, groups=groups))).score
    assert shown
    assert [g.share is None for g in shown.groups].count(True) == 2
    assert shown.groups[0].share is None and shown.groups[0].share_upper is None


def test_score_bars_are_joined_until_none_is_small() -> None:
    shown = hide_small(methods_report()).score
    assert shown and all(b.count == 0 or b.count >= SMALLEST for b in shown.bars)
    assert sum(b.count for b in shown.bars if b.approach == "retrograde") == N_BELOW


# Gaps


def test_two_lesions_without_a_trait_by_one_approach_hide_those_by_the_other() -> None:
    shown = hide_small(methods_report()).missing
    assert shown
    kidney = next(t for t in shown.traits if t.label == "Kidney function")  # 2 from below, 21 from above
    assert kidney.missing_retrograde is kidney.missing_antegrade is kidney.share_antegrade is None


@settings(max_examples=60, deadline=None)
@given(
    st.dictionaries(
        st.frozensets(st.sampled_from(["a", "b", "c"]), max_size=3), st.integers(1, 40), min_size=2, max_size=8
    )
)
def test_no_pattern_of_gaps_follows_from_the_totals_by_trait(counts: dict[frozenset[str], int]) -> None:
    whole = methods_report()
    assert whole.missing
    patterns = tuple(MissingPattern(tuple(sorted(k)), n) for k, n in counts.items())
    totals = {t: sum(n for k, n in counts.items() if t in k) for t in "abc"}
    traits = tuple(MissingTrait(t, n, n, 5000, 5000) for t, n in totals.items())
    shown = hide_small(replace(whole, missing=replace(whole.missing, patterns=patterns, traits=traits))).missing
    assert shown
    kept = {frozenset(p.traits): p.count for p in shown.patterns if not p.others}
    assert all(n is not None and n >= SMALLEST for n in kept.values())
    for trait, total in totals.items():
        hidden = [k for k in counts if trait in k and k not in kept]
        left = total - sum(n or 0 for k, n in kept.items() if trait in k)
        # what is left of a trait's total is no small count, unless all of the trait's patterns are hidden and the total itself is small
        if hidden and any(trait in k for k in kept):
            assert len(hidden) > 1 or left == 0
            assert not 0 < left < SMALLEST


def test_imputed_values_of_three_lesions_are_hidden() -> None:
    whole = methods_report()
    assert whole.missing
    few = (
        Plausibility("Age", "", "years", 1497, 1497, 3, 72.0, 10.0, 70.0, 9.0),
        Plausibility("Calcium", "severe", "share", 1477, 3, 23, 0.002, None, 0.0, None),
        Plausibility("Calcium", "none", "share", 1477, 1474, 23, 0.998, None, 1.0, None),
    )
    shown = hide_small(replace(whole, missing=replace(whole.missing, plausibility=few))).missing
    assert shown
    assert shown.plausibility[0].imputed is None and shown.plausibility[0].recorded == 72.0
    assert [p.recorded for p in shown.plausibility[1:]] == [None, None]


# Pairs, operators, looks


def test_few_discordant_pairs_hide_their_p_values_too() -> None:
    whole = methods_report()
    few = rosenbaum_bounds(PairTable(90, 7, 2, 60, 0.18, 3.5, 0.7, 34.0, 0, None), 0.95)
    assert few.bounds
    hidden = tuple(replace(h, rosenbaum=few) for h in whole.hidden)
    shown = hide_small(replace(whole, hidden=hidden)).hidden[0]
    assert shown.discordant is None and shown.found.rosenbaum and shown.found.rosenbaum.bounds == ()
    assert "they rest on small numbers" in words(methods_page(replace(whole, hidden=hidden)))


def test_an_operator_with_three_lesions_is_not_drawn_and_cannot_be_subtracted() -> None:
    shown = hide_small(methods_report()).influence[0].operators
    assert shown[-1].estimate is None and shown[-1].lesions is None
    assert [o.lesions for o in shown].count(None) == 2  # all but one would give it away


def test_an_operator_who_was_left_out_for_few_lesions_is_told_of_without_the_count() -> None:
    whole = methods_report()
    one = replace(
        whole.influence[0],
        operators=(
            LeftOutOperator(1, 700, 0.04, -0.01, 0.09, None),
            LeftOutOperator(2, 797, 0.05, 0.0, 0.1, None),
            LeftOutOperator(3, 3, None, None, None, "only 3 lesions"),
        ),
    )
    made = words(methods_page(replace(whole, influence=(one,))))
    assert "only 3 lesions" not in made and "fewer than 5 lesions: not drawn" in made


def test_a_quarter_of_two_lesions_does_not_follow_from_two_looks() -> None:
    whole = methods_report()
    series = whole.looks[0]
    lines = tuple(
        replace(line, interval=replace(line.interval, n=n))
        for line, n in zip(series.lines, (600, 602, 700, 800, 900, 1000, 1497, 1500), strict=True)
    )
    shown = hide_small(replace(whole, looks=(replace(series, lines=lines),))).looks[0]
    assert [line.n for line in shown.lines] == [600, None, 700, 800, 900, 1000, None, 1500]


def test_few_patients_are_called_few() -> None:
    whole = methods_report()
    made = words(methods_page(replace(whole, run=replace(whole.run, patients=3))))
    assert "few patients" in made and "3 patients" not in made
