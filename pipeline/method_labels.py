"""How each method is printed, and what it takes for granted: one entry for each method, in a sentence or two."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from models.adjustment_results import OddsRatioKind
from models.results import Comparison, Population


@dataclass(frozen=True, slots=True)
class MethodLabel:
    """A method as printed; `assumes` in one sentence; `odds_ratio` is of the population or at given covariates."""

    label: str
    assumes: str
    odds_ratio: OddsRatioKind = "marginal"


# That no reason for the choice is unrecorded, all take for granted but the plain figures: it is said once, beside the table.
METHOD_LABELS: Mapping[str, MethodLabel] = {
    "crude": MethodLabel("Plain figures", "The approaches were chosen as if by lot."),
    "doubly_robust": MethodLabel(
        "Augmented weighting", "The score is right, or the outcome model is and the score not far off."
    ),
    "weighting": MethodLabel("Weighting", "The logistic score is right."),
    "truncated_weighting": MethodLabel(
        "Weighting, truncated",
        "The logistic score is right; a little bias is taken in exchange for a narrower interval.",
    ),
    "covariate_balancing": MethodLabel(
        "Covariate-balancing score", "The terms that are balanced exactly are those that matter."
    ),
    "matching": MethodLabel(
        "Matching without replacement",
        "The logistic score is right, and counts as known; the answer is about lesions from below that find a match.",
    ),
    "matching_with_replacement": MethodLabel(
        "Matching with replacement", "As matching, but a lesion from above may stand for several."
    ),
    "standardization": MethodLabel(
        "Standardization", "The logistic model of the outcome is right, the approach acting alike on the log odds."
    ),
    "learners": MethodLabel(
        "Cross-fitted learners",
        "The learners have found the bends. Their error counts as nothing: in services of this size the interval is too narrow.",
    ),
    "conditional": MethodLabel(
        "Logistic model at given traits",
        "The logistic model of the outcome is right; errors are clustered by patient (CR2).",
        "conditional",
    ),
    "estimating_equations": MethodLabel(
        "Estimating equations (GEE)",
        "The logistic model is right; the lesions of a patient are alike to one degree (CR2 errors).",
        "conditional",
    ),
    "random_intercept": MethodLabel(
        "Random intercept for each operator",
        "The logistic model is right; operators' levels are normal, and lesions of a patient unrelated otherwise.",
        "conditional",
    ),
    "firth": MethodLabel(
        "Firth's logistic model",
        "The logistic model in length, calcium and both caps alone is right; it holds where cells are sparse.",
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
        return MethodLabel(method.replace("_", " ").capitalize(), "Its models are right.")
    label = entry.label
    if method == "weighting":
        label = _WEIGHTING[population]
    elif method == "truncated_weighting":
        label = f"{_WEIGHTING[population]}, truncated"
    elif method in ("doubly_robust", "learners", "standardization", "covariate_balancing"):
        label = f"{entry.label}, {POPULATION_WORDS[population]}"
    return MethodLabel(label, entry.assumes, entry.odds_ratio)


def label_of(comparison: Comparison) -> MethodLabel:
    """The entry for the method and population of a comparison."""
    return method_label(comparison.method, comparison.population)
