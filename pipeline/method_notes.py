"""Methods in plain words, written from the plan: what the strategy report prints under its results."""

from __future__ import annotations

from models.results import MethodNote
from pipeline.covariates import adjusted_features
from pipeline.plan import Plan
from pipeline.published_grades import CALCIUM_CAVEAT


def method_notes(
    plan: Plan, remarks: tuple[str, ...], fitted: tuple[str, ...], *, simplified: bool
) -> tuple[MethodNote, ...]:
    """The paragraphs, in reading order.

    `remarks` of the score model: values drawn, levels put together, terms left out. `fitted`: labels of the features in the score, the
    planned ones when none was fitted.
    """
    names = ", ".join(fitted or tuple(f.label for f in adjusted_features(plan)))
    numbers = (
        "numbers as straight lines, as there are few lesions" if simplified else "numbers as natural cubic splines"
    )
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
            f"A propensity model (logistic regression; {numbers}) gives each lesion the probability that it "
            f"would be started from below, from what was known before the first puncture: {names}. Overlap weights then give most "
            "say to the lesions for which either start was realistic and none to those that always go one way; they make "
            "the two groups alike in every trait of the model (Li, Morgan and Zaslavsky 2018). Nothing that happens after the first puncture is adjusted for.",
        ),
        MethodNote(
            "How the intervals are made",
            f"Intervals hold at {100 * plan.level:g}%. They allow for the model's own uncertainty and for several lesions of one patient being alike "
            "(stacked estimating equations, summed by patient). Where cells are small, intervals that need no large numbers are used: Newcombe for "
            "differences, Firth for odds ratios.",
        ),
        MethodNote(
            "Lesion profiles",
            "Each profile is compared within itself, with the whole service's propensity model. The profiles are looked at one by "
            f"one: of every 100 in which the approaches do not differ, about {100 * (1 - plan.level):.2g} will miss zero by chance alone. Read them as leads to discuss, not as findings.",
        ),
        MethodNote(
            "When an answer is withheld",
            f"With fewer than {plan.gates.fewest_in_arm} lesions by either approach, fewer than {plan.gates.fewest_effective_in_arm:g} after weighting, or groups that stay "
            f"unlike by more than {plan.gates.largest_imbalance:g} standard deviations and more than chance would give, no estimate is shown; the reason is.",
        ),
        MethodNote(
            "What is not recorded",
            "A trait that is not recorded in a lesion is drawn once from what its other traits, the approach and the outcome make likely, so that "
            "the gap does not hide a difference between the groups; a trait missing in more than half of the lesions, and an unknown operator, are marked as "
            "missing instead. The same comparison among lesions with every trait recorded stands beside the main one. The draw's own "
            "uncertainty is not in the intervals." + told,
        ),
        MethodNote("Calcium", CALCIUM_CAVEAT),
        MethodNote(
            "What no adjustment can do",
            "A reason for choosing the approach that is in no column (the look of the angiogram, a patient who could not lie still) is not "
            "adjusted for. The comparison is as fair as the case tables allow, and no fairer.",
        ),
    )
