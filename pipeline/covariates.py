"""Features as the numbers that the models take: the adjustment set, the score's interactions, the lines whose balance is looked at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.balance import Line
from models.propensity import Covariate
from models.results import TermKind
from pipeline.features import FEATURES, Feature, feature, levels_of
from pipeline.plan import Plan

Floats = NDArray[np.float64]

# Pairs entered in the score: calcium matters more in a long lesion, one cap depends on the other, and length means
# another thing below the knee (common practice, no source).
SCORE_INTERACTIONS = (("length_mm", "calcium"), ("proximal_cap", "distal_cap"), ("length_mm", "below_knee"))

# Pairs whose balance is looked at, entered or not: the traits that decide an approach on the table.
PAIRS_LOOKED_AT = ("length_mm", "calcium", "proximal_cap", "distal_cap", "prior_bypass", "below_knee", "runoff_vessels")

# A standardized difference of a trait rarer than this (or as nearly universal) is noise.
RAREST_TRAIT = 0.02


def adjusted_features(plan: Plan) -> tuple[Feature, ...]:
    """The adjustment set: the plan's, or every feature with a reason to adjust."""
    if plan.adjust_for:
        return tuple(feature(name) for name in plan.adjust_for)
    return tuple(f for f in FEATURES if f.adjust_because is not None)


def left_out_features(plan: Plan) -> tuple[Feature, ...]:
    """Features whose balance is looked at though they are not adjusted for."""
    if plan.left_out:
        return tuple(feature(name) for name in plan.left_out)
    chosen = {f.name for f in adjusted_features(plan)}
    return tuple(f for f in FEATURES if f.name not in chosen and f.balance_looked_at)


def score_interactions(plan: Plan) -> tuple[tuple[str, str], ...]:
    """The pairs of SCORE_INTERACTIONS whose features the plan adjusts for (below the knee follows from the segment)."""
    chosen = {f.name for f in adjusted_features(plan)}
    if "segment" in chosen:
        chosen.add("below_knee")
    return tuple(pair for pair in SCORE_INTERACTIONS if set(pair) <= chosen)


def covariates(lesions: pl.DataFrame, plan: Plan, features: Sequence[Feature]) -> tuple[Covariate, ...]:
    """Each feature as numbers, in order; `lesions` has the columns of derive."""
    return tuple(covariate(lesions, plan, f) for f in features)


def covariate(lesions: pl.DataFrame, plan: Plan, chosen: Feature) -> Covariate:
    """One feature as numbers: a number itself, a category or flag as the index of its level, NaN where not recorded."""
    column = lesions[chosen.name]
    if chosen.kind == "number":
        values = column.cast(pl.Float64).fill_null(float("nan")).to_numpy()
        return Covariate(chosen.name, chosen.label, "number", values, straight=chosen.straight)
    levels = levels_of(chosen, plan, lesions)
    codes = tuple(level.code for level in levels)
    # Levels that are whatever the data hold are pseudonyms: numbered, so that a report can name them.
    labels = tuple(level.label if chosen.levels else f"number {j}" for j, level in enumerate(levels, 1))
    index = column.cast(pl.String).replace_strict(
        list(codes), list(range(len(codes))), default=None, return_dtype=pl.Float64
    )
    values = index.fill_null(float("nan")).to_numpy()
    if chosen.kind == "flag":
        return Covariate(chosen.name, chosen.label, "category", values, ("no", "yes"), ("no", "yes"))
    return Covariate(chosen.name, chosen.label, "category", values, codes, labels)


def balance_lines(lesions: pl.DataFrame, plan: Plan, terms: frozenset[str]) -> list[Line]:
    """Every line whose balance is looked at: traits, squares of numbers, pairs of lesion traits, traits left out.

    `terms` names the terms of the score: a trait that is none of them, a rare level that was pooled too, counts as left out.
    """
    adjusted = covariates(lesions, plan, adjusted_features(plan))
    lines = [
        replace(line, kind="fitted" if _is_fitted(line.name, one, terms) else "left_out")
        for one in adjusted
        for line in _trait_lines(one, "fitted")
    ]
    for one in adjusted:
        if one.kind == "number" and not np.isnan(one.values).all():
            centred = one.values - np.nanmean(one.values)
            lines.append(Line(f"{one.name}^2", f"{one.label}, squared", "square", centred**2))
    names = [name for name in PAIRS_LOOKED_AT if name in lesions.columns]
    pairs = {c.name: _trait_lines(c, "fitted") for c in covariates(lesions, plan, [feature(n) for n in names])}
    for first, second in combinations(names, 2):
        for a in pairs[first]:
            for b in pairs[second]:
                product = a.values * b.values
                if _worth_a_look(product):
                    lines.append(Line(f"{a.name} x {b.name}", f"{a.label} x {b.label}", "interaction", product))
    for one in adjusted:
        # A trait recorded after one approach more than after the other is a difference between the groups in itself.
        unrecorded = np.isnan(one.values).astype(np.float64)
        if f"{one.name} not recorded" not in terms and _worth_a_look(unrecorded):
            lines.append(Line(f"{one.name} not recorded", f"{one.label}: not recorded", "left_out", unrecorded))
    for one in covariates(lesions, plan, left_out_features(plan)):
        lines += _trait_lines(one, "left_out")
    return lines


def _is_fitted(line: str, covariate: Covariate, terms: frozenset[str]) -> bool:
    """Whether a trait line is a term of the score, or the reference level of a category all of whose other levels are."""
    if line in terms:
        return True
    others = (f"{covariate.name}={level}" for j, level in enumerate(covariate.levels) if (covariate.values == j).any())
    return covariate.kind == "category" and all(name in terms for name in others if name != line)


def _trait_lines(covariate: Covariate, kind: TermKind) -> list[Line]:
    if np.isnan(covariate.values).all():
        return []
    if covariate.kind == "number":
        return [Line(covariate.name, covariate.label, kind, covariate.values)]
    missing = np.isnan(covariate.values)
    made = []
    labels = covariate.level_labels or covariate.levels
    shown = range(1, 2) if covariate.levels == ("no", "yes") else range(len(covariate.levels))
    for j in shown:
        values = np.where(missing, np.nan, (covariate.values == j).astype(np.float64))
        if _worth_a_look(values):
            label = covariate.label if covariate.levels == ("no", "yes") else f"{covariate.label}: {labels[j]}"
            made.append(Line(f"{covariate.name}={covariate.levels[j]}", label, kind, values))
    return made


def _worth_a_look(values: Floats) -> bool:
    """Whether a line varies and, if 0/1, is neither nearly always nor nearly never so: a standardized difference of a rare trait is noise."""
    known = values[~np.isnan(values)]
    if known.size == 0 or np.ptp(known) == 0:
        return False
    if np.isin(known, (0.0, 1.0)).all():
        return bool(RAREST_TRAIT <= known.mean() <= 1 - RAREST_TRAIT)
    return True
