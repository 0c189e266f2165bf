"""How much an answer rests on single patients and operators: what it would be without them.

With the score held, leaving lesions out of a ratio estimator is exact arithmetic; but a fitted score gives way, and most of a patient's pull on a weighted
difference goes into it, so that holding the score is off by a quarter to a half of the pull (docs/methods.md). The influence function, which knows of
the score, is off by a few hundredths in the overlap population. So it finds who pulls most (Hampel 1974, JASA 69:383-393; for several together Broderick, Giordano & Meager 2020,
arXiv:2011.14999), and what is told is the answer fitted again without them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.comparison import SmallSample, compare_risks
from models.propensity import Design, fit_score, independent
from models.results import Effect, Population
from models.sensitivity_results import LeftOutOperator
from models.weights import BalancingWeights

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

FitAgain = Callable[[Mask], "Effect | str"]
"""The risk difference of the lesions in a mask (n,), fitted anew, or a sentence why there is none."""

CANDIDATES = (
    5  # patients of largest influence that are really left out, to find the one whose absence moves the answer most
)
FEW = 10  # patients left out together; our choice, common practice, no source


@dataclass(frozen=True, slots=True)
class RatioTerm:
    """One part of an estimate: `sign` times the sum of `numerator` (n,) over the sum of `denominator` (n,)."""

    numerator: Floats
    denominator: Floats
    sign: float = 1.0


@dataclass(frozen=True, slots=True)
class LeftOut:
    """By how much the estimate moves without each cluster, `shift` (clusters,); 0 where `possible` is false: no arm would be left, or it has no lesion."""

    estimate: float
    shift: Floats
    possible: Mask


@dataclass(frozen=True, slots=True)
class PatientInfluence:
    """Who pulls most, without saying who. Shifts are the estimate without them less the estimate; None where it could not be fitted again."""

    patients: int
    patient_shift: float | None
    few_patients: int
    few_shift: float | None


def weighted_terms(treated: Floats, outcome: Floats, weight: Floats) -> tuple[RatioTerm, RatioTerm]:
    """The weighted risk difference as two ratios, below less above; all (n,)."""
    below, above = weight * treated, weight * (1.0 - treated)
    return RatioTerm(below * outcome, below), RatioTerm(above * outcome, above, -1.0)


def augmented_terms(
    treated: Floats, outcome: Floats, weights: BalancingWeights, target: Floats, chance_1: Floats, chance_0: Floats
) -> tuple[RatioTerm, ...]:
    """The augmented weighted risk difference, as in `models.augmented` for overlap weights, as four ratios.

    `target` (n,) the population's share h of each lesion; `chance_1` and `chance_0` (n,) the outcome model after either start.
    """
    left = weighted_terms(treated, outcome - np.where(treated == 1, chance_1, chance_0), weights.weight)
    return (RatioTerm(target * (chance_1 - chance_0), target), *left)


def leave_one_cluster_out(terms: Sequence[RatioTerm], cluster: Integers, influence: Floats | None = None) -> LeftOut:
    """The estimate without each cluster, weights held: exact. `cluster` (n,) numbered from 0.

    With the estimate's `influence` (clusters,), which knows that the models were fitted, the models' giving way is added to first order: what the influence holds
    beyond the terms' own.
    """
    clusters = int(cluster.max()) + 1
    seen = np.bincount(cluster, minlength=clusters) > 0
    estimate, shift, own = 0.0, np.zeros(clusters), np.zeros(clusters)
    possible = seen.copy()
    for term in terms:
        total = float(term.denominator.sum())
        value = float(term.numerator.sum()) / total
        top = np.bincount(cluster, term.numerator, clusters)
        bottom = np.bincount(cluster, term.denominator, clusters)
        rest = total - bottom
        left = rest > 1e-12 * total
        possible &= left
        moved = (top - value * bottom) / np.where(left, rest, 1.0)
        shift -= term.sign * moved
        own += term.sign * (top - value * bottom) / total
        estimate += term.sign * value
    if influence is not None:
        shift -= influence - own
    return LeftOut(estimate, np.where(possible, shift, 0.0), possible)


def patient_influence(
    influence: Floats, cluster: Integers, estimate: float, fit_again: FitAgain, few: int = FEW
) -> PatientInfluence:
    """What the answer would be without the patient who moves it most, and without the few that together pull it farthest one way.

    `influence` (clusters,) of the risk difference `estimate`, summed by patient; `cluster` (n,). Fits again up to six times. Fewer than `few` patients are left out
    where there are fewer than ten times as many.
    """
    patients = int(np.count_nonzero(np.bincount(cluster)))
    few = max(1, min(few, patients // 10))
    order = np.argsort(-np.abs(influence), kind="stable")
    shifts = [_shift(fit_again, ~np.isin(cluster, [c]), estimate) for c in order[:CANDIDATES]]
    largest = max((s for s in shifts if s is not None), key=abs, default=None)
    rising = np.argsort(influence, kind="stable")
    ends = rising[:few], rising[::-1][:few]
    together = max(ends, key=lambda group: abs(float(influence[group].sum())))
    return PatientInfluence(patients, largest, few, _shift(fit_again, ~np.isin(cluster, together), estimate))


def _shift(fit_again: FitAgain, kept: Mask, estimate: float) -> float | None:
    found = fit_again(kept)
    return None if isinstance(found, str) or found.estimate is None else found.estimate - estimate


def leave_one_operator_out(operator: Integers, fit_again: FitAgain, seed: int) -> tuple[LeftOutOperator, ...]:
    """The risk difference, with its interval, without each operator's lesions in turn.

    `operator` (n,) of integers. Operators are numbered from 1 in an order drawn with `seed`, so that a number tells nothing of volume or name. Where the
    answer hangs on one operator's skill or selection, it moves.
    """
    found = []
    for number, one in enumerate(np.random.default_rng(seed).permutation(np.unique(operator)), start=1):
        kept = operator != one
        lesions = int(len(kept) - kept.sum())
        effect = fit_again(kept) if kept.any() else "no other operator has lesions"
        if isinstance(effect, str) or effect.estimate is None:
            reason = effect if isinstance(effect, str) else "no estimate without this operator"
            found.append(LeftOutOperator(number, lesions, None, None, None, reason))
        else:
            found.append(LeftOutOperator(number, lesions, effect.estimate, effect.lower, effect.upper, None))
    return tuple(found)


def weighting_again(
    treated: Floats,
    outcome: Floats,
    cluster: Integers,
    population: Population,
    design: Design,
    level: float,
    sparse_cell: float,
    small_sample: SmallSample = "leverage",
) -> FitAgain:
    """The weighted comparison of `models.comparison` with its score fitted anew to the lesions kept; terms that those no longer tell apart are left out."""

    def fit_again(kept: Mask) -> Effect | str:
        a = treated[kept]
        if not 0.0 < a.sum() < len(a):
            return "no lesion is left that was started by one of the approaches"
        score = fit_score(independent(Design(design.terms, design.matrix[:, kept], design.pooled)), a)
        if score.fit.failed_because is not None:
            return score.fit.failed_because
        return compare_risks(
            a, outcome[kept], cluster[kept], population, score, level, sparse_cell, small_sample=small_sample
        ).effects[0]

    return fit_again
