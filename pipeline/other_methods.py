"""Every other method of adjustment beside the primary one, for the whole service: the same question, other assumptions.

Each is made on the first few completed data sets and pooled by Rubin's rules. They are there to be compared with the primary method, not to be chosen from.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from models.adjustment_results import LearnerShare
from models.balance import differences_within
from models.balancing_score import fit_balancing_score
from models.comparison import weighted_risks
from models.cross_fitted import (
    LearnedScore,
    cross_fitted_risks,
    learned_outcome,
    learned_score,
    learner_shares,
    the_learners,
)
from models.gates import effective_size_gate, imbalance_gate, withheld_because
from models.learners import folds_of
from models.matching import Matched, caliper_width, logit_of, match_nearest
from models.moments_of_methods import matched_moments, standardized_moments
from models.perfect_terms import fittable
from models.pooling import Moments, moments_of, pooled_comparison
from models.results import Comparison, Population
from models.standardization import StandardPopulation, standardized_means
from models.weights import balancing_weights, effective_n, stabilized_weights, truncate
from pipeline.other_odds_ratios import Found, odds_ratio_comparison, too_large, wanted
from pipeline.plan_parts import Method
from pipeline.score_model import MANY_LESIONS, Models
from pipeline.studied import SMALL_CELLS, Study, bare_arm

Floats = NDArray[np.float64]

# Completed data sets on which the other methods are made: enough for a figure to be set beside the primary one's, which is made on all. With five the
# estimate's own chance error is below a fifth of its standard error at a third of missing information (Rubin 1987, p. 114).
DATA_SETS = 5
DATA_SETS_MANY = 2  # above MANY_LESIONS, where chance between data sets hardly counts beside the time
# Learners take 0.6 s a data set at 1,500 lesions and 10 s at 20,000 (two endpoints, measured).
DATA_SETS_LEARNED = 2
DATA_SETS_LEARNED_MANY = 1  # above MANY_FOR_LEARNERS
MANY_FOR_LEARNERS = 5_000
MOST_FOR_LEARNERS = 20_000
LEAST_SPREAD = 0.1  # as in pipeline.estimate

STANDARDIZED: tuple[StandardPopulation, ...] = ("overlap", "all", "treated")
BALANCED: tuple[StandardPopulation, ...] = ("all", "treated")

ASSUMES = {
    "truncated_weighting": "assumes the score model; extreme weights are cut off, for less noise and some bias",
    "covariate_balancing": "assumes that traits which matter are among the terms balanced exactly",
    "matching": "assumes the score model, as known; lesions started from below that find a match",
    "matching_with_replacement": "as matching, but a lesion from above may stand for several",
    "standardization": "assumes the outcome model, the approach acting alike on the logit",
    "learners": "assumes that learners have found the bends; their error counts as nothing, so the interval is too narrow where lesions are few",
}


@dataclass(frozen=True, slots=True)
class OtherMethods:
    """Comparisons by endpoint, in the order of the plan's methods, and what each learner counts for (first data set)."""

    comparisons: dict[str, list[Comparison]]
    learners: tuple[LearnerShare, ...]


@dataclass(frozen=True, slots=True)
class _Row:
    """One line to come: a method in a population, on one endpoint."""

    endpoint: str
    method: str
    population: Population


@dataclass(slots=True)
class _Line:
    """What is gathered for a row: moments by data set, reasons where there are none, and remarks of the first."""

    sets: list[Moments]
    reasons: list[str]
    remarks: list[str]


def other_methods(study: Study) -> dict[str, list[Comparison]]:
    """By endpoint: every other method that the plan asks for, on the whole service."""
    return all_other_methods(study).comparisons


def all_other_methods(study: Study) -> OtherMethods:
    """As `other_methods`, with the learners' shares."""
    rows = list(_rows(study))
    lines = {row: _Line([], [], []) for row in rows}
    odds: dict[tuple[str, str], list[Found]] = {}
    shares: list[LearnerShare] = []
    if study.model is not None and study.withheld_because is None:
        lesions = len(study.treated)
        learned = DATA_SETS_LEARNED if lesions <= MANY_FOR_LEARNERS else DATA_SETS_LEARNED_MANY
        for number, models in enumerate(
            islice(study.model.each(), DATA_SETS if lesions <= MANY_LESIONS else DATA_SETS_MANY)
        ):
            _add_weighted(study, models, lines, number)
            _add_matched(study, models, lines, number)
            _add_standardized(study, models, lines, number)
            if number < learned:
                shares += _add_learned(study, models, lines, number)
            for method in wanted(study):
                if number < method.data_sets and too_large(study, method) is None:
                    for name in study.plan.endpoints:
                        odds.setdefault((name, method.method), []).append(method.make(study, models, name))
    comparisons = {
        name: [
            *(_comparison(study, row, lines[row]) for row in rows if row.endpoint == name),
            *(odds_ratio_comparison(study, name, one, odds.get((name, one.method), [])) for one in wanted(study)),
        ]
        for name in study.plan.endpoints
    }
    return OtherMethods(comparisons, tuple(shares))


