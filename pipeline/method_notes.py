"""Methods in plain words, written from the plan: what the strategy report prints under its results."""

from __future__ import annotations

from models.results import MethodNote
from pipeline.covariates import adjusted_features
from pipeline.plan import Plan
from pipeline.plan_parts import Population
from pipeline.published_grades import CALCIUM_CAVEAT

_FORM = {
    "doubly_robust": "numbers as curves, and combinations of two traits that the choice or the result follows beyond the single traits",
    "weighting": "numbers as curves",
    "simplified": "numbers as straight lines and no combinations, as there are few lesions",
}
_WEIGHTS: dict[Population, str] = {
    "overlap": "Overlap weights from it give most say to the lesions for which either start was realistic and none to those that always go one "
    "way, and make the two groups alike in the traits of the model (Li, Morgan and Zaslavsky 2018).",
    "all": "Weights from it make each of the two groups like all lesions.",
    "treated": "Weights from it make the lesions started from above like those started from below.",
}
_SECOND_MODEL = (
    "A model of crossing, on the same traits, then takes out what difference between the groups the weights have left. The answer is right if the model of "
    "choice is, and nearly so if only the model of crossing is (Mao, Li and Greene 2019). "
)
_SEARCH = "and for the combinations having been looked for in the same lesions, "


def method_notes(
    plan: Plan, remarks: tuple[str, ...], fitted: tuple[str, ...], *, simplified: bool
) -> tuple[MethodNote, ...]:
    """The paragraphs, in reading order.

    `remarks` of the score model: values drawn, levels put together, terms left out. `fitted`: labels of the features in the score, the
    planned ones when none was fitted.
    """
    names = ", ".join(fitted or tuple(f.label for f in adjusted_features(plan)))
    form = _FORM["simplified" if simplified else plan.primary_method]
    augmented = plan.primary_method == "doubly_robust"
    told = f" In these data: {'; '.join(remarks)}." if remarks else ""
    return (
        MethodNote(
            "What is compared",
            "Each lesion counts once, by the approach of its first attempt, whatever was done later. So a lesion begun from "
            "above and rescued from below counts as begun from above: the question is where to start, and a second attempt "
            "after a failure is not held against the approach that came to the rescue.",
        ),
        MethodNote(
            "Why the plain table misleads",
            "Operators start from below when a lesion looks hard. Comparing the two groups as they stand compares hard lesions with easy ones.",
        ),
        MethodNote(
            "How it is made fair",
            f"A model of choice (logistic regression; {form}) gives each lesion the probability that it would be started from "
            f"below, from what was known before the first puncture: {names}. {_WEIGHTS[plan.primary_population]} "
            f"{_SECOND_MODEL if augmented else ''}Nothing that happens after the first puncture is adjusted for.",
        ),
        MethodNote(
            "How the intervals are made",
            f"Intervals hold at {100 * plan.level:g}%. They allow for several lesions of one patient being alike and for the models being estimated "
            f"from these lesions, {_SEARCH if augmented and not simplified else ''}and grow with what had to be drawn because it was not "
            "recorded. Where cells are small, intervals that need no large numbers are used: Newcombe for differences, Firth for odds ratios.",
        ),
        MethodNote(
            "Lesion profiles",
            "Each profile is compared within itself, with the whole service's models. The profiles are looked at one by "
            f"one: of every 100 in which the approaches do not differ, about {100 * (1 - plan.level):.2g} will miss zero by chance alone. Read them as leads to discuss, not as findings.",
        ),
        MethodNote(
            "When an answer is withheld",
            f"With fewer than {plan.gates.fewest_in_arm} lesions by either approach, fewer than {plan.gates.fewest_effective_in_arm:g} after weighting, or groups that stay "
            f"unlike by more than {plan.gates.largest_imbalance:g} standard deviations and more than chance would give, no estimate is shown; the reason is.",
        ),
        MethodNote(
            "What is not recorded",
            "A trait that is not recorded in a lesion is drawn several times from what its other traits, the approach, the outcome and the patient's "
            "other lesions make likely. The comparison is made in each completed set and the answers are put together (Rubin's rules), so that the interval is wider the "
            "more the gaps leave open. A trait missing in more than half of the lesions started either way, and an unknown operator, are marked as missing instead. The same "
            "comparison among lesions with every trait recorded stands beside the main one. If values are missing because of what they would have been, this cannot be told "
            "from the tables." + told,
        ),
        MethodNote("Calcium", CALCIUM_CAVEAT),
        MethodNote(
            "What no adjustment can do",
            "A reason for choosing the approach that is in no column (the look of the angiogram, a patient who could not lie still) is not "
            "adjusted for, by this method or any other. How strong such a reason would have to be to change the answer can be worked out; whether there is one "
            "is for those to say who were at the table.",
        ),
    )
