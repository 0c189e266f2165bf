"""How each method is printed, and what it takes for granted: one entry for each method, in a sentence or two."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from models.adjustment_results import OddsRatioKind
from models.results import Comparison, Population

NOTHING_HIDDEN = "no reason for the choice is unrecorded"


@dataclass(frozen=True, slots=True)
class MethodLabel:
    """A method as printed; `assumes` in one sentence; `odds_ratio` is of the population or at given covariates."""

    label: str
    assumes: str
    odds_ratio: OddsRatioKind = "marginal"


METHOD_LABELS: Mapping[str, MethodLabel] = {
    "crude": MethodLabel("Plain figures", "The approaches were chosen as if by lot."),
    "doubly_robust": MethodLabel(
        "Augmented weighting",
        f"{NOTHING_HIDDEN.capitalize()}; the score is right, or the outcome model is and the weights are not extreme.",
    ),
    "weighting": MethodLabel("Weighting", f"{NOTHING_HIDDEN.capitalize()}; the logistic score is right."),
    "truncated_weighting": MethodLabel(
        "Weighting, largest weights cut off",
        "As weighting to the same lesions; a little bias is taken in exchange for a narrower interval.",
    ),
    "covariate_balancing": MethodLabel(
        "Covariate-balancing score",
        f"{NOTHING_HIDDEN.capitalize()}; the terms that were balanced are those that matter.",
    ),
    "matching": MethodLabel(
        "Matching without replacement",
        f"{NOTHING_HIDDEN.capitalize()}; matched lesions are alike, and the answer is about the matched.",
    ),
    "matching_with_replacement": MethodLabel(
        "Matching with replacement",
        f"{NOTHING_HIDDEN.capitalize()}; matched lesions are alike, and one from above may serve more than once.",
    ),
    "standardization": MethodLabel(
        "Standardization", f"{NOTHING_HIDDEN.capitalize()}; the logistic model of the outcome is right."
    ),
    "learners": MethodLabel(
        "Augmented weighting with cross-fitted learners",
        f"{NOTHING_HIDDEN.capitalize()}; stacked flexible learners come near the score and the outcome.",
    ),
    "conditional": MethodLabel(
        "Logistic model within operators",
        f"{NOTHING_HIDDEN.capitalize()}; the odds ratio is the same for every lesion at given traits.",
        "conditional",
    ),
    "estimating_equations": MethodLabel(
        "Estimating equations (GEE)",
        f"{NOTHING_HIDDEN.capitalize()}; the logistic model is right, a patient's lesions alike to one degree.",
        "conditional",
    ),
    "random_intercept": MethodLabel(
        "Random intercept for each operator",
        f"{NOTHING_HIDDEN.capitalize()}; the logistic model is right, operators' levels are normal and unrelated to their cases.",
        "conditional",
    ),
    "firth": MethodLabel(
        "Firth's logistic model",
        f"{NOTHING_HIDDEN.capitalize()}; the logistic model is right; it holds with few events.",
        "conditional",
    ),
    "complete_case": MethodLabel(
        "Complete cases only", "Lesions with every trait recorded stand for all: recording has nothing to do with crossing."
    ),
    "missing_indicator": MethodLabel(
        "Gaps as a category of their own", "The operator, too, decided without the value that is not recorded."
    ),
}  # fmt: skip

POPULATION_WORDS: Mapping[Population, str] = {
    "observed": "lesions as they came",
    "overlap": "overlap population",
    "all": "all lesions",
    "treated": "lesions started from below",
}
# Names in use for weighting to one population.
_WEIGHTING: Mapping[Population, str] = {
    "observed": "Weighting",
    "overlap": "Overlap weighting",
    "all": "Inverse-probability weighting",
    "treated": "Weighting to lesions started from below",
}


def method_label(method: str, population: Population) -> MethodLabel:
    """The entry of `method`, its label naming the population where one is weighted to; a plain one for a method without an entry."""
    entry = METHOD_LABELS.get(method)
    if entry is None:
        return MethodLabel(method.replace("_", " ").capitalize(), f"{NOTHING_HIDDEN.capitalize()}.")
    label = entry.label
    if method == "weighting":
        label = _WEIGHTING[population]
    elif method == "truncated_weighting":
        label = f"{_WEIGHTING[population]}, largest weights cut off"
    elif method in ("doubly_robust", "learners", "standardization", "covariate_balancing"):
        label = f"{entry.label}, {POPULATION_WORDS[population]}"
    return MethodLabel(label, entry.assumes, entry.odds_ratio)


def label_of(comparison: Comparison) -> MethodLabel:
    """The entry for the method and population of a comparison."""
    return method_label(comparison.method, comparison.population)
