"""What the primary method is held to, and whether the figures hold it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from models.adjustment_results import SimulationLine
from models.intervals import z_value
from tests.validation.cases import CASES, HIGHEST_COVERAGE, LOWEST_COVERAGE, LOWEST_WIDENED, MOST_CLAIMS, Case
from tests.validation.figures import Figures
from tests.validation.one_service import PLAN, PRIMARY, UNGATED

FEWEST_ANSWERED = 0.5  # share of the services


@dataclass(frozen=True, slots=True)
class Goal:
    """One goal in words, and whether it holds; `by_chance` where it is missed by no more than simulation error at 95 %."""

    scenario: str
    what: str
    asked: str
    found: str
    holds: bool
    by_chance: bool


def goals(figures: Figures) -> list[Goal]:
    """Every goal, in the order of the scenarios."""
    made = [goal for case in CASES for goal in _of_case(case, figures)]
    for widened in figures.widened:
        holds = widened.coverage >= LOWEST_WIDENED
        found = f"{100 * widened.coverage:.1f} %"
        made.append(
            Goal(
                widened.scenario,
                "coverage, widened by the true strength",
                f"at least {100 * LOWEST_WIDENED:.0f} %",
                found,
                holds,
                not holds and widened.coverage_upper >= LOWEST_WIDENED,
            )
        )
    for looks in figures.looks:
        if looks.method == "open_ended":
            holds = looks.ever <= MOST_CLAIMS
            asked, found = f"at most {100 * MOST_CLAIMS:.0f} %", f"{100 * looks.ever:.1f} %"
            chance = not holds and looks.lower <= MOST_CLAIMS
            made.append(Goal("no effect, twelve looks", "services that ever claim one", asked, found, holds, chance))
    return made


def _of_case(case: Case, figures: Figures) -> Iterator[Goal]:
    """The goals of a scenario that was simulated. Where gates withhold most services the rest is a selection: then the method is judged on all of them."""
    name = f"{case.name}, {case.lesions:,} lesions"
    here = (case.name, case.lesions)
    given, all_of_them = (
        {one.endpoint: one for one in lines if (one.scenario, one.lesions, one.method) == (*here, method)}
        for lines, method in ((figures.lines, PRIMARY), (figures.ungated, UNGATED))
    )
    if case.largest_bias is None or not all_of_them:
        return
    for endpoint in all_of_them:
        ending = "" if endpoint == PLAN.primary_endpoint else ", in the session"
        line, total = given.get(endpoint), all_of_them[endpoint].services
        answered = 0 if line is None else total - line.withheld
        if line is None or answered < FEWEST_ANSWERED * total:
            yield Goal(name, f"services answered{ending}", "most", f"{answered} of {total}", False, False)
            line, ending = all_of_them[endpoint], f"{ending}, gates aside"
        yield _bias(name, ending, line, case.largest_bias)
        yield _coverage(name, ending, line)


def _bias(name: str, ending: str, line: SimulationLine, largest: float) -> Goal:
    holds = abs(line.bias) <= largest
    chance = not holds and abs(line.bias) - z_value(0.95) * line.bias_error <= largest
    found = f"{100 * line.bias:+.2f} points (error {100 * line.bias_error:.2f})"
    return Goal(name, f"bias{ending}", f"at most {100 * largest:.1f} points", found, holds, chance)


def _coverage(name: str, ending: str, line: SimulationLine) -> Goal:
    holds = LOWEST_COVERAGE <= line.coverage <= HIGHEST_COVERAGE
    chance = not holds and line.coverage_upper >= LOWEST_COVERAGE and line.coverage_lower <= HIGHEST_COVERAGE
    asked, found = f"{100 * LOWEST_COVERAGE:.0f} to {100 * HIGHEST_COVERAGE:.0f} %", f"{100 * line.coverage:.1f} %"
    return Goal(name, f"coverage{ending}", asked, found, holds, chance)
