"""The service's propensity model: as rich as the number of lesions allows, and saying so when it had to be made simpler."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.imputation import draw_missing
from models.propensity import Covariate, Design, Score, build_design, fit_score
from pipeline.covariates import adjusted_features, covariate, covariates, score_interactions
from pipeline.endpoints import endpoint
from pipeline.features import feature
from pipeline.plan import Plan

Floats = NDArray[np.float64]

# Lesions by the less common approach for each term of the score: below five, estimates and intervals go wrong
# (Vittinghoff & McCulloch 2007, Am J Epidemiol 165:710-718).
LESIONS_PER_TERM = 5

# Who operated is told by nothing else: an unknown operator is a level of its own.
NEVER_DRAWN = ("operator_id", "operator_retrograde_before")

# A trait missing in more lesions than this is marked as missing instead: its draws would be mostly the model's own invention.
MOST_DRAWN = 0.5  # share; our choice, common practice, no source

# What decides most where an operator starts and whether the wire crosses (Saab 2018; Bernardini 2022). Without two of them a comparison of
# invented services pointed the wrong way.
KEY_TRAITS = ("length_mm", "calcium", "proximal_cap", "distal_cap")

# What is known of a lesion's course: it tells apart lesions that are otherwise alike.
ON_THE_TABLE = ("first_approach", "first_approach_crossed", "crossed_in_session", "attempts", "attempt_minutes")


@dataclass(frozen=True, slots=True)
class ScoreModel:
    """The fitted score, and remarks in words: values drawn, levels pooled, what was left out and why.

    `fitted` are the labels of the features in it; `key_recorded` is the share (0-1) of KEY_TRAITS recorded in at least half of the
    lesions, of those that the plan adjusts for.
    """

    score: Score
    remarks: tuple[str, ...]
    simplified: bool
    left_out: float  # share (0-1) of the adjustment set's features that are not in the score
    fitted: tuple[str, ...]
    key_recorded: float


def fit_score_model(lesions: pl.DataFrame, plan: Plan, treated: Floats) -> ScoreModel:
    """The richest model that the less common approach can carry.

    Full: the plan's adjustment set, numbers as splines, interactions. If that asks for more than one term to every
    LESIONS_PER_TERM lesions of the less common approach: straight lines and no interactions, features taken in the order of the
    adjustment set for as long as there is room. What is left out is watched in the balance. `treated` (n,) of 0 and 1.
    """
    candidates, drawn = _recorded_or_drawn(lesions, plan, treated)
    room = int(min(treated.sum(), (1 - treated).sum())) // LESIONS_PER_TERM
    full = build_design(
        candidates,
        treated,
        score_interactions(plan),
        only_in_pairs=(covariate(lesions, plan, feature("below_knee")),),
    )
    if len(full.terms) - 1 <= room:
        return _told(full, candidates, treated, drawn, simplified=False, key_recorded=_key_recorded(lesions, plan))
    remark = "few lesions for a full model: numbers as straight lines, no combinations"
    simple = _simple(candidates, treated, room)
    return _told(
        simple, candidates, treated, (*drawn, remark), simplified=True, key_recorded=_key_recorded(lesions, plan)
    )


def _told(
    design: Design,
    candidates: tuple[Covariate, ...],
    treated: Floats,
    remarks: tuple[str, ...],
    *,
    simplified: bool,
    key_recorded: float,
) -> ScoreModel:
    kept = {term.of for term in design.terms}
    out = [c.label for c in candidates if c.name not in kept]
    left = (f"not in the score: {', '.join(out)}",) if out else ()
    fitted = tuple(c.label for c in candidates if c.name in kept)
    told = (*remarks, *left, *design.pooled)
    return ScoreModel(
        fit_score(design, treated), told, simplified, len(out) / max(len(candidates), 1), fitted, key_recorded
    )


def _key_recorded(lesions: pl.DataFrame, plan: Plan) -> float:
    wanted = [f.name for f in adjusted_features(plan) if f.name in KEY_TRAITS]
    recorded = [name for name in wanted if lesions[name].null_count() <= MOST_DRAWN * lesions.height]
    return len(recorded) / len(wanted) if wanted else 1.0


def _recorded_or_drawn(
    lesions: pl.DataFrame, plan: Plan, treated: Floats
) -> tuple[tuple[Covariate, ...], tuple[str, ...]]:
    """The adjustment set with unrecorded traits drawn, and a remark on which and how often."""
    features = adjusted_features(plan)
    found = covariates(lesions, plan, features)
    shares = {f.name: lesions[f.name].null_count() / lesions.height for f in features}
    wanted = [name for name, share in shares.items() if name not in NEVER_DRAWN and 0 < share <= MOST_DRAWN]
    if not wanted:
        return found, ()
    outcomes = [lesions[endpoint(name).column].cast(pl.Float64).to_numpy() for name in plan.endpoints]
    always = np.vstack([treated, *outcomes, *(treated * outcome for outcome in outcomes)])
    told = ", ".join(f"{f.label} ({shares[f.name]:.0%})" for f in features if f.name in wanted)
    completed = draw_missing(found, always, _chances(lesions, plan, wanted))
    return completed, (f"drawn where not recorded: {told}",)


def _chances(lesions: pl.DataFrame, plan: Plan, names: list[str]) -> dict[str, Floats]:
    """A number in [0, 1) for each lesion with a gap, made from the plan's seed and what is recorded of the lesion itself.

    So a draw depends neither on the order of the rows nor on the key of the pseudonyms.
    """
    content = lesions.select(
        "procedure_date", *ON_THE_TABLE, *(f.name for f in adjusted_features(plan) if f.name not in NEVER_DRAWN)
    )
    made = {}
    for name in names:
        chance = np.zeros(lesions.height)
        gaps = np.flatnonzero(lesions[name].is_null().to_numpy())
        for place, row in zip(gaps, content[gaps].iter_rows(), strict=True):
            digest = hashlib.blake2b(f"{plan.seed}|{name}|{row}".encode(), digest_size=8).digest()
            chance[place] = int.from_bytes(digest, "big") / 2**64
        made[name] = chance
    return made


def _simple(candidates: tuple[Covariate, ...], treated: Floats, room: int) -> Design:
    chosen: list[Covariate] = []
    design = build_design((), treated)
    for candidate in candidates:
        trial = build_design((*chosen, replace(candidate, straight=True)), treated)
        if len(trial.terms) - 1 <= room:
            chosen.append(replace(candidate, straight=True))
            design = trial
    return design
