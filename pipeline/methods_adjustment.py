"""The first half of the methods report from the run: what was adjusted for and how, how alike the groups became, what every method says."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from models.adjustment_results import (
    BootstrapInterval,
    CovariateForm,
    MethodEstimate,
    RefusedColumn,
    ScoreQuality,
    TermBalance,
    TraitRow,
    WeightSummary,
)
from models.augmented import augmented_risks
from models.balance import contrast, term_balance
from models.bootstrap import cluster_bootstrap
from models.bootstrap_intervals import bootstrap_effects, reported
from models.calibration import calibration, cross_fitted_score, score_quality
from models.extreme_weights import extreme_weight_gate, extreme_weights, weight_summaries
from models.methods_results import Absent
from models.multiplier_bootstrap import multiplier_effects
from models.propensity import Covariate
from models.results import Comparison, Effect, Gate, GateVerdict, Measure, Population
from models.weights import balancing_weights, stabilized_weights, truncate
from pipeline.causal_paths import KINDS, REFUSED
from pipeline.covariates import adjusted_features, balance_lines, covariate
from pipeline.estimate import Estimates
from pipeline.features import Feature
from pipeline.method_labels import label_of, method_label
from pipeline.other_methods import ASSUMES
from pipeline.other_odds_ratios import METHODS
from pipeline.score_model import ScoreModel
from pipeline.studied import Study

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

MEASURES: tuple[Measure, ...] = ("risk_difference", "risk_ratio", "odds_ratio")


def primary_weights(study: Study) -> Floats | None:
    """The weights (n,) of the primary analysis, those of the first completed data set; None without a score."""
    if study.model is None:
        return None
    score = study.model.score if study.plan.primary_method == "doubly_robust" else study.model.first.plain
    return balancing_weights(score.probability, study.treated, study.plan.primary_population).weight


def covariate_forms(study: Study) -> tuple[CovariateForm, ...]:
    """How each adjusted trait enters the score; empty without one."""
    if study.model is None:
        return ()
    return tuple(_form(one, study.model) for one in adjusted_features(study.plan))


def _form(one: Feature, model: ScoreModel) -> CovariateForm:
    terms = [term.name for term in model.score.design.terms if term.of == one.name]
    own = [name for name in terms if "not recorded" not in name]
    if not own:
        return CovariateForm(one.label, "in the outcome model alone, or never recorded", 0)
    if one.kind == "number":
        curved = any(name.endswith("(curve)") for name in own)
        form = "natural cubic spline" if curved else "a straight line"
    elif one.kind == "flag":
        form = "yes or no"
    else:
        form = "its levels, rare ones together"
    beside = ", and whether it is recorded" if len(terms) > len(own) else ""
    return CovariateForm(one.label, f"{form}{beside}", len(terms))


def refused_columns() -> tuple[RefusedColumn, ...]:
    """What no plan may adjust for, and why."""
    return tuple(
        RefusedColumn(
            ", ".join(name.replace("_", " ") for name in one.names),
            one.reason,
            f"{one.what[0].upper()}{one.what[1:]}; adjusting for it {KINDS[one.reason][1]}.",
        )
        for one in REFUSED
    )


def table_one(study: Study) -> tuple[TraitRow, ...]:
    """Every adjusted trait by approach, as it came and as weighted in the primary analysis; what is not recorded is left out of both.

    Traits whose levels are pseudonyms (operators, sites) are not in it: they are no trait of a patient, and balance is told of them elsewhere.
    """
    weight = primary_weights(study)
    rows: list[TraitRow] = []
    for one in adjusted_features(study.plan):
        if one.kind == "category" and one.levels is None:
            continue
        rows += _trait_rows(one, covariate(study.lesions, study.plan, one), study.treated, weight)
    return tuple(rows)


def _trait_rows(one: Feature, found: Covariate, treated: Floats, weight: Floats | None) -> Iterator[TraitRow]:
    trait = f"{found.label[0].upper()}{found.label[1:]}"
    recorded = ~np.isnan(found.values)
    if not all((recorded & (treated == arm)).any() for arm in (1, 0)):
        return
    if found.kind == "number":
        unit = "count" if one.unit in ("", "lesions") else one.unit
        yield _row(found.name, trait, "", unit, found.values, recorded, treated, weight)
        return
    yes_no = found.levels == ("no", "yes")
    labels = found.level_labels or found.levels
    for j in range(1, 2) if yes_no else range(len(found.levels)):
        line = np.where(recorded, (found.values == j).astype(np.float64), np.nan)
        if yes_no or line[recorded].any():  # a level that no lesion has says nothing
            level = "" if yes_no else labels[j]
            yield _row(f"{found.name}={found.levels[j]}", trait, level, "share", line, recorded, treated, weight)


def _row(
    name: str,
    trait: str,
    level: str,
    unit: str,
    line: Floats,
    recorded: Mask,
    treated: Floats,
    weight: Floats | None,
) -> TraitRow:
    share = unit == "share"
    arms = [recorded & (treated == arm) for arm in (1, 0)]
    known = [int(arm.sum()) for arm in arms]
    counts = [int(line[arm].sum()) for arm in arms] if share else known
    values, here = line[recorded], treated[recorded]
    before = contrast(values, here, np.ones(len(values)))
    spread = [None if share or len(line[arm]) < 2 else float(line[arm].std(ddof=1)) for arm in arms]
    weighted: list[float | None] = [None, None]
    weighted_spread: list[float | None] = [None, None]
    after: float | None = None
    if weight is not None and all(weight[arm].sum() > 0 for arm in arms):
        found = contrast(values, here, weight[recorded])
        after, weighted = found.smd, [found.mean_1, found.mean_0]
        if not share:
            weighted_spread = [
                float(np.sqrt(np.average((line[arm] - mean) ** 2, weights=weight[arm])))
                for arm, mean in zip(arms, (found.mean_1, found.mean_0), strict=True)
            ]
    return TraitRow(
        name=name,
        trait=trait,
        level=level,
        unit=unit,
        count_retrograde=counts[0],
        count_antegrade=counts[1],
        recorded_retrograde=known[0],
        recorded_antegrade=known[1],
        retrograde=before.mean_1,
        antegrade=before.mean_0,
        retrograde_sd=spread[0],
        antegrade_sd=spread[1],
        smd_before=before.smd,
        weighted_retrograde=weighted[0],
        weighted_antegrade=weighted[1],
        weighted_retrograde_sd=weighted_spread[0],
        weighted_antegrade_sd=weighted_spread[1],
        smd_after=after,
    )


def balance(study: Study) -> tuple[TermBalance, ...]:
    """Every line whose balance is looked at, under the weights of the primary analysis; empty without a score."""
    weight = primary_weights(study)
    if study.model is None or weight is None:
        return ()
    terms = frozenset(term.name for term in study.model.score.design.terms)
    found = (term_balance(line, study.treated, weight) for line in balance_lines(study.lesions, study.plan, terms))
    return tuple(one for one in found if one is not None)


def score(found: Estimates) -> ScoreQuality | None:
    """How good the score is as a probability, judged on patients that it was not fitted on; None without one."""
    study, diagnostics = found.study, found.diagnostics
    model = study.model
    if model is None or diagnostics is None:
        return None
    level, seed = study.plan.level, study.plan.seed_for("score folds")
    judged = cross_fitted_score(model.score.design, study.treated, study.patient, seed)
    remark, cross_fitted = _about_pairs(model), not isinstance(judged, str)
    if isinstance(judged, str):
        remark = f"Without a tenth of the patients it could not be fitted ({judged}), so it is judged on the lesions that it was fitted on. {remark}"
        judged = model.score.probability
    quality = score_quality(
        diagnostics.overlap,
        calibration(judged, study.treated, level, study.patient),
        cross_fitted=cross_fitted,
        learners=found.learners,
    )
    if quality is None:
        return None
    told = " ".join(part for part in (quality.remark, remark) if part)
    return ScoreQuality(
        quality.overlap,
        quality.c_statistic,
        quality.slope,
        quality.slope_lower,
        quality.slope_upper,
        quality.intercept,
        quality.groups,
        quality.learners,
        quality.cross_fitted,
        told,
    )


def _about_pairs(model: ScoreModel) -> str:
    if not model.pairs_looked_at:
        return ""
    if not model.pairs:
        return f"Of {model.pairs_looked_at:,} pairs of traits none was needed beside the usual ones."
    names = "; ".join(pair.label.replace(" x ", " \u00d7 ") for pair in model.pairs)
    return (
        f"Of {model.pairs_looked_at:,} pairs of traits these were taken in, since the choice or the outcome follows them: {names}. "
        "They were chosen on all lesions."
    )


def weights(study: Study) -> tuple[WeightSummary, ...]:
    """Weights of the primary analysis and of plain weighting in every population of the plan; empty without a score."""
    model, plan = study.model, study.plan
    if model is None:
        return ()
    made: list[WeightSummary] = []
    own = primary_weights(study)
    if plan.primary_method == "doubly_robust" and own is not None:
        label = f"{method_label('doubly_robust', plan.primary_population).label} (primary)"
        made += weight_summaries(label, own, study.treated, study.patient)
    probability = model.first.plain.probability
    for population in plan.populations:
        lead = plan.primary_method == "weighting" and population == plan.primary_population
        if lead or plan.compares_by("weighting"):
            label = method_label("weighting", population).label + (" (primary)" if lead else "")
            weight = balancing_weights(probability, study.treated, population).weight
            made += weight_summaries(label, weight, study.treated, study.patient)
    if plan.compares_by("truncated_weighting") and "all" in plan.populations:
        limits = plan.truncation
        held = truncate(stabilized_weights(probability, study.treated), limits.lower_quantile, limits.upper_quantile)
        label = method_label("truncated_weighting", "all").label
        made += weight_summaries(label, held.weights.weight, study.treated, study.patient, held.cut)
    return tuple(made)


def gates(found: Estimates, terms: tuple[TermBalance, ...]) -> tuple[Gate, ...]:
    """The checks that withhold an answer, and two that only caution: single heavy lesions, and unlike variances."""
    if found.diagnostics is None:
        return ()
    own = primary_weights(found.study)
    heavy = () if own is None else (extreme_weight_gate(extreme_weights(own, found.study.treated)),)
    return (*found.diagnostics.gates, *heavy, _variance_gate(terms, found.study.plan.gates.largest_variance_ratio))


def _variance_gate(terms: tuple[TermBalance, ...], limit: float) -> Gate:
    ratios = [
        max(ratio, 1 / ratio)
        for one in terms
        if one.term.kind == "fitted" and (ratio := one.term.variance_ratio_after) is not None and ratio > 0
    ]
    worst = max(ratios, default=1.0)
    verdict: GateVerdict = "caution" if worst > limit else "pass"
    return Gate(
        "variance_ratio",
        "after weighting the variances of every measured trait are alike (the ratio furthest from 1, the larger over the smaller)",
        worst,
        limit,
        verdict,
        "Rubin 2001",
    )


def method_estimates(found: Estimates) -> tuple[MethodEstimate, ...]:
    """Every method's comparison of the whole service, with its label and what it takes for granted."""
    made = []
    for one in found.comparisons:
        if one.profile != "all":
            continue
        entry = label_of(one)
        primary = _leads(one, found.study)
        made.append(MethodEstimate(_whole(one), entry.label, entry.assumes, entry.odds_ratio, primary))
    return tuple(made)


