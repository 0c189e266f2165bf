"""Methods that give an odds ratio at given covariates and nothing else, on a few of the completed data sets, pooled by Rubin's rules."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.analysis_scale import ScaledEstimate, no_effect
from models.conditional import conditional_odds_ratio
from models.firth import firth_adjusted_odds_ratio
from models.marginal_gee import marginal_odds_ratio
from models.operator_intercept import operator_intercept
from models.perfect_terms import fittable
from models.results import Comparison, Effect, Population
from models.rubin import pool
from pipeline.plan_parts import Method
from pipeline.score_model import KEY_TRAITS, Models
from pipeline.studied import Study, bare_arm

Floats = NDArray[np.float64]

# Sizes beyond which a method is left out: it would take minutes where the others take seconds (measured; our choice).
MOST_FOR_INTERCEPT = 20_000
MOST_FOR_FIRTH = 50_000

OBSERVED: Population = "observed"  # an odds ratio at given covariates is of no weighted population


@dataclass(frozen=True, slots=True)
class Found:
    """The log odds ratio of one data set, or why there is none; `effect` where it has an interval that is not symmetric; `remark` is "" or a caution."""

    estimate: ScaledEstimate | None
    withheld_because: str | None
    remark: str
    effect: Effect | None = None


@dataclass(frozen=True, slots=True)
class OddsRatioMethod:
    """A method, what it assumes in few words, on how many data sets at the most it is made, and how; `largest`: lesions beyond which it is left out."""

    method: Method
    assumes: str
    data_sets: int
    make: Callable[[Study, Models, str], Found]
    largest: int | None = None


def _conditional(study: Study, models: Models, name: str) -> Found:
    outcome = study.outcome(name)
    terms = fittable(models.plain.design, study.treated, outcome)
    found = conditional_odds_ratio(models.plain.design.matrix[terms.rows], study.treated, outcome, study.patient)
    return Found(found.estimate, found.withheld_because, _joined(terms.remark, found.remark))


def _estimating_equations(study: Study, models: Models, name: str) -> Found:
    outcome = study.outcome(name)
    terms = fittable(models.plain.design, study.treated, outcome)
    found = marginal_odds_ratio(models.plain.design.matrix[terms.rows], study.treated, outcome, study.patient)
    return Found(found.estimate, found.withheld_because, _joined(terms.remark, found.remark))


def _random_intercept(study: Study, models: Models, name: str) -> Found:
    if (study.operator < 0).all():
        return Found(None, "the operator is never recorded", "")
    design, outcome = models.plain.design, study.outcome(name)
    terms = fittable(design, study.treated, outcome)
    # Who operated is the intercept's to tell.
    rows = [j for j in terms.rows if not design.terms[j].of.startswith("operator")]
    # Lesions whose operator is unknown are taken as one operator's.
    operator = np.where(study.operator < 0, study.operator.max() + 1, study.operator)
    found = operator_intercept(design.matrix[rows], study.treated, outcome, operator, study.plan.level)
    return Found(found.estimate, found.withheld_because, _joined(terms.remark, found.remark))


def _firth(study: Study, models: Models, name: str) -> Found:
    design = models.plain.design
    rows = [j for j, term in enumerate(design.terms) if term.of in ("constant", *KEY_TRAITS)]
    found = firth_adjusted_odds_ratio(
        design.matrix[rows], study.treated, study.outcome(name), study.plan.level, study.patient
    )
    return Found(found.estimate, found.withheld_because, "", found.effect)


METHODS: tuple[OddsRatioMethod, ...] = (
    OddsRatioMethod(
        "conditional",
        "odds ratio at given traits: assumes the logistic outcome model; clustered errors by patient (CR2)",
        5,
        _conditional,
    ),
    OddsRatioMethod(
        "estimating_equations",
        "odds ratio at given traits: assumes the logistic outcome model; lesions of a patient alike (GEE, CR2)",
        5,
        _estimating_equations,
    ),
    OddsRatioMethod(
        "random_intercept",
        "odds ratio within operators at given traits: assumes the logistic outcome model and normal operator intercepts, patients' lesions independent",
        2,
        _random_intercept,
        MOST_FOR_INTERCEPT,
    ),
    OddsRatioMethod(
        "firth",
        "penalized odds ratio for sparse cells: adjusted for length, calcium and both caps alone",
        2,
        _firth,
        MOST_FOR_FIRTH,
    ),
)


def wanted(study: Study) -> tuple[OddsRatioMethod, ...]:
    """The methods of the plan."""
    return tuple(one for one in METHODS if study.plan.compares_by(one.method))


def too_large(study: Study, method: OddsRatioMethod) -> str | None:
    """Why the method is not made in a service of this size, or None."""
    if method.largest is None or len(study.treated) <= method.largest:
        return None
    return f"not made above {method.largest:,} lesions, where it would take longer than the rest of the report"


def odds_ratio_comparison(study: Study, name: str, method: OddsRatioMethod, sets: Sequence[Found]) -> Comparison:
    """The pooled odds ratio of the data sets that have one; withheld where the first, or more than half, have none."""
    given = [one for one in sets if one.estimate is not None]
    reason = too_large(study, method) or study.withheld_because
    if reason is None and (not sets or sets[0].estimate is None or 2 * len(given) < len(sets)):
        reason = next((one.withheld_because for one in sets if one.withheld_because), "no data set could be fitted")
    below, above = (bare_arm(study, study.outcome(name), study.everyone, arm) for arm in (1, 0))
    plan = study.plan
    remarks = list(dict.fromkeys(one.remark for one in given if one.remark))
    note = "; ".join([method.assumes, *remarks, *_sets_told(len(given), len(sets))])
    if reason is not None:
        return Comparison(name, OBSERVED, method.method, "all", plan.level, below, above, (), reason, method.assumes)
    effects = (no_effect("risk_difference"), no_effect("risk_ratio"), _pooled(given, plan.level))
    return Comparison(name, OBSERVED, method.method, "all", plan.level, below, above, effects, None, note)


def _pooled(given: Sequence[Found], level: float) -> Effect:
    estimates = [one.estimate for one in given if one.estimate is not None]
    first = estimates[0]
    if len(estimates) == 1:
        return given[0].effect or first.effect(level)
    freedom = [one.degrees_of_freedom for one in estimates if one.degrees_of_freedom is not None]
    complete = float(np.mean(freedom)) if freedom else np.inf
    found = pool(np.array([one.value for one in estimates]), np.array([one.variance for one in estimates]), complete)
    scaled = ScaledEstimate(
        "odds_ratio", float(found.estimate[0]), float(found.total[0]), float(found.degrees_of_freedom[0])
    )
    return scaled.effect(level)


def _joined(*remarks: str) -> str:
    return "; ".join(remark for remark in remarks if remark)


def _sets_told(used: int, made: int) -> tuple[str, ...]:
    if used == made:
        return (f"{used} completed data sets",) if used > 1 else ()
    return (f"{used} of {made} completed data sets could be fitted",)