def _rows(study: Study) -> Iterator[_Row]:
    plan = study.plan
    kinds: tuple[tuple[Method, str, tuple[Population, ...]], ...] = (
        ("truncated_weighting", "truncated_weighting", ("all",)),
        ("covariate_balancing", "covariate_balancing", BALANCED),
        ("matching", "matching", ("treated",)),
        ("matching", "matching_with_replacement", ("treated",)),
        ("standardization", "standardization", STANDARDIZED),
        ("learners", "learners", ("overlap",)),
    )
    for name in plan.endpoints:
        for method, label, populations in kinds:
            # The plan's own matching with replacement is the one row then.
            if plan.compares_by(method) and not (label == "matching" and plan.matching.replacement):
                for population in populations:
                    if population in plan.populations:
                        yield _Row(name, label, population)


def _add_weighted(study: Study, models: Models, lines: dict[_Row, _Line], number: int) -> None:
    """Truncated weights of the plain score, and scores that balance exactly."""
    treated, patient = study.treated, study.patient
    asked = {(row.method, row.population) for row in lines}
    if ("truncated_weighting", "all") in asked:
        limits = study.plan.truncation
        stabilized = stabilized_weights(models.plain.probability, treated)
        cut = truncate(stabilized, limits.lower_quantile, limits.upper_quantile)
        reason, remark = _held(study, models, cut.weights.weight)
        for name in study.plan.endpoints:
            outcome = study.outcome(name)
            found = weighted_risks(treated, outcome, patient, "all", models.plain, weights=cut.weights)
            moments = moments_of(found, treated, outcome, patient, cut.weights.weight, study.everyone)
            _add(lines[_Row(name, "truncated_weighting", "all")], moments, reason, remark, number)
    for population in BALANCED:
        if ("covariate_balancing", population) not in asked:
            continue
        score = fit_balancing_score(models.plain.design, treated, population)
        failed = score.fit.failed_because
        weight = balancing_weights(score.probability, treated, population).weight
        reason, remark = (failed, "") if failed is not None else _held(study, models, weight)
        for name in study.plan.endpoints:
            line = lines[_Row(name, "covariate_balancing", population)]
            if failed is not None:
                line.reasons.append(failed)
                continue
            outcome = study.outcome(name)
            found = weighted_risks(treated, outcome, patient, population, score)
            _add(line, moments_of(found, treated, outcome, patient, weight, study.everyone), reason, remark, number)


def _add_matched(study: Study, models: Models, lines: dict[_Row, _Line], number: int) -> None:
    logit = logit_of(models.plain.probability)
    for method in dict.fromkeys(row.method for row in lines if row.method.startswith("matching")):
        matched = match_nearest(
            logit,
            study.treated,
            caliper=caliper_width(logit, study.treated, study.plan.matching.caliper),
            ratio=study.plan.matching.ratio,
            replacement=method == "matching_with_replacement",
        )
        if matched.sets:
            reason, remark = _held(study, models, matched.weight)
        else:
            reason, remark = "no lesion started from below has one started from above within the caliper", ""
        for name in study.plan.endpoints:
            line = lines[_Row(name, method, "treated")]
            if reason is not None:
                line.reasons.append(reason)
                continue
            if not number:
                line.remarks.append(_unmatched_told(matched))
            _add(line, matched_moments(matched, study.outcome(name), study.patient), None, remark, number)


def _unmatched_told(matched: Matched) -> str:
    """In steps of five per cent: a few unmatched lesions must not be countable."""
    lost = len(matched.unmatched) / (len(matched.unmatched) + matched.sets)
    step = 5 * round(20 * lost)
    return f"about {step} % of lesions from below without a match" if step else "nearly all lesions from below matched"


def _add_standardized(study: Study, models: Models, lines: dict[_Row, _Line], number: int) -> None:
    treated, patient, e = study.treated, study.patient, models.plain.probability
    weights = {"overlap": e * (1 - e), "all": np.ones_like(e), "treated": np.ones_like(e)}
    for name in study.plan.endpoints:
        rows = [row for row in lines if row.method == "standardization" and row.endpoint == name]
        if not rows:
            continue
        outcome = study.outcome(name)
        terms = fittable(models.plain.design, treated, outcome)
        matrix = models.plain.design.matrix[terms.rows]
        for population in STANDARDIZED:
            line = lines.get(_Row(name, "standardization", population))
            if line is None:
                continue
            found = standardized_means(matrix, treated, outcome, patient, population, "yes_no", score=models.plain)
            if isinstance(found, str):
                line.reasons.append(found)
            else:
                moments = standardized_moments(found, treated, outcome, patient, weights[population])
                _add(line, moments, None, terms.remark, number)


