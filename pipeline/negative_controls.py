"""Comparisons that should show nothing: where they do, hidden traits or the records set the groups apart.

Control outcomes are traits settled before the first puncture that the plan does not adjust for. The approach cannot change them, and what makes a patient frail or an
artery hard in ways that no column records goes with them: a difference that is left after the primary's weights is a sign of it (Lipsitch, Tchetgen Tchetgen & Cohen
2010, Epidemiology 21:383-388). It may also be that the trait itself sways the choice; then it belongs in the adjustment set. None clears a hidden trait that it
does not go with.

The control exposure is how the operator began on the next day on which they treated somebody else: it cannot change this lesion's outcome, and shares with the
approach what the operator's skill and habit bring with them at the time (an exposure after the outcome: Flanders et al. 2011, Epidemiology 22:59-67, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.augmented import augmented_risks, fit_outcome
from models.comparison import risks_within
from models.negative_control import ControlKind, NegativeControl, judge_negative_control
from models.pooling import Moments, moments_of, pooled_comparison
from models.propensity import Design, Term, fit_score, independent
from models.results import Effect
from models.weights import balancing_weights
from pipeline.covariates import adjusted_features
from pipeline.methods_primary import Primary

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

# (feature, level, name in a sentence): what the patient brings along. Traits of the lesion or the limb, were they left out, could well sway the choice themselves.
CONTROLS = (
    ("heart_failure", "true", "heart failure"),
    ("coronary_disease", "true", "coronary disease"),
    ("smoking", "current", "current smoking"),
    ("ambulatory", "true", "being able to walk"),
)
NEXT_CASE = "a start from below in the operator's next case"
# A control tells nothing where it is recorded in fewer than half of the lesions, or had or lacked by fewer than so many (our choices, no source).
LEAST_RECORDED = 0.5
FEWEST = 20
IF_FOUND = "The trait itself may also sway the choice: then it belongs in the adjustment set."


def controls_of(primaries: Sequence[Primary]) -> dict[str, tuple[NegativeControl, ...]]:
    """By endpoint: the controls that this service's tables allow, judged by that endpoint's margin."""
    if not primaries:
        return {}
    first = primaries[0]
    outcomes = _control_outcomes(first)
    made: dict[str, tuple[NegativeControl, ...]] = {}
    for primary in primaries:
        judged = [_judged(primary, name, "outcome", effect) for name, effect in outcomes]
        next_case = _next_case(primary)
        if next_case is not None:
            judged.append(_judged(primary, NEXT_CASE, "exposure", next_case))
        made[primary.endpoint] = tuple(judged)
    return made


def _judged(primary: Primary, name: str, kind: ControlKind, effect: Effect) -> NegativeControl:
    margin = primary.study.plan.margin(primary.endpoint)
    found = judge_negative_control(name, kind, effect.estimate, effect.lower, effect.upper, margin)
    if found.verdict == "bias found" and kind == "outcome":
        return replace(found, sentence=f"{found.sentence} {IF_FOUND}")
    return found


def _control_outcomes(primary: Primary) -> list[tuple[str, Effect]]:
    """Differences in traits that are not adjusted for, under the primary's weights, among lesions in which they are recorded."""
    study, plan, model = primary.study, primary.study.plan, primary.model
    adjusted = {f.name for f in adjusted_features(plan)}
    wanted = [(name, _has(study.lesions[column], level)) for column, level, name in CONTROLS if column not in adjusted]
    usable = [(name, values) for name, values in wanted if _tells(values)]
    gathered: list[list[Moments]] = [[] for _ in usable]
    for models in model.each():
        score = models.plain if plan.primary_method == "weighting" else models.score
        weights = balancing_weights(score.probability, study.treated, plan.primary_population)
        for sets, (_, values) in zip(gathered, usable, strict=True):
            known = ~np.isnan(values)
            trait = np.where(known, values, 0.0)
            found = next(risks_within(study.treated, trait, study.patient, weights, score, [known], "leverage"))
            sets.append(moments_of(found, study.treated, trait, study.patient, weights.weight, known))
    pooled = [pooled_comparison(sets, plan.level, plan.gates.sparse_cell) for sets in gathered]
    return [(name, one.estimated.effects[0]) for (name, _), one in zip(usable, pooled, strict=True)]


def _has(column: pl.Series, level: str) -> Floats:
    """1 where the trait has the level, 0 where another, NaN where it is not recorded, (n,)."""
    return (column.cast(pl.String) == level).cast(pl.Float64).fill_null(float("nan")).to_numpy()


def _tells(values: Floats) -> bool:
    known = values[~np.isnan(values)]
    return len(known) >= LEAST_RECORDED * len(values) and min(known.sum(), (1 - known).sum()) >= FEWEST


def _next_case(primary: Primary) -> Effect | None:
    """The primary difference with the operator's next start in place of this one, which stays as a trait; None where it cannot be had."""
    study, plan = primary.study, primary.study.plan
    day = study.lesions["procedure_date"].to_physical().cast(pl.Int64).to_numpy()
    later = next_start(study.treated, study.operator, study.patient, day)
    known = ~np.isnan(later)
    exposure, patient = later[known], study.patient[known]
    if not _tells(later) or min(exposure.sum(), (1 - exposure).sum()) < plan.gates.fewest_in_arm:
        return None
    outcome = primary.model.outcomes[primary.endpoint][known]
    own = primary.model.score.design
    terms = (*own.terms, Term("first approach", "first approach from below", "first approach"))
    design = independent(Design(terms, np.vstack([own.matrix, study.treated])[:, known], ()))
    score = fit_score(design, exposure)
    if score.fit.failed_because is not None:
        return None
    weight = balancing_weights(score.probability, exposure, "overlap").weight
    model = fit_outcome(design.matrix, exposure, outcome)
    found = augmented_risks(exposure, outcome, patient, "overlap", score, model)
    everyone = np.ones(len(exposure), dtype=bool)
    moments = moments_of(found, exposure, outcome, patient, weight, everyone)
    return pooled_comparison([moments], plan.level, plan.gates.sparse_cell).estimated.effects[0]


def next_start(treated: Floats, operator: Integers, patient: Integers, day: Integers) -> Floats:
    """Whether any lesion was started from below on the operator's next day with another patient, (n,): 1, 0, or NaN where there is none.

    `treated` (n,) of 0 and 1, `operator` (n,) from 0 or -1 unknown, `patient` (n,) from 0, `day` (n,) a whole number. Order of rows plays no part.
    """
    found = np.full(len(treated), np.nan)
    for one in np.unique(operator[operator >= 0]):
        rows = np.flatnonzero(operator == one)
        days = np.unique(day[rows])
        starts: dict[int, dict[int, float]] = {int(d): {} for d in days}
        for row in rows:
            mine = starts[int(day[row])]
            mine[int(patient[row])] = max(mine.get(int(patient[row]), 0.0), float(treated[row]))
        at = np.searchsorted(days, day[rows])
        for row, place in zip(rows, at, strict=True):
            for later in days[place + 1 :]:
                others = [start for p, start in starts[int(later)].items() if p != patient[row]]
                if others:
                    found[row] = max(others)
                    break
    return found
