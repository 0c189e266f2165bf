"""The table of shifts and the shift at which a verdict turns."""

from __future__ import annotations

import numpy as np
import pytest

from models.multiple_imputation import impute_departing
from models.rubin import pool
from models.sensitivity_results import TippingCell
from models.tipping import departures, tipping_point
from tests.gappy_service import gappy_service, overlap_difference


def _cell(shift: float, lower: float | None, upper: float | None, *, above: float | None = None) -> TippingCell:
    middle = None if lower is None or upper is None else (lower + upper) / 2
    return TippingCell("crossed", "grade", shift, shift if above is None else above, middle, lower, upper)


def test_the_shift_at_which_a_claim_is_lost_lies_where_the_limit_meets_no_difference() -> None:
    cells = [_cell(d, 0.02 - 0.04 * d, 0.12 - 0.04 * d) for d in (-1.0, 0.0, 1.0)]
    found = tipping_point(cells, "both")
    assert found is not None
    assert found.claims
    assert found.above == pytest.approx(0.5)
    assert found.below is None
    assert found.sentence == "Without a shift the interval leaves out no difference; that turns at a shift of 0.5."


def test_a_claim_that_would_arise_is_found_on_either_side() -> None:
    cells = [_cell(d, -0.05 + 0.1 * d, 0.05 + 0.1 * d) for d in (-2.0, -1.0, 0.0, 1.0, 2.0)]
    found = tipping_point(cells, "both")
    assert found is not None
    assert not found.claims
    assert found.below == pytest.approx(-0.5)
    assert found.above == pytest.approx(0.5)


def test_a_claim_against_starting_from_below_turns_as_one_for_it_does() -> None:
    turned = tipping_point([_cell(d, -0.12 + 0.04 * d, -0.02 + 0.04 * d) for d in (0.0, 1.0)], "both")
    assert turned is not None
    assert turned.above == pytest.approx(0.5)


def test_an_interval_that_jumps_over_no_difference_counts_as_a_turn() -> None:
    found = tipping_point([_cell(0.0, 0.01, 0.03), _cell(1.0, -0.07, -0.05)], "both")
    assert found is not None
    assert found.above == pytest.approx(0.125)


def test_a_verdict_that_holds_says_how_far_was_tried() -> None:
    found = tipping_point([_cell(d, 0.02, 0.1) for d in (-1.0, 0.0, 2.0)], "both")
    assert found is not None
    assert (found.below, found.above) == (None, None)
    assert found.sentence == "At every shift tried, from -1 to 2, the interval leaves out no difference."


def test_the_order_of_cells_and_cells_without_an_estimate_change_nothing() -> None:
    cells = [_cell(d, 0.02 - 0.04 * d, 0.12 - 0.04 * d) for d in (1.0, -1.0, 0.0)]
    assert tipping_point([*cells, _cell(0.6, None, None)], "both") == tipping_point(cells[::-1], "both")


def test_without_an_estimate_at_no_shift_there_is_no_tipping_point() -> None:
    assert tipping_point([_cell(1.0, 0.1, 0.2), _cell(0.0, None, None)], "both") is None
    assert tipping_point([], "both") is None


def test_shifts_of_one_approach_are_read_from_that_approach() -> None:
    cells = [_cell(0.0, 0.02 - 0.04 * d, 0.12 - 0.04 * d, above=d) for d in (0.0, 1.0)]
    found = tipping_point(cells, "antegrade")
    assert found is not None
    assert found.above == pytest.approx(0.5)


def test_departures_shift_the_approaches_that_they_name() -> None:
    deltas = (-1.0, 0.0, 1.0)
    assert [(d.retrograde, d.antegrade) for d in departures("grade", deltas, "both")] == [(-1, -1), (0, 0), (1, 1)]
    assert [(d.retrograde, d.antegrade) for d in departures("grade", deltas, "retrograde")] == [(-1, 0), (0, 0), (1, 0)]
    assert [(d.retrograde, d.antegrade) for d in departures("grade", deltas, "antegrade")] == [(0, -1), (0, 0), (0, 1)]
    assert len({(d.retrograde, d.antegrade) for d in departures("grade", deltas, "each")}) == 9


def test_grades_that_were_worse_than_recorded_from_below_make_the_approach_look_better() -> None:
    """Harder lesions go unrecorded from below: with their grades raised, more of their failures are put down to the lesion."""
    _, gappy, known = gappy_service(np.random.default_rng(12), 3000)
    names = tuple(c.name for c in gappy)
    shifts = (-2.0, 0.0, 2.0)
    made = departures("grade", shifts, "retrograde")
    found = impute_departing(gappy, known, names, made, data_sets=4, sweeps=6, seed=1)
    cells = []
    for shift, sets in zip(shifts, found, strict=True):
        q, u = np.array([overlap_difference(covariates, known) for covariates in sets]).T
        pooled = pool(q, u, int(known.cluster.max()))
        lower, upper = pooled.interval(0.95)
        cells.append(
            TippingCell("crossed", "grade", shift, 0.0, float(pooled.estimate[0]), float(lower[0]), float(upper[0]))
        )
    estimates = [c.estimate or 0.0 for c in cells]
    assert estimates == sorted(estimates)
    assert estimates[2] - estimates[0] > 0.01
    turned = tipping_point(cells, "retrograde")
    assert turned is not None
    assert turned.claims
