"""The primary comparison against a known truth, over many invented services (`make validate`)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulation import COMPLETE, ENDPOINTS, HEADING, answers, line, summarize

from synthetic_data.scenario import EFFECT, HIDDEN, NULL, Scenario
from synthetic_data.service import invent
from tests.validation import figures as figures_file
from tests.validation.cases import CASES
from tests.validation.figures import as_text, lines_of, read
from tests.validation.goals import goals
from tests.validation.hidden import hidden_truth
from tests.validation.one_service import LEARNED, PLAN, PRIMARY, UNGATED, Scored
from tests.validation.page import FILE as PAGE
from tests.validation.page import coverage, page
from tests.validation.run import SERVICES as VALIDATED
from tests.validation.run import made

SERVICES = 200
LESIONS = 1500
LARGEST_BIAS = 0.5  # percentage points
# The imbalance gate withholds one estimate in a hundred by chance (models.gates.FALSE_WITHHOLDING): 2 of 200 are expected.
MOST_WITHHELD = 6
LOWEST_COVERAGE, HIGHEST_COVERAGE = 0.92, 0.98


@pytest.mark.long
@pytest.mark.parametrize("scenario", [EFFECT, NULL], ids=lambda s: s.name)
def test_the_overlap_difference_is_unbiased_and_its_interval_covers_the_truth(scenario: Scenario, capsys) -> None:
    found = answers(scenario, LESIONS, SERVICES)
    lines, failures = [HEADING], []
    for endpoint in ENDPOINTS:
        for population in ("overlap", COMPLETE, "all", "treated"):
            picked = [
                a for s in found for a in s if (a.endpoint, a.population, a.profile) == (endpoint, population, "all")
            ]
            s = summarize(picked)
            lines.append(line(scenario, LESIONS, endpoint, population, s))
            if population == "overlap" and not (
                abs(s.bias) <= LARGEST_BIAS
                and LOWEST_COVERAGE <= s.coverage <= HIGHEST_COVERAGE
                and s.withheld <= MOST_WITHHELD
            ):
                failures.append(f"{endpoint}: bias {s.bias:+.2f}, coverage {s.coverage:.3f}, withheld {s.withheld}")
    profiles = [a for s in found for a in s if a.population == "overlap" and a.profile != "all"]
    told = summarize(profiles)
    lines.append(
        f"one-way profiles, both endpoints together: bias {told.bias:+.2f}, coverage {100 * told.coverage:.1f} %, "
        f"withheld {told.withheld} of {told.services}"
    )
    with capsys.disabled():
        print("\n" + "\n".join(lines))
    assert not failures, failures


@pytest.mark.long
@pytest.mark.parametrize(
    ("scenario", "lesions"),
    [
        (replace(EFFECT, missing=2.0), 1500),
        (replace(NULL, missing=2.0), 1500),
        (replace(EFFECT, missing=0.0), 1500),
        (EFFECT, 300),
    ],
    ids=["effect-double-gaps", "null-double-gaps", "effect-no-gaps", "effect-small-service"],
)
def test_what_gaps_and_a_small_service_cost_is_known(scenario: Scenario, lesions: int, capsys) -> None:
    """Told in docs/methods.md; the bounds are looser than for the service that the method is held to."""
    found = answers(scenario, lesions, SERVICES)
    told = {
        population: summarize([a for s in found for a in s if (a.endpoint, a.population, a.profile) == asked])
        for population in ("overlap", COMPLETE)
        if scenario.missing > 0 or population == "overlap"
        for asked in [(ENDPOINTS[0], population, "all")]
    }
    with capsys.disabled():
        print("\n" + HEADING)
        for population, s in told.items():
            print(line(scenario, lesions, ENDPOINTS[0], population, s))
    s = told["overlap"]
    assert abs(s.bias) <= 0.25 * abs(s.truth - s.crude), "less than a quarter of the confounding may be left"
    assert s.coverage >= 0.90


def test_in_every_one_of_ten_services_adjusting_comes_nearer_the_truth_than_the_plain_table() -> None:
    for service in answers(EFFECT, LESIONS, 10, first_seed=9001, plan=PLAN):
        main = next(a for a in service if (a.endpoint, a.population, a.profile) == (ENDPOINTS[0], "overlap", "all"))
        assert main.estimate is not None and main.crude is not None
        assert abs(main.estimate - main.truth) < abs(main.crude - main.truth)
        assert main.crude < main.truth


def test_where_approaches_do_not_differ_the_mean_of_ten_services_is_near_zero() -> None:
    errors = [
        a.estimate
        for service in answers(NULL, LESIONS, 10, first_seed=9101, plan=PLAN)
        for a in service
        if (a.endpoint, a.population, a.profile) == (ENDPOINTS[0], "overlap", "all")
    ]
    # Four simulation errors of a mean of ten estimates with SD 2.8 points.
    assert abs(np.mean(errors)) < 4 * 0.028 / np.sqrt(10)


@pytest.fixture(scope="module")
def small() -> figures_file.Figures:
    """The whole validation over three services a scenario, and two that look each quarter."""
    return made(3, 2, tell=lambda _: None)


def test_the_validation_runs_every_scenario_and_method(small: figures_file.Figures) -> None:
    asked = {(case.name, case.lesions) for case in CASES}
    for method in (PRIMARY, "crude", "weighting", "standardization", "matching"):
        found = {(one.scenario, one.lesions) for one in small.lines if one.method == method}
        assert found <= asked
        assert {("plain", 1500), ("nonlinear with interactions", 1500), ("hidden confounder", 1500)} <= found
    assert {(one.scenario, one.lesions) for one in small.ungated} == asked
    assert [one.scenario for one in small.widened] == ["hidden confounder"]
    assert {one.method for one in small.looks} == {"open_ended", "each look by itself"}


def test_the_widened_interval_is_the_wider_one(small: figures_file.Figures) -> None:
    (widened,) = small.widened
    plain = next(one for one in small.ungated if (one.scenario, one.endpoint) == (widened.scenario, widened.endpoint))
    assert widened.width > plain.width


def test_the_figures_come_back_from_their_file_as_they_were(small: figures_file.Figures, tmp_path) -> None:
    file = tmp_path / "figures.json"
    file.write_text(as_text(small), encoding="utf-8")
    assert read(file) == small


def test_the_validation_page_says_what_the_figures_say() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(read())


def test_the_figures_that_are_kept_are_of_every_scenario() -> None:
    kept = read()
    assert all(one.services == VALIDATED for one in kept.lines if one.method != LEARNED)
    assert {(one.scenario, one.lesions) for one in kept.lines} == {(case.name, case.lesions) for case in CASES}
    assert {one.endpoint for one in kept.lines if one.method == PRIMARY} == set(PLAN.endpoints)


def test_a_line_counts_what_is_withheld_and_scores_the_rest() -> None:
    """By hand: two of three intervals hold the truth, one service is silent; Wilson's limits of 2 in 3 are 0.2077 and 0.9385."""
    found = [
        Scored("e", PRIMARY, 0.1, 0.12, 0.02, 0.08, 0.16),
        Scored("e", PRIMARY, 0.1, 0.08, 0.02, 0.04, 0.12),
        Scored("e", PRIMARY, 0.1, 0.19, 0.04, 0.11, 0.27),
        Scored("e", PRIMARY, 0.1),
    ]
    (line_found,) = lines_of("s", 10, found)
    assert (line_found.services, line_found.withheld, line_found.role) == (4, 1, "primary")
    assert line_found.bias == pytest.approx(0.03)  # (0.02 - 0.02 + 0.09) / 3
    assert line_found.empirical_se == pytest.approx(0.055678, abs=1e-6)  # SD of 0.02, -0.02, 0.09
    assert line_found.coverage == pytest.approx(2 / 3, abs=1e-6)
    assert (line_found.coverage_lower, line_found.coverage_upper) == pytest.approx((0.2077, 0.9385), abs=1e-4)
    assert line_found.width == pytest.approx(0.32 / 3, abs=1e-6)
    assert coverage(line_found) == "66.7 % (20.8 to 93.9)"


