"""The known truth of the invented service: what it says, and that a naive table turns it round."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from synthetic_data.service import DEMO, NULL, Service, invent

FIRST, SESSION = "first_approach_crossed", "crossed_in_session"


@pytest.fixture(scope="module")
def demo() -> Service:
    return invent(2000, 1)


@pytest.fixture(scope="module")
def large() -> Service:
    """So many lesions that a share is known to about half a point."""
    return invent(20_000, 3)


@pytest.fixture(scope="module")
def null() -> Service:
    return invent(20_000, 4, NULL)


def first_attempts(service: Service) -> pl.DataFrame:
    return service.tables["attempts"].filter(pl.col("attempt_no") == 1)


def with_procedure(service: Service) -> pl.DataFrame:
    return service.tables["lesions"].join(
        service.tables["procedures"], on="procedure_id", how="left", maintain_order="left"
    )


def test_what_was_observed_is_the_potential_outcome_of_the_approach_taken(large: Service) -> None:
    truth = large.truth
    assert truth["lesion_id"].equals(large.tables["lesions"]["lesion_id"])
    seen = (
        large.tables["attempts"]
        .group_by("lesion_id")
        .agg(
            (pl.col("approach").sort_by("attempt_no").first() == "retrograde").alias("below"),
            pl.col("crossed").sort_by("attempt_no").first().alias("first"),
            pl.col("crossed").any().alias("session"),
        )
    )
    both = truth.join(seen, on="lesion_id")
    assert both.height == truth.height
    assert (both["below"] == both["started_from_below"]).all()
    for part in ("first", "session"):
        told = both.select(pl.when("below").then(f"{part}_if_below").otherwise(f"{part}_if_above")).to_series()
        assert (told == both[part]).all()


@pytest.mark.parametrize("scenario", [DEMO, NULL], ids=lambda scenario: scenario.name)
def test_the_written_chances_are_those_that_outcomes_and_choices_were_drawn_with(
    large: Service, null: Service, scenario: object
) -> None:
    truth = (null if scenario is NULL else large).truth
    drawn = [("started_from_below", "probability_below")]
    drawn += [
        (name, f"{name}_probability")
        for part in ("first", "session")
        for name in (f"{part}_if_above", f"{part}_if_below")
    ]
    for outcome, chance in drawn:
        p = truth[chance].to_numpy()
        surprise = (truth[outcome].to_numpy() - p).sum() / np.sqrt((p * (1 - p)).sum())
        assert abs(surprise) < 4, outcome  # standard errors


def test_the_choice_depends_on_nothing_that_the_score_does_not_tell(large: Service) -> None:
    truth = large.truth
    leftover = truth["started_from_below"].to_numpy() - truth["probability_below"].to_numpy()
    for outcome in ("first_if_above", "first_if_below", "session_if_above", "session_if_below"):
        correlation = np.corrcoef(leftover, truth[outcome].to_numpy())[0, 1]
        assert abs(correlation) < 4 / np.sqrt(truth.height), outcome  # no unmeasured confounding


def test_the_summary_is_what_its_definition_says(demo: Service) -> None:
    truth = demo.truth.filter(pl.col("length_band") == "200_or_more")
    e = truth["probability_below"].to_numpy()
    gain = truth["first_if_below_probability"].to_numpy() - truth["first_if_above_probability"].to_numpy()
    overlap = np.average(gain, weights=e * (1 - e))
    assert demo.truth_summary.difference(FIRST, "overlap", "length_band=200_or_more") == pytest.approx(
        overlap, abs=1e-12
    )
    crude = first_attempts(demo).group_by("approach").agg(pl.col("crossed").mean())
    rate = dict(crude.iter_rows())
    assert demo.truth_summary.difference(FIRST, "observed") == pytest.approx(
        rate["retrograde"] - rate["antegrade"], abs=1e-12
    )
    with pytest.raises(KeyError):
        demo.truth_summary.risk(FIRST, "nobody")


def test_the_crude_table_points_one_way_and_the_truth_the_other() -> None:
    found = [invent(2000, seed).truth_summary for seed in range(1, 21)]
    crude, true = ([one.difference(FIRST, population) for one in found] for population in ("observed", "overlap"))
    assert max(crude) < 0.0
    assert -0.08 < np.mean(crude) < -0.05
    assert all(0.08 < value < 0.10 for value in true)


def test_the_effect_is_large_for_hard_lesions_and_none_or_harmful_for_easy_ones(large: Service) -> None:
    def gain(*which: pl.Expr) -> float:
        some = large.truth.filter(*which)
        e = some["probability_below"].to_numpy()
        return float(
            np.average(
                some["first_if_below_probability"].to_numpy() - some["first_if_above_probability"].to_numpy(),
                weights=e * (1 - e),
            )
        )

    for hard in ("length_band=200_or_more", "calcium=severe", "proximal_cap=convex"):
        assert large.truth_summary.difference(FIRST, "overlap", hard) > 0.15
    easy = (
        pl.col("segment") == "superficial_femoral",
        pl.col("length_band") == "under_100",
        pl.col("calcium") == "none",
        pl.col("proximal_cap") == "concave",
    )
    assert -0.06 < gain(*easy) < -0.02
    assert gain(pl.col("proximal_cap") == "convex", pl.col("distal_cap") == "concave") > gain(
        pl.col("proximal_cap") == "concave", pl.col("distal_cap") == "convex"
    )


def test_without_an_effect_both_approaches_and_both_sessions_have_the_same_chance_for_every_lesion(
    null: Service,
) -> None:
    truth = null.truth
    for part in ("first", "session"):
        gap = truth[f"{part}_if_below_probability"] - truth[f"{part}_if_above_probability"]
        assert gap.abs().max() < 1e-12  # rounding
    assert null.truth_summary.difference(FIRST, "overlap") == pytest.approx(0.0, abs=1e-12)
    assert null.truth_summary.difference(FIRST, "observed") < -0.05  # the confounding is still there


def test_the_score_leaves_real_overlap(large: Service) -> None:
    e = large.truth["probability_below"]
    assert e.is_between(0.03, 0.85).mean() > 0.95
    assert 0.24 < large.truth["started_from_below"].mean() < 0.30


def test_operators_learn_from_their_earlier_cases_from_below(demo: Service) -> None:
    case = with_procedure(demo).with_columns(
        demo.truth["operator_earlier_below"], demo.truth["started_from_below"].cast(pl.Int64).alias("below")
    )
    one = case.filter(pl.col("operator_id") == case["operator_id"][0])
    counted = [one.filter(pl.col("procedure_date") < day)["below"].sum() for day in one["procedure_date"]]
    assert one["operator_earlier_below"].to_list() == counted
    assert max(counted) > 20