def _leads(one: Comparison, study: Study) -> bool:
    """Whether it is the primary comparison of its endpoint."""
    lead = (study.plan.primary_method, study.plan.primary_population, "all")
    return (one.method, one.population, one.profile) == lead


def _whole(one: Comparison) -> Comparison:
    """The comparison with all three measures, those that the method does not give None; its note without what stands beside it anyway."""
    there = {effect.measure: effect for effect in one.effects}
    effects = tuple(there.get(measure, Effect(measure, None, None, None, None)) for measure in MEASURES)
    return Comparison(
        one.endpoint,
        one.population,
        one.method,
        one.profile,
        one.level,
        one.retrograde,
        one.antegrade,
        effects,
        one.withheld_because,
        one.note.removeprefix(_TOLD.get(one.method, "")).removeprefix("; "),
    )


# What notes of these methods begin with: the report says it in its own words.
_TOLD = ASSUMES | {method.method: method.assumes for method in METHODS}


def bootstrap(found: Estimates) -> tuple[tuple[BootstrapInterval, ...], tuple[Absent, ...]]:
    """Bootstrap intervals on the first completed data set, and why there are none.

    For augmented weighting the patients' influences are multiplied at random (`models.multiplier_bootstrap`); for plain weighting in the primary population patients
    are drawn anew and score and risks worked out again (`models.bootstrap`).
    """
    study, plan = found.study, found.study.plan
    draws, population = plan.bootstrap.replicates, plan.primary_population
    if draws == 0:
        return (), (Absent("bootstrap", "The plan asks for no bootstrap."),)
    if study.model is None or study.withheld_because is not None:
        reason = study.withheld_because or "there is no score"
        return (), (Absent("bootstrap", f"No bootstrap: the primary answer is withheld ({reason})."),)
    held = {
        one.endpoint: one.withheld_because for one in found.comparisons if _leads(one, study) and one.withheld_because
    }
    absent = tuple(Absent("bootstrap", f"No bootstrap: {why}.", name) for name, why in held.items())
    given = [name for name in plan.endpoints if name not in held]
    if not given:
        return (), absent
    made: list[BootstrapInterval] = []
    if plan.primary_method == "doubly_robust":
        for name in given:
            made += _of_augmented(study, study.model, name, population, draws)
    if plan.primary_method == "weighting" or plan.compares_by("weighting"):
        outcomes = np.stack([study.outcome(name) for name in given])
        replicates = cluster_bootstrap(
            study.treated,
            outcomes,
            study.patient,
            study.model.first.plain,
            (population,),
            draws,
            plan.seed_for("bootstrap"),
        )
        for name, one in zip(given, replicates, strict=True):
            made += [reported(name, "weighting", effect) for effect in bootstrap_effects(one, plan.level)]
    return tuple(made), absent


def _of_augmented(
    study: Study, model: ScoreModel, name: str, population: Population, draws: int
) -> Iterator[BootstrapInterval]:
    risks = augmented_risks(
        study.treated,
        study.outcome(name),
        study.patient,
        population,
        model.score,
        model.first.outcomes[name],
    )
    seed = study.plan.seed_for(f"multipliers of {name}")
    effects = multiplier_effects(risks, study.plan.level, draws, seed)
    for j, measure in enumerate(MEASURES):
        if isinstance(effects, str):
            yield BootstrapInterval(name, "doubly_robust", measure, None, None, None, draws, 0, effects)
        else:
            yield BootstrapInterval(
                name, "doubly_robust", measure, effects[j].lower, effects[j].upper, None, draws, 0, None
            )
