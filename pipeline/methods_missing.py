"""Gaps, how they were filled, what that adds to the uncertainty, and what would tip the answer were they not missing at random."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from models.chained_equations import Departure
from models.imputation_checks import chain_traces, missing_patterns, missing_traits, plausibility
from models.multiple_imputation import impute_departing
from models.pooling import PooledComparison
from models.propensity import Covariate
from models.sensitivity_results import AbsentPart, MissingData, PooledVariance, TippingCell
from models.tipping import departures
from pipeline.covariates import adjusted_features
from pipeline.features import FEATURES
from pipeline.methods_primary import Primary, made_again, moved_by
from pipeline.score_model import FEWEST_DATA_SETS, ScoreModel, drawn_names, known_to_draws
from pipeline.studied import Study

METHOD = (
    "Chained equations with the outcomes, the approach and the patient's other lesions in every model; numbers taken from lesions with a like prediction, "
    "categories by logistic models; traits of the patient or the procedure drawn once for each."
)
NOTHING_DRAWN = "Every adjusted trait is recorded, or is missing too often to be drawn and is marked as missing."
# Sweeps in which a chain leaves its start: they do not count in R-hat.
SETTLING = 2
# The table fits the answer again for every cell: fewer data sets where lesions are many, at least two to tell their spread, and none above so many.
LESIONS_IN_ALL = 10_000
MOST_LESIONS = 10_000

Reasons = dict[AbsentPart, str]


def missing_data(study: Study, model: ScoreModel, given: Mapping[str, Primary]) -> tuple[MissingData, Reasons]:
    """The gaps in the adjustment set and all that follows from them; `given` are the primary comparisons that are not withheld."""
    plan, found = study.plan, model.imputations
    reasons: Reasons = {}
    units = {f.name: f.unit for f in FEATURES if f.unit}
    tipping: tuple[TippingCell, ...] = ()
    if found is None:
        reasons["imputation"] = reasons["traces"] = reasons["tipping"] = NOTHING_DRAWN
    else:
        cells = tipping_cells(study, model, given)
        if isinstance(cells, str):
            reasons["tipping"] = cells
        else:
            tipping = cells
    traits = missing_traits(model.recorded, study.treated)
    return (
        MissingData(
            traits,
            missing_patterns(model.recorded) if traits else (),
            METHOD if found is not None else NOTHING_DRAWN,
            model.data_sets if found is not None else 0,
            plan.imputation.sweeps if found is not None else 0,
            tuple(one for primary in given.values() if (one := _variance(primary)) is not None),
            chain_traces(found, min(SETTLING, plan.imputation.sweeps)) if found is not None else (),
            plausibility(found, units) if found is not None else (),
            tipping,
        ),
        reasons,
    )


def _variance(primary: Primary) -> PooledVariance | None:
    p = primary.pooled
    degrees = p.difference.degrees_of_freedom
    if p.within is None or p.between is None or p.missing_information is None or degrees is None:
        return None
    return PooledVariance(
        primary.endpoint, p.within, p.between, p.missing_information, degrees, (p.between / p.data_sets) ** 0.5
    )


def tipping_cells(study: Study, model: ScoreModel, given: Mapping[str, Primary]) -> tuple[TippingCell, ...] | str:
    """The primary difference of each endpoint under every pair of the plan's shifts, below by above; or why there is no table.

    Fewer data sets than the answer's are drawn, and cells are moved so that the one without a shift is the answer itself.
    """
    plan = study.plan
    trait = tipped(study, model)
    if trait is None:
        return f"{plan.imputation.tipping_feature} is recorded in all lesions, or too often missing to be drawn."
    if len(study.treated) > MOST_LESIONS:
        return f"With more than {MOST_LESIONS:,} lesions the table of shifts is not worked out."
    if not given:
        return "The primary comparison is withheld."
    shifts = list(departures(trait.name, plan.imputation.tipping_deltas, "each"))
    unmoved = Departure(trait.name, 0.0, 0.0)
    tried = shifts if unmoved in shifts else [*shifts, unmoved]
    drawn = impute_departing(
        model.recorded,
        known_to_draws(study.lesions, model.recorded, model.treated, study.patient, model.outcomes),
        drawn_names(model.recorded, model.treated),
        tried,
        data_sets=max(2, min(FEWEST_DATA_SETS, LESIONS_IN_ALL // len(study.treated))),
        sweeps=plan.imputation.sweeps,
        seed=plan.seed_for("imputation"),
    )
    found = {}
    for shift, one in zip(tried, drawn, strict=True):
        first = model.on(one.completed(0))
        usable = first.score.fit.failed_because is None and first.plain.fit.failed_because is None
        found[shift] = made_again(study, replace(model, imputations=one, first=first)) if usable else {}
    return tuple(
        _cell(primary, trait.label, shift, found[shift].get(name), found[unmoved].get(name))
        for name, primary in given.items()
        for shift in shifts
    )


def _cell(
    primary: Primary, trait: str, shift: Departure, moved: PooledComparison | None, unmoved: PooledComparison | None
) -> TippingCell:
    if moved is None or unmoved is None:
        return TippingCell(primary.endpoint, trait, shift.retrograde, shift.antegrade, None, None, None)
    effect = moved_by(moved.estimated.effects[0], primary.pooled.difference.value - unmoved.difference.value)
    return TippingCell(
        primary.endpoint, trait, shift.retrograde, shift.antegrade, effect.estimate, effect.lower, effect.upper
    )


def tipped(study: Study, model: ScoreModel) -> Covariate | None:
    """The trait whose unrecorded values are shifted: the plan's, or the adjusted one that is drawn most often; None where it is not drawn."""
    wanted, found = study.plan.imputation.tipping_feature, model.imputations
    if found is None:
        return None
    drawn: Sequence[Covariate] = [c for c in model.recorded if c.name in found.drawn]
    if wanted:
        return next((c for c in drawn if c.name == wanted), None)
    names = [f.name for f in adjusted_features(study.plan)]
    return min(drawn, key=lambda c: (-len(found.lesions[c.name]), names.index(c.name)), default=None)
