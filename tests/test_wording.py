"""The five sentences say what the numbers say, in every combination of sign, withheld and empty."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest

from models.results import CaseMix, Comparison, Edition, Effect, ProfileLabel, QuarterCount
from reports.disclosure import hide_small
from reports.notation import count, percent, points, points_interval, ratio
from reports.wording import (
    crossing,
    direction,
    fair_difference,
    five_sentences,
    gates_sentence,
    month,
    plain_difference,
    profile_comparisons,
    profile_leads,
    too_few,
    volume,
    with_caution,
)
from tests.edition_example import FIRST, NOTHING, SESSION, comparison, edition

ALIKE = (CaseMix("Severe calcium", 0.40, 0.39, "share", 0.02),)


def whole(
    crude: tuple[tuple[int, int], tuple[int, int]], fair: tuple[float, float, float] | str, **changes: Any
) -> Edition:
    """An edition with one crude and one like-for-like comparison of all lesions, no profile."""
    made = [comparison("all", *crude)]
    if isinstance(fair, str):
        made.append(comparison("all", *crude, withheld=fair))
    else:
        made.append(comparison("all", *crude, adjusted=fair))
    return edition(comparisons=tuple(made), profile_labels=(), length_calcium=(), **changes)


WORSE = ((400, 260), (1000, 750))  # from below 65%, from above 75%
BETTER = ((400, 320), (1000, 700))


def fair(e: Edition) -> str:
    return fair_difference(hide_small(e))


def test_the_plain_figures_pointing_the_other_way_are_called_out_with_the_reason() -> None:
    text = fair(whole(WORSE, (0.048, 0.002, 0.094)))
    assert text.startswith(
        "Comparing like with like, among lesions for which either start was realistic, the first approach crossed 4.8"
        " percentage points more often from below (95% interval 0.2 to 9.4)"
    )
    assert "pointed the other way because they compare different lesions" in text
    assert "severe calcium 42% against 17%" in text


def test_a_difference_in_favor_of_starting_from_above_is_told_as_one() -> None:
    text = fair(whole(BETTER, (-0.06, -0.10, -0.02)))
    assert (
        "6.0 percentage points more often from above (95% interval 2.0 to 10.0), about 6 more in every 100 lesions"
        in text
    )
    assert "the other way" in text


def test_an_interval_that_includes_no_difference_claims_no_winner() -> None:
    text = fair(whole(WORSE, (0.02, -0.03, 0.07)))
    assert "more often" not in text
    assert "does not settle which start is better" in text
    assert "+2.0 percentage points (95% interval \u22123.0 to +7.0)" in text
    assert "leaned the other way, and the two groups were not alike (" in text
    assert "because" not in text


def test_plain_and_fair_figures_that_agree_are_not_called_opposite() -> None:
    text = fair(whole(BETTER, (0.05, 0.01, 0.09)))
    assert "other way" not in text
    assert "the two groups were not alike" in text


def test_no_reason_is_invented_when_the_groups_are_alike() -> None:
    text = fair(whole(WORSE, (0.05, 0.01, 0.09), case_mix=ALIKE))
    assert "the plain figures pointed the other way; read it with care" in text


def test_a_difference_of_exactly_nothing_has_no_direction() -> None:
    text = fair(whole(WORSE, (0.0, -0.04, 0.04)))
    assert "the difference in how often the first approach crossed is 0.0 percentage points" in text
    assert "other way" not in text


def test_a_withheld_comparison_gives_its_reason_and_warns_about_the_plain_figures() -> None:
    text = fair(whole(WORSE, "The groups are too unlike after weighting."))
    assert (
        text
        == "The like-for-like comparison is withheld, so nothing should be read into the plain figures: the groups are too unlike after weighting."
    )


def test_withholding_both_comparisons_does_not_warn_of_figures_that_are_not_there() -> None:
    both = whole(WORSE, "too few lesions")
    crude = replace(both.comparisons[0], withheld_because="too few lesions", effects=NOTHING)
    text = fair(replace(both, comparisons=(crude, *both.comparisons[1:])))
    assert text == "The like-for-like comparison is withheld as well: too few lesions."
    hidden = fair(whole(((40, 38), (1000, 750)), "too few lesions"))
    assert hidden == "The like-for-like comparison is withheld: too few lesions."


def test_the_answer_goes_on_to_the_end_of_the_session() -> None:
    e = whole(WORSE, (0.05, 0.01, 0.09))
    session = comparison("all", (400, 330), (1000, 800), endpoint=SESSION, adjusted=(0.012, -0.024, 0.049))
    told = "by the end of the session the difference, from below minus from above, was +1.2 (\u22122.4 to +4.9)"
    assert told in fair(replace(e, comparisons=(*e.comparisons, session)))
    assert "end of the session" not in fair(e)
    gone = replace(session, withheld_because="too few", effects=NOTHING)
    assert "end of the session" not in fair(replace(e, comparisons=(*e.comparisons, gone)))


def test_a_lean_of_the_plain_figures_is_not_explained_away() -> None:
    text = fair(whole(((40, 28), (100, 75)), (0.05, 0.01, 0.09)))  # plain: 5 points the other way, unclear
    assert "leaned the other way, and the two groups were not alike (" in text
    assert "because" not in text


def test_a_report_without_a_lesion_says_so_in_one_sentence() -> None:
    e = hide_small(edition(latest_quarter="", period_start="", period_end="", quarters=(), comparisons=()))
    assert five_sentences(e) == (
        "No lesion could be compared; the case flow below says at which step the lesions were left out, and why.",
    )


def test_an_edition_without_comparisons_says_so() -> None:
    sentences = five_sentences(
        hide_small(edition(comparisons=(), profile_labels=(), length_calcium=(), diagnostics=None))
    )
    assert sentences[2].endswith("no comparison was made.")
    assert sentences[3] == "No like-for-like comparison was made."
    assert sentences[4] == "No lesion profile was compared."


def test_the_plain_difference_stands_with_both_shares_and_its_interval() -> None:
    text = plain_difference(hide_small(whole(WORSE, (0.0, -0.1, 0.1))))
    assert "in 65% of the 400 started from below and 75% of the 1,000 started from above" in text
    assert re.search(r"\u221210\.0 percentage points \(95% interval \u221215\.\d to \u22124\.\d\)", text)


def test_plain_figures_that_rest_on_a_handful_are_not_printed() -> None:
    text = plain_difference(hide_small(whole(((40, 38), (1000, 750)), (0.1, 0.05, 0.15))))
    assert "not printed, because the numbers behind them are small" in text
    assert not re.search(r"\d%", text)


def quarters(*rows: tuple[int, int, int, int]) -> Edition:
    return edition(quarters=tuple(QuarterCount(f"2025 Q{4 - len(rows) + 1 + i}", *row) for i, row in enumerate(rows)))


def test_the_volume_is_set_against_the_quarter_before() -> None:
    e = hide_small(quarters((100, 30, 70, 80), (120, 48, 90, 100)))
    assert (
        volume(e)
        == "In 2025 Q4 the service treated 120 lesions and started 48 of them (40%) from below; in 2025 Q3 it was 100 lesions, 30 (30%) from below."
    )
    assert (
        crossing(e)
        == "The first approach crossed 90 (75%) and, by the end of the session, 100 (83%) were crossed, against 70% and 80% the quarter before."
    )


def test_a_first_quarter_has_nothing_to_be_set_against() -> None:
    e = hide_small(quarters((120, 48, 90, 100)))
    assert volume(e).endswith("there is no earlier quarter to compare with.")
    assert crossing(e).endswith("100 (83%) were crossed.")


def test_a_quarter_without_lesions_is_said_to_be_one() -> None:
    for e in (quarters((0, 0, 0, 0)), edition(quarters=())):
        assert volume(hide_small(e)) == "No lesion was treated in 2025 Q4."
        assert "nothing to say" in crossing(hide_small(e))


def test_a_quarter_with_a_handful_from_below_does_not_print_the_split() -> None:
    text = volume(hide_small(quarters((100, 30, 70, 80), (120, 2, 90, 100))))
    assert "too small to print" in text
    assert "2 of them" not in text


def test_a_quarter_of_a_handful_prints_no_count() -> None:
    e = hide_small(quarters((100, 30, 70, 80), (4, 2, 2, 3)))
    assert volume(e) == "In 2025 Q4 too few lesions were treated to print a count."
    assert "nothing to say" in crossing(e)


def profiles(*effects: tuple[float, float, float] | None) -> Edition:
    made: list[Comparison] = [comparison("all", *WORSE)]
    labels = []
    for i, effect in enumerate(effects):
        profile = f"trait=level {i}"
        labels.append(ProfileLabel(profile, "Trait", f"level {i}"))
        counts = ((60, 40), (100, 70))
        made.append(
            comparison(profile, *counts, adjusted=effect)
            if effect
            else comparison(profile, *counts, withheld="Too few lesions.")
        )
    return edition(comparisons=tuple(made), profile_labels=tuple(labels), length_calcium=())


UP, DOWN, FLAT = (0.1, 0.02, 0.18), (-0.1, -0.18, -0.02), (0.01, -0.08, 0.10)


@pytest.mark.parametrize(
    ("effects", "counts"),
    [
        ((UP, DOWN, FLAT, None), ("1 (", "1 (", "1 was unclear", "1 had")),
        ((FLAT, FLAT), ("none", "none", "2 were unclear", "none had")),
        ((UP, UP), ("2 (", "none", "none were unclear", "none had")),
    ],
)
def test_profiles_are_counted_each_way(effects: tuple[Any, ...], counts: tuple[str, ...]) -> None:
    text = profile_leads(hide_small(profiles(*effects)))
    below, above, unclear, withheld = counts
    assert f"starting from below did better in {below}" in text
    assert f"from above in {above}" in text
    assert unclear in text
    assert withheld in text
    assert ("a lead, not a finding" in text) == any(e in (UP, DOWN) for e in effects)


def test_each_profile_named_has_its_interval_beside_it() -> None:
    assert "trait level 0, +10.0 points, +2.0 to +18.0" in profile_leads(hide_small(profiles(UP)))


def test_a_long_list_of_profiles_is_cut_and_says_by_how_many() -> None:
    text = profile_leads(hide_small(profiles(UP, UP, UP, UP, UP)))
    assert "5 (" in text
    assert "and 2 more" in text


def test_profiles_that_are_all_too_thin_are_said_to_be() -> None:
    e = hide_small(profiles(None, None))
    assert profile_leads(e) == "Of 2 lesion profiles, none had enough comparable lesions to say which start is better."
    assert too_few(profile_comparisons(e)) == (
        "Without an estimate: trait level 0; trait level 1. Reason: too few lesions.",
    )


def test_the_main_sentence_asks_for_care_only_where_a_check_did() -> None:
    e = whole(WORSE, (0.05, 0.01, 0.09))
    assert e.diagnostics is not None
    passed = tuple(replace(g, verdict="pass") for g in e.diagnostics.gates)
    assert "read it with care, 1 of 4 checks asked for caution." in fair(e)
    assert "with care" not in fair(replace(e, diagnostics=replace(e.diagnostics, gates=passed)))


def test_profiles_whose_groups_stay_unlike_are_named_to_be_read_with_care() -> None:
    made = tuple(
        replace(c, note="caution: fitted traits differ by up to 0.50 SD after weighting")
        if c.profile == "trait=level 0"
        else c
        for c in profiles(UP, UP).comparisons
    )
    rows = profile_comparisons(hide_small(replace(profiles(UP, UP), comparisons=made)))
    assert with_caution(rows) == (
        "Read with extra care, the groups stay somewhat unlike after weighting: trait level 0.",
    )
    assert with_caution(profile_comparisons(hide_small(profiles(UP, UP)))) == ()


def test_an_endpoint_of_ones_own_is_quoted_by_its_label() -> None:
    own = tuple(replace(c, endpoint="healed") for c in whole(WORSE, (0.0, -0.1, 0.1)).comparisons)
    e = whole(WORSE, (0.0, -0.1, 0.1), primary_endpoint="healed", endpoint_labels=(("healed", "Wound healed"),))
    assert "\u201cWound healed\u201d was reached in 65%" in plain_difference(hide_small(replace(e, comparisons=own)))


def test_the_checks_are_summed_up() -> None:
    assert (
        gates_sentence(hide_small(edition())) == "Of 4 checks on the main comparison, 3 passed and 1 asked for caution."
    )


@pytest.mark.parametrize("gone", ["quarters", "comparisons", "case_mix", "profile_labels"])
def test_every_summary_is_five_whole_sentences(gone: str) -> None:
    for e in (edition(), edition(**{gone: ()})):
        for sentence in five_sentences(hide_small(e)):
            assert sentence[0].isupper()
            assert sentence.endswith(".")
            assert not re.search(r"None|nan|\.\.|  |\( |\*|;\.|,\.", sentence)


def effect(estimate: float, lower: float, upper: float) -> Effect:
    return Effect("risk_difference", estimate, lower, upper, None)


def test_a_direction_is_claimed_only_when_the_interval_is_clear_of_zero() -> None:
    cases = (
        (0.1, 0.01, 0.2, "below"),
        (-0.1, -0.2, -0.01, "above"),
        (0.1, -0.01, 0.2, "unclear"),
        (0.1, 0.0, 0.2, "unclear"),
    )
    assert [direction(effect(*c[:3])) for c in cases] == [c[3] for c in cases]
    assert direction(Effect("risk_difference", None, None, None, None)) == "withheld"


def test_rounding_never_turns_a_small_difference_into_none() -> None:
    assert points(0.0003) == "+0.03"
    assert points(-0.0003) == "\u22120.03"
    assert points(0.0) == "0.0"
    assert points_interval(effect(0.02, 0.0002, 0.0398)) == "+0.02 to +4.0"
    assert (percent(0.004), percent(0.996), percent(0.0), percent(1.0)) == ("under 1%", "over 99%", "0%", "100%")
    assert (ratio(0.998), ratio(1.0), ratio(0.004), ratio(12.34)) == ("0.998", "1.00", "0.004", "12.3")
    assert count(1234567) == "1,234,567"


def test_a_period_is_told_by_its_months() -> None:
    assert month("2025-12") == "Dec 2025"
    assert month("") == ""
    assert five_sentences(hide_small(edition()))[2].count("Jan 2023 to Dec 2025") == 1


def test_the_example_says_what_its_numbers_say() -> None:
    e = hide_small(edition())
    c = e.comparison(FIRST, "doubly_robust", "overlap")
    assert c is not None
    assert points_interval(c.effect("risk_difference")) == "+0.2 to +9.4"
    assert "0.2 to 9.4" in five_sentences(e)[3]


def test_no_verdict_is_given_where_the_runs_own_check_failed() -> None:
    text = " ".join(
        five_sentences(hide_small(edition(verdict_held_because="the method missed it more often than it may")))
    )
    assert "but no verdict is given: the method missed it more often than it may" in text
    assert "percentage points more often from" not in text
