"""The scenarios of the validation, what each asks, and what the primary method is held to in it."""

from __future__ import annotations

from dataclasses import dataclass

from synthetic_data.scenario import CLUSTERED, EFFECT, GAPS, HIDDEN, NONLINEAR, NULL, RARE, Scenario

LOWEST_COVERAGE, HIGHEST_COVERAGE = 0.93, 0.97
LARGEST_BIAS = 0.005
LARGEST_BIAS_BENT = 0.01
LOWEST_WIDENED = 0.90
MOST_CLAIMS = 0.05
LEARNED = 50


@dataclass(frozen=True, slots=True)
class Case:
    """One scenario at one size. `largest_bias` (a fraction) is None where a trait is hidden: no method can be unbiased there.

    The learners, which take seconds, are made in the first `learned` services.
    """

    name: str
    scenario: Scenario
    lesions: int
    what: str
    largest_bias: float | None = LARGEST_BIAS
    learned: int = 0


CASES = (
    Case("plain", EFFECT, 1500, "Harder lesions are started from below more often; the usual few per cent of traits are not recorded."),
    Case("no effect", NULL, 1500, "As plain, but either start has the same chance of crossing, lesion by lesion."),
    Case(
        "nonlinear with interactions",
        NONLINEAR,
        1500,
        "Curves and combinations of traits, in choice and in crossing, that splines of single traits and the usual pairs do not hold; nothing is missing.",
        LARGEST_BIAS_BENT,
        learned=LEARNED,
    ),
    Case("rare retrograde", RARE, 300, "Few lesions are started from below, in a small service."),
    Case("rare retrograde", RARE, 1500, "Few lesions are started from below, in a larger service."),
    Case(
        "25 % missing at random",
        GAPS,
        1500,
        "Each key trait is not recorded in a quarter of lesions: more often after a start from below, where the wire did not cross, and below the knee.",
    ),
    Case("clustered", CLUSTERED, 1500, "Most patients have several lesions, and lesions of a patient are alike in crossing."),
    Case(
        "hidden confounder",
        HIDDEN,
        1500,
        "A trait as strong as severe calcium, on choice and on crossing, is in no table.",
        None,
    ),
)  # fmt: skip
