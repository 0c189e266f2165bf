"""What a trait that nobody recorded could do to the primary answer of each endpoint.

Strengths of measured traits, matched pairs, the instrument and the negative control exposure are worked out on the first completed data set; the scale of
the largest possible bias and the negative control outcomes on all of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from models.bias_surface import BiasSurface, surface_of_differences
from models.e_values import (
    EValue,
    RatioKind,
    Risks,
    e_value_of_ratio,
    e_value_of_risk_difference,
)
from models.instrument import InstrumentResult, estimate_by_preference, operator_preference
from models.matched_effects import pair_table
from models.matching import caliper_width, logit_of, match_nearest
from models.measured_strengths import MeasuredStrength, measured_strengths, strongest
from models.omitted_bias import (
    BiasScale,
    BoundedInterval,
    averaged,
    bias_scale,
    bounded_interval,
    robustness_value,
)
from models.results import Measure
from models.rosenbaum import RosenbaumBounds, rosenbaum_bounds
from models.sensitivity_results import AbsentPart, EValueLine, HiddenConfounding
from pipeline.methods_primary import Primary
from pipeline.negative_controls import controls_of
from pipeline.score_model import Models

Floats = NDArray[np.float64]

# An outcome seen in more than this share is common: its odds ratio is not near its risk ratio (VanderWeele & Ding 2017, table 2).
RARE = 0.15
# The surface's grid: how much commoner a hidden yes/no trait is among lesions started from below, and what it does to the risk.
GAPS = tuple(round(0.1 * j, 1) for j in range(-4, 5))
EFFECTS = tuple(round(0.05 * j, 2) for j in range(7))
# Terms that tell the operator, who is the instrument's source.
OF_THE_OPERATOR = ("operator_id", "operator_retrograde_before")

Reasons = dict[AbsentPart, str]


def hidden_confounding(given: Mapping[str, Primary]) -> Iterator[tuple[HiddenConfounding, Reasons]]:
    """Each endpoint's answer under an unmeasured trait, with the reasons for what is None; endpoints in the order of `given`."""
    if not given:
        return
    model = next(iter(given.values())).model
    scales: dict[str, list[BiasScale | None]] = {name: [] for name in given}
    for models in model.each():
        for name, primary in given.items():
            scales[name].append(_scale(primary, models))
    found = controls_of(list(given.values()))
    for name, primary in given.items():
        yield _one(primary, [scale for scale in scales[name] if scale is not None], found.get(name, ()))


def _scale(primary: Primary, models: Models) -> BiasScale | None:
    study, outcome = primary.study, primary.model.outcomes[primary.endpoint]
    e, chances = models.score.probability, models.outcomes[primary.endpoint]
    expected = e * chances.below + (1.0 - e) * chances.above
    return bias_scale(outcome - expected, study.treated - e, study.patient)


def _one(primary: Primary, scales: list[BiasScale], controls: tuple) -> tuple[HiddenConfounding, Reasons]:  # type: ignore[type-arg]
    plan = primary.study.plan
    reasons: Reasons = {}
    strengths = _strengths(primary)
    bounded = robustness = None
    because = ""
    effect = primary.difference
    if plan.primary_population != "overlap":
        reasons["bounded"] = (
            "The bound is that of the overlap population, and the plan's primary population is another."
        )
    elif not scales or effect.estimate is None or effect.lower is None or effect.upper is None:
        reasons["bounded"] = "The measured traits leave nothing of the approach or of the outcome to explain."
    else:
        scale = averaged(scales)
        robustness = robustness_value(scale.scale, effect.estimate, effect.lower, effect.upper)
        bounded, because = _bounded(primary, scale, strengths)
        if bounded is None:
            reasons["bounded"] = because
            because = ""
    surface = _surface(primary)
    if surface is None:
        reasons["surface"] = "The primary comparison has no interval to correct."
    pairs = _pairs(primary)
    if isinstance(pairs, str):
        reasons["rosenbaum"] = pairs
    if not controls:
        reasons["controls"] = "No trait that could serve as a negative control is recorded often enough."
    instrument = _instrument(primary)
    return (
        HiddenConfounding(
            primary.endpoint,
            _e_values(primary),
            surface,
            strengths,
            None if isinstance(pairs, str) else pairs,
            controls,
            instrument,
            plan.gates.weakest_instrument_f,
            bounded,
            because,
            robustness,
        ),
        reasons,
    )