def _add_learned(study: Study, models: Models, lines: dict[_Row, _Line], number: int) -> list[LearnerShare]:
    rows = [row for row in lines if row.method == "learners"]
    if not rows:
        return []
    if len(study.treated) > MOST_FOR_LEARNERS:
        for row in rows:
            lines[row].reasons.append(
                f"not made above {MOST_FOR_LEARNERS:,} lesions, where it would take longer than the rest of the report"
            )
        return []
    fold = folds_of(study.patient, study.plan.seed_for("folds"))
    score = learned_score(the_learners(models.plain.design, models.score.design), study.treated, fold)
    shares: list[LearnerShare] = []
    if isinstance(score, LearnedScore) and not number:
        shares += learner_shares("first approach from below", score.stack)
    for row in rows:
        outcome = study.outcome(row.endpoint)
        chances = score if isinstance(score, str) else learned_outcome(score, study.treated, outcome)
        if isinstance(chances, str) or isinstance(score, str):
            lines[row].reasons.append(str(chances))
            continue
        below, above = chances.predicted
        found = cross_fitted_risks(study.treated, outcome, study.patient, score.probability, below, above)
        weight = balancing_weights(score.probability, study.treated, "overlap").weight
        moments = moments_of(found, study.treated, outcome, study.patient, weight, study.everyone)
        _add(lines[row], moments, None, "", number)
        if not number:
            shares += learner_shares(row.endpoint, chances)
    return shares


def _add(line: _Line, moments: Moments, reason: str | None, remark: str, number: int) -> None:
    if reason is not None:
        line.reasons.append(reason)
        return
    line.sets.append(moments)
    if remark and not number:
        line.remarks.append(remark)


def _held(study: Study, models: Models, weight: Floats) -> tuple[str | None, str]:
    """Why the comparison under these weights is withheld, or None, and a caution or ""; the gates of all weightings."""
    sizes = [effective_n(weight[study.treated == arm]) for arm in (1, 0)]
    matrix = models.plain.design.matrix[1:]
    differences = differences_within(matrix, study.treated, weight, [study.everyone], LEAST_SPREAD)[0]
    sentence = "fitted traits are alike after weighting"
    gates = [
        effective_size_gate(sizes[0], sizes[1], study.limits),
        imbalance_gate(differences.tolist(), sizes[0], sizes[1], study.limits, sentence),
    ]
    caution = gates[1].verdict == "caution"
    remark = f"caution: fitted traits differ by up to {gates[1].value:.2f} SD" if caution else ""
    return withheld_because(gates), remark


def _comparison(study: Study, row: _Row, line: _Line) -> Comparison:
    plan = study.plan
    below, above = (bare_arm(study, study.outcome(row.endpoint), study.everyone, arm) for arm in (1, 0))
    made = len(line.sets) + len(line.reasons)
    reason = study.withheld_because
    if reason is None and 2 * len(line.sets) <= made:
        reason = line.reasons[0] if line.reasons else "no data set could be fitted"
    told = [ASSUMES[row.method], *line.remarks]
    if reason is not None:
        return Comparison(
            row.endpoint, row.population, row.method, "all", plan.level, below, above, (), reason, told[0]
        )
    pooled = pooled_comparison(line.sets, plan.level, plan.gates.sparse_cell)
    if pooled.estimated.sparse:
        told.append(SMALL_CELLS)
    drawn = study.model is not None and study.model.data_sets > 1
    told += _sets_told(len(line.sets), made, drawn=drawn)
    arms = (pooled.estimated.retrograde, pooled.estimated.antegrade)
    # Counts are the service's: those of the matched differ between data sets, and few left out must not be countable.
    matched = row.method.startswith("matching")
    arms = (
        replace(arms[0], n=below.n, events=below.events, effective_n=None if matched else arms[0].effective_n),
        replace(arms[1], n=above.n, events=above.events, effective_n=None if matched else arms[1].effective_n),
    )
    return Comparison(
        row.endpoint,
        row.population,
        row.method,
        "all",
        plan.level,
        arms[0],
        arms[1],
        pooled.estimated.effects,
        None,
        "; ".join(told),
    )


def _sets_told(used: int, made: int, *, drawn: bool) -> Sequence[str]:
    if used < made:
        return (f"{used} of {made} completed data sets could be used",)
    if used > 1:
        return (f"{used} completed data sets",)
    return ("one completed data set: what was not recorded does not widen the interval",) if drawn else ()
