"""The effect among matched lesions, with intervals that know both the pairs and the patients.

The unit is the pair: its difference is what a match leaves, free of what the two lesions share (Abadie & Spiess 2022, J Am Stat Assoc
117:983-995, section 3: errors that leave the pairs out of account are wrong; Austin & Small 2014, Stat Med 33:4306-4319). Pairs are not independent where a
patient has lesions in several of them, or where a lesion from above is used again. Each pair joins two patients, as a dyad does, and two
pairs may vary together exactly when a patient is in both. The variance therefore sums the products of all pairs of pairs that share a patient,

    V = sum over patients p of (sum of d over pairs that p is in)^2 - sum over couples {p, q} of (sum of d over pairs of p with q)^2,

d the pair's influence (dyadic clustering: Fafchamps & Gubert 2007, J Dev Econ 83:326-350; Aronow, Samii & Assenova 2015, Political
Analysis 23:564-577, equation 5; the second sum takes out what the first counts twice). With a lesion a patient and no reuse it is the paired variance;
with reuse it holds the covariance of pairs that share a lesion, the K(K-1) term of Abadie & Imbens (2006, Econometrica 74:235-267, theorem 7).

The score is taken as known. Leaving its estimation out makes intervals too wide rather than too narrow in most settings, though for the
treated population that is not guaranteed (Abadie & Imbens 2016, Econometrica 84:781-807); the simulations check it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtrc, betaincinv, ndtr

from models.comparison import Estimated
from models.intervals import TwoByTwo, sparse_effects, wilson, z_value
from models.matching import Matched
from models.results import Approach, ArmRisk, Effect, Measure
from models.weights import effective_clusters, effective_n

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

SmallSample = Literal["none", "clusters"]


@dataclass(frozen=True, slots=True)
class MatchedComparison:
    """Both arms and the three effects among the matched, or why there are none.

    `sets` retrograde lesions were matched and `without_match` were not. `pair_error` is the standard error of the risk difference.
    """

    estimated: Estimated | None
    withheld_because: str | None
    sets: int
    without_match: int
    caliper: float | None
    pair_error: float | None


@dataclass(frozen=True, slots=True)
class PairTable:
    """Pairs of one retrograde with one antegrade lesion, by which of the two had the outcome.

    `p_value` is McNemar's exact one, two-sided; `odds_ratio` the conditional one, only_retrograde / only_antegrade, with
    exact limits (None where a limit is infinite or nothing tells). `left_out` pairs shared a patient with a closer pair:
    the test takes pairs as independent. `reason` says why a value is None, None when all are given.
    """

    both: int
    only_retrograde: int
    only_antegrade: int
    neither: int
    p_value: float | None
    odds_ratio: float | None
    lower: float | None
    upper: float | None
    left_out: int
    reason: str | None

    @property
    def pairs(self) -> int:
        """All pairs in the table."""
        return self.both + self.only_retrograde + self.only_antegrade + self.neither


def compare_matched(
    matched: Matched,
    outcome: Floats,
    cluster: Integers,
    level: float,
    sparse_cell: float,
    small_sample: SmallSample = "clusters",
) -> MatchedComparison:
    """Risk difference, risk ratio and odds ratio (marginal) among the matched, with intervals at `level`.

    `outcome` (n,) of 0 and 1, `cluster` (n,) the patient numbered from 0. Wald intervals on the difference, the log ratio and the log odds
    ratio, with the variance times G/(G-1) for G sets or retrograde patients, whichever are fewer (`small_sample` "none": without). Where an effective cell holds
    fewer than `sparse_cell`, the intervals of `models.intervals.sparse_effects`, which take the two arms as independent and so are rather too wide.
    """
    without, caliper = len(matched.unmatched), matched.caliper
    if matched.sets == 0:
        reason = "no lesion started from below has one started from above within the caliper"
        return MatchedComparison(None, reason, 0, without, caliper, None)
    pull = matched.share / matched.sets
    risk_1, risk_0 = float(pull @ outcome[matched.retrograde]), float(pull @ outcome[matched.antegrade])
    u1, u0 = pull * (outcome[matched.retrograde] - risk_1), pull * (outcome[matched.antegrade] - risk_0)
    patients = cluster[matched.retrograde], cluster[matched.antegrade]
    groups = min(matched.sets, len(np.unique(patients[0])))
    factor = groups / (groups - 1) if groups > 1 and small_sample == "clusters" else 1.0
    rows = np.unique(matched.retrograde), np.unique(matched.antegrade)
    units = [effective_clusters(matched.weight[r], cluster[r]) for r in rows]
    cells = TwoByTwo(risk_1 * units[0], units[0], risk_0 * units[1], units[1])
    sparse = cells.smallest_cell < sparse_cell or cells.smallest_cell <= 0
    error = float(np.sqrt(factor * shared_patient_variance(u1 - u0, *patients)))
    if (
        not sparse and abs(risk_1 - risk_0) + z_value(level) * error > 1
    ):  # Wald's interval leaves what a difference can be
        sparse = True
    effects = sparse_effects(cells, level) if sparse else _wald_effects(risk_1, risk_0, u1, u0, patients, factor, level)
    sides: tuple[tuple[Approach, float, Floats], ...] = (("retrograde", risk_1, u1), ("antegrade", risk_0, u0))
    arms: list[ArmRisk] = []
    for j, (approach, risk, influence) in enumerate(sides):
        variance = factor * float((np.bincount(patients[j], influence) ** 2).sum())
        size = units[j] if sparse or variance <= 0 else risk * (1 - risk) / variance
        lower, upper = wilson(risk * size, size, level)
        events = int(outcome[rows[j]].sum())
        arms.append(ArmRisk(approach, risk, lower, upper, len(rows[j]), events, effective_n(matched.weight[rows[j]])))
    estimated = Estimated(arms[0], arms[1], effects, sparse)
    return MatchedComparison(estimated, None, matched.sets, without, caliper, error)


def shared_patient_variance(influence: Floats, patient_1: Integers, patient_0: Integers) -> float:
    """Variance of a sum over pairs, (m,), in which pairs that share a patient may vary together; never below that of unrelated pairs.

    `patient_1`, `patient_0` (m,): the patients of the pair's two lesions, which may be the same one. The estimator can fall below zero
    in small samples; the sum of squares is then the floor.
    """
    own = patient_1 == patient_0
    by_patient = np.bincount(patient_1, influence, minlength=int(patient_0.max()) + 1)
    other = np.bincount(patient_0[~own], influence[~own], minlength=len(by_patient))
    low, high = np.minimum(patient_1, patient_0)[~own], np.maximum(patient_1, patient_0)[~own]
    _, couple = np.unique(low * np.int64(len(by_patient)) + high, return_inverse=True)
    by_couple = np.bincount(couple, influence[~own]) if len(couple) else np.zeros(1)
    shared = float(((by_patient + other) ** 2).sum() - (by_couple**2).sum())
    return max(shared, float(influence @ influence))


def _wald_effects(
    p1: float, p0: float, u1: Floats, u0: Floats, patients: tuple[Integers, Integers], factor: float, level: float
) -> tuple[Effect, Effect, Effect]:
    def wald(measure: Measure, estimate: float, influence: Floats) -> Effect:
        error = float(np.sqrt(factor * shared_patient_variance(influence, *patients)))
        half = z_value(level) * error
        limits = np.array([estimate, estimate - half, estimate + half])
        shown = limits if measure == "risk_difference" else np.exp(limits)
        p_value = float(2 * ndtr(-abs(estimate) / error)) if error > 0 else None
        return Effect(measure, float(shown[0]), float(shown[1]), float(shown[2]), p_value)

    v1, v0 = p1 * (1 - p1), p0 * (1 - p0)
    return (
        wald("risk_difference", p1 - p0, u1 - u0),
        wald("risk_ratio", float(np.log(p1 / p0)), u1 / p1 - u0 / p0),
        wald("odds_ratio", float(np.log(p1 / (1 - p1)) - np.log(p0 / (1 - p0))), u1 / v1 - u0 / v0),
    )


def unrelated_pairs(matched: Matched, distance: Floats, cluster: Integers) -> NDArray[np.bool_]:
    """Which pairs, (m,), are left when each patient may be in one only: the closest first, then the first row.

    `distance` (m,) between the two scores of a pair. Outcomes play no part in the choice.
    """
    keep = np.zeros(len(distance), dtype=bool)
    seen: set[int] = set()
    first, second = cluster[matched.retrograde].tolist(), cluster[matched.antegrade].tolist()
    for j in np.lexsort((matched.retrograde, distance)).tolist():
        if first[j] not in seen and second[j] not in seen:
            keep[j] = True
            seen.add(first[j])
            seen.add(second[j])
    return keep


def pair_table(matched: Matched, outcome: Floats, score: Floats, cluster: Integers, level: float) -> PairTable | None:
    """McNemar's table of one-to-one pairs; None where sets have several antegrade lesions or a lesion is used again.

    `score` (n,) as matched on. Exact test: given a discordant pair, chance alone makes either lesion the one with the outcome (McNemar 1947,
    Psychometrika 12:153-157). Limits of the odds ratio from the Clopper-Pearson limits of the share (Breslow & Day 1980, section 5.2).
    """
    if matched.ratio > 1 or matched.reused:
        return None
    keep = unrelated_pairs(matched, np.abs(score[matched.retrograde] - score[matched.antegrade]), cluster)
    below, above = outcome[matched.retrograde][keep] == 1, outcome[matched.antegrade][keep] == 1
    a, b = int((below & above).sum()), int((below & ~above).sum())
    c, d = int((~below & above).sum()), int((~below & ~above).sum())
    left_out = int((~keep).sum())
    if b + c == 0:
        nothing = "no pair differs in the outcome" if a + d else "no pairs"
        return PairTable(a, b, c, d, None, None, None, None, left_out, nothing)
    p_value = min(1.0, 2 * float(bdtrc(max(b, c) - 1, b + c, 0.5)))
    tail = (1 - level) / 2
    low = float(betaincinv(b, c + 1, tail)) if b else 0.0
    high = float(betaincinv(b + 1, c, 1 - tail)) if c else 1.0
    reason = None if c else "no pair has the outcome in the antegrade lesion alone: the odds ratio has no upper limit"
    return PairTable(
        a,
        b,
        c,
        d,
        p_value,
        b / c if c else None,
        low / (1 - low),
        high / (1 - high) if c else None,
        left_out,
        reason,
    )