def test_a_goal_that_is_missed_is_called_missed(small: figures_file.Figures) -> None:
    plain = next(one for one in small.lines if (one.scenario, one.method) == ("plain", PRIMARY))
    plain = replace(plain, endpoint=PLAN.primary_endpoint, withheld=0)
    held = replace(plain, bias=0.004, bias_error=0.001, coverage=0.95, coverage_lower=0.91, coverage_upper=0.97)
    off = replace(held, bias=0.009, coverage=0.85, coverage_lower=0.79, coverage_upper=0.89)
    by_luck = replace(held, bias=0.006, coverage=0.925, coverage_lower=0.88, coverage_upper=0.955)
    for one, holds, chance in ((held, True, False), (off, False, False), (by_luck, False, True)):
        told = goals(replace(small, lines=(one,), ungated=(replace(one, method=UNGATED),)))[:2]
        assert [(goal.what, goal.holds, goal.by_chance) for goal in told] == [
            ("bias", holds, chance),
            ("coverage", holds, chance),
        ]


def test_a_method_that_is_silent_in_most_services_is_judged_on_all_and_called_silent(
    small: figures_file.Figures,
) -> None:
    plain = next(one for one in small.lines if (one.scenario, one.method) == ("plain", PRIMARY))
    everyone = replace(plain, method=UNGATED, services=200, withheld=0, bias=0.001, coverage=0.95)
    few = replace(plain, services=200, withheld=197, bias=0.05, coverage=0.66)
    told = goals(replace(small, lines=(few,), ungated=(everyone,)))[:3]
    assert [(one.what, one.holds) for one in told] == [
        ("services answered", False),
        ("bias, gates aside", True),
        ("coverage, gates aside", True),
    ]
    assert told[0].found == "3 of 200"


def test_the_hidden_trait_moves_the_score_and_crossing_as_it_was_made_to() -> None:
    """Taken apart and put together again, each lesion's chances are those that it had; the look hardens crossing and invites a start from below."""
    truth = invent(400, 3, HIDDEN).truth
    apart = hidden_truth(truth, HIDDEN)
    has = truth["hidden_look"].to_numpy().astype(int)
    rows = np.arange(400)
    for name, parts in (
        ("probability_below", apart.score),
        ("first_if_above_probability", apart.risk_0),
        ("first_if_below_probability", apart.risk_1),
    ):
        assert parts[rows, has] == pytest.approx(truth[name].to_numpy())
    assert (apart.score[:, 1] > apart.score[:, 0]).all()
    assert (apart.risk_0[:, 1] < apart.risk_0[:, 0]).all()
    assert (apart.risk_1[:, 1] < apart.risk_1[:, 0]).all()
    assert 0.01 < apart.strength.approach < 0.1
    assert 0.01 < apart.strength.outcome < 0.15