def _bounded(
    primary: Primary, scale: BiasScale, strengths: Sequence[MeasuredStrength]
) -> tuple[BoundedInterval | None, str]:
    """The interval under a trait as many times as strong as the strongest measured one as the plan says, and how that was chosen or why there is none."""
    times, difference = primary.study.plan.hidden_bias.strength, primary.pooled.difference
    most = strongest(strengths)
    if most is None:
        return None, "No measured trait tells how strong a hidden one may be."
    strength = most.times(times)
    if strength is None:
        return None, f"No trait can be {times:g} times as strong as {most.name}."
    how = "As strong as" if times == 1 else f"{times:g} times as strong as"
    found = bounded_interval(scale, strength, primary.comparison.level, difference.value, difference.standard_error)
    return (
        found,
        f"{how} {most.name}, the measured trait of which an equal could do most (the plan's strength of {times:g}).",
    )


def _strengths(primary: Primary) -> tuple[MeasuredStrength, ...]:
    model, design = primary.model, primary.model.score.design
    labels = {c.name: c.label for c in (*model.recorded, model.below_knee)}
    groups = [term.of for term in design.terms]
    found = measured_strengths(model.outcomes[primary.endpoint], model.treated, design.matrix, groups)
    return tuple(replace(one, name=labels.get(one.name, one.name)) for one in found)


def _surface(primary: Primary) -> BiasSurface | None:
    e = primary.difference
    if e.estimate is None or e.lower is None or e.upper is None:
        return None
    return surface_of_differences(e.estimate, e.lower, e.upper, GAPS, EFFECTS)


def _e_values(primary: Primary) -> tuple[EValueLine, ...]:
    return tuple(_e_value(primary, effect.measure) for effect in primary.comparison.effects)


def _e_value(primary: Primary, measure: Measure) -> EValueLine:
    effect = next(e for e in primary.comparison.effects if e.measure == measure)
    arms = primary.comparison.retrograde, primary.comparison.antegrade
    risks = [arm.risk for arm in arms if arm.risk is not None]
    if len(risks) < 2:
        return EValueLine(measure, None, None, "one of the risks is not known")
    found: EValue | None
    if measure == "risk_difference":
        treated = primary.study.treated
        share = 0.5 if primary.study.plan.primary_population == "overlap" else float(treated.mean())
        spread = 0.0 if primary.study.plan.primary_population == "overlap" else share * (1 - share) / len(treated)
        two = Risks(risks[0], risks[1], *primary.pooled.risk_variances, share, spread)
        found = e_value_of_risk_difference(two, primary.comparison.level)
        if found is None:
            return EValueLine(measure, None, None, "one of the risks is 0, so no ratio can be formed")
        return EValueLine(measure, found.point, found.limit, None)
    if effect.estimate is None or effect.lower is None or effect.upper is None or effect.lower <= 0:
        return EValueLine(measure, None, None, "the ratio has no interval with two limits")
    common = max(risks) > RARE
    kind: RatioKind = "risk_ratio"
    if measure == "odds_ratio":
        kind = "odds_ratio_common" if common else "odds_ratio_rare"
    found = e_value_of_ratio(effect.estimate, effect.lower, effect.upper, kind)
    return EValueLine(measure, found.point, found.limit, None)


def _pairs(primary: Primary) -> RosenbaumBounds | str:
    """Bounds of one-to-one pairs matched on the primary's score; or why there are none."""
    study, plan = primary.study, primary.study.plan
    score = logit_of(np.clip(primary.model.score.probability, 1e-12, 1 - 1e-12))
    caliper = caliper_width(score, study.treated, plan.matching.caliper)
    matched = match_nearest(score, study.treated, caliper=caliper)
    if not matched.sets:
        return "No lesion started from below has one started from above within the caliper."
    table = pair_table(matched, primary.model.outcomes[primary.endpoint], score, study.patient, plan.level)
    if table is None or not table.pairs:
        return "There are no one-to-one pairs."
    return rosenbaum_bounds(table, plan.level)


def _instrument(primary: Primary) -> InstrumentResult:
    study, design = primary.study, primary.model.score.design
    rows = [j for j, term in enumerate(design.terms) if not set(term.of.split(" x ")) & set(OF_THE_OPERATOR)]
    preference = operator_preference(study.treated, study.operator, study.patient)
    return estimate_by_preference(
        primary.model.outcomes[primary.endpoint],
        study.treated,
        preference,
        design.matrix[rows],
        study.operator,
        study.plan.level,
        study.plan.gates.weakest_instrument_f,
    )
