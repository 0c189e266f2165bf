"""The comparison step: derived lesions and the plan in, comparisons and diagnostics out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.balance import differences_within
from models.comparison import compare_within
from models.gates import Thresholds, arm_size_gate, effective_size_gate, imbalance_gate, withheld_because
from models.propensity import Score
from models.results import (
    ArmRisk,
    CaseMix,
    Comparison,
    Diagnostics,
    Gate,
    MapCell,
    Population,
    ProfileLabel,
)
from models.weights import balancing_weights, effective_n
from pipeline.covariates import adjusted_features
from pipeline.diagnose import case_mix, diagnose
from pipeline.endpoints import endpoint
from pipeline.plan import Plan
from pipeline.profiles import Cell, length_calcium_cells, one_way_profiles
from pipeline.score_model import fit_score_model

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

OTHER_POPULATIONS: tuple[Population, ...] = ("all", "treated")
# Spread of a fitted term inside a profile, in SD of the whole service, below which it is not looked at; common practice, no source.
LEAST_SPREAD = 0.1


@dataclass(frozen=True, slots=True)
class Estimates:
    """What the step hands on; see models.results for the parts."""

    comparisons: tuple[Comparison, ...]
    diagnostics: Diagnostics | None
    length_calcium: tuple[MapCell, ...]
    case_mix: tuple[CaseMix, ...]
    profile_labels: tuple[ProfileLabel, ...]
    remarks: tuple[str, ...]
    fitted: tuple[str, ...]
    simplified: bool
    score_failed_because: str | None


@dataclass(frozen=True, slots=True)
class _Study:
    """The eligible lesions as arrays of n: `treated` 1 for a first approach from below; `patient` numbered from 0."""

    lesions: pl.DataFrame
    treated: Floats
    patient: Integers
    score: Score | None
    simplified: bool
    remarks: tuple[str, ...]
    fitted: tuple[str, ...]
    limits: Thresholds
    plan: Plan

    def outcome(self, name: str) -> Floats:
        return self.lesions[endpoint(name).column].cast(pl.Float64).to_numpy()


def estimate(lesions: pl.DataFrame, plan: Plan) -> Estimates:
    """All comparisons of the plan on the eligible lesions (one row a lesion, the columns of derive)."""
    complete = _complete_cases(lesions, plan)  # first and done with: two designs at once would double the memory
    study, diagnostics, reason = _studied(lesions, plan)
    profiles = one_way_profiles(lesions, plan)
    everyone = _everyone(lesions)
    cells = (everyone, *profiles)
    grid = length_calcium_cells(lesions, plan)
    crude = [_Asked(cell, withheld_because([_arms(study, cell.member)]), ()) for cell in cells]
    overlap = _asked(study, "overlap", (*cells, *grid), reason)
    others = {population: _asked(study, population, (everyone,), reason) for population in OTHER_POPULATIONS}
    comparisons: list[Comparison] = []
    for name in plan.endpoints:
        plain = _compared(study, name, "observed", "crude", None, crude)
        fair = _compared(study, name, "overlap", "weighting", study.score, overlap[: len(cells)])
        comparisons += [plain[0], fair[0]]
        for population, asked in others.items():
            comparisons += _compared(study, name, population, "weighting", study.score, asked)
        comparisons += complete.get(name, [])
        comparisons += [one for pair in zip(plain[1:], fair[1:], strict=True) for one in pair]
    mapped = _compared(study, plan.primary_endpoint, "overlap", "weighting", study.score, overlap[len(cells) :])
    return Estimates(
        tuple(comparisons),
        diagnostics,
        tuple(MapCell(cell.levels[0], cell.levels[1], one) for cell, one in zip(grid, mapped, strict=True)),
        case_mix(diagnostics),
        tuple(ProfileLabel(p.key, p.feature_label, p.level_label) for p in profiles),
        study.remarks,
        study.fitted,
        study.simplified,
        reason,
    )


def _studied(lesions: pl.DataFrame, plan: Plan) -> tuple[_Study, Diagnostics | None, str | None]:
    """The lesions as arrays with their fitted score, its diagnostics, and why its estimates are withheld or None."""
    treated = (lesions["first_approach"] == "retrograde").cast(pl.Float64).to_numpy()
    patient = _numbered(lesions["patient_id"])
    gates = plan.gates
    limits = Thresholds(
        gates.caution_imbalance, gates.largest_imbalance, gates.fewest_in_arm, gates.fewest_effective_in_arm
    )
    bare = _Study(lesions, treated, patient, None, False, (), (), limits, plan)
    arms_gate = _arms(bare, np.ones(lesions.height, dtype=bool))
    reason = withheld_because([arms_gate])
    if reason is not None:
        return bare, None, reason
    model = fit_score_model(lesions, plan, treated)
    if model.score.fit.failed_because is not None:
        return replace(bare, remarks=model.remarks), None, model.score.fit.failed_because
    diagnostics = diagnose(lesions, plan, treated, model, arms_gate, limits)
    study = replace(bare, score=model.score, simplified=model.simplified, remarks=model.remarks, fitted=model.fitted)
    return study, diagnostics, withheld_because(diagnostics.gates)


def _complete_cases(lesions: pl.DataFrame, plan: Plan) -> dict[str, list[Comparison]]:
    """By endpoint: the lesions with every adjusted trait recorded, their own score fitted, compared as a whole; empty when none is left out.

    It stands beside the main answer, which marks an unrecorded value rather than leave its lesion out: unbiased where recording has nothing
    to do with crossing (White & Carlin 2010, Stat Med 29:2920-2931), at the price of the lesions lost.
    """
    recorded = [f.name for f in adjusted_features(plan) if lesions[f.name].null_count() < lesions.height]
    complete = lesions.drop_nulls(recorded)
    if complete.height == lesions.height:
        return {}
    study, _, reason = _studied(complete, plan)
    asked = _asked(study, "overlap", (_everyone(complete),), reason)
    return {name: _compared(study, name, "overlap", "complete_case", study.score, asked) for name in plan.endpoints}


def _everyone(lesions: pl.DataFrame) -> Cell:
    return Cell("all", "", "", (), np.ones(lesions.height, dtype=bool))


def _numbered(ids: pl.Series) -> Integers:
    """Clusters numbered by first appearance, (n,): sums over them must not depend on the key of the pseudonyms."""
    _, first, inverse = np.unique(ids.rank("dense").to_numpy(), return_index=True, return_inverse=True)
    return np.asarray(np.argsort(np.argsort(first))[inverse], dtype=np.int64)


@dataclass(frozen=True, slots=True)
class _Asked:
    """A comparison to make: within which lesions, why it is withheld or None, and what stands beside it whatever the endpoint."""

    cell: Cell
    withheld_because: str | None
    remarks: tuple[str, ...]


def _asked(study: _Study, population: Population, cells: Sequence[Cell], reason: str | None) -> list[_Asked]:
    """The weighted comparison within each cell, held against its gates; `reason` is why there is no score to weight by, or None."""
    always = ("few lesions: a simpler score model",) if study.simplified else ()
    arms = [reason or withheld_because([_arms(study, cell.member)]) for cell in cells]
    left = [cell for cell, because in zip(cells, arms, strict=True) if because is None]
    looked_at = iter(_looked_at(study, study.score, population, left) if study.score is not None else [])
    return [
        _Asked(cell, because, always) if because is not None or study.score is None else next(looked_at)
        for cell, because in zip(cells, arms, strict=True)
    ]


def _looked_at(study: _Study, score: Score, population: Population, cells: Sequence[Cell]) -> list[_Asked]:
    """The comparison within each cell, held against the gates on effective size and on balance."""
    weight = balancing_weights(score.probability, study.treated, population).weight
    # Overlap weights balance the whole service by construction: its diagnostics look at what they need not balance.
    unsure = [cell for cell in cells if cell.key != "all" or population != "overlap"]
    # Terms have SD 1 over the service. One that the profile nearly fixes has little spread left: what varies is no imbalance that matters.
    found = differences_within(
        score.design.matrix[1:], study.treated, weight, [cell.member for cell in unsure], LEAST_SPREAD
    )
    differences = dict(zip((cell.key for cell in unsure), found, strict=True))
    asked: list[_Asked] = []
    for cell in cells:
        sizes = [effective_n(weight[cell.member & (study.treated == arm)]) for arm in (1, 0)]
        gates = [effective_size_gate(sizes[0], sizes[1], study.limits)]
        remarks = ["few lesions: a simpler score model"] if study.simplified else []
        if cell.key in differences:
            sentence = "fitted traits are alike after weighting within the profile"
            gate = imbalance_gate(differences[cell.key].tolist(), sizes[0], sizes[1], study.limits, sentence)
            gates.append(gate)
            if gate.verdict == "caution":
                remarks.append(f"caution: fitted traits differ by up to {gate.value:.2f} SD after weighting")
        asked.append(_Asked(cell, withheld_because(gates), tuple(remarks)))
    return asked


def _arms(study: _Study, member: Mask) -> Gate:
    below = int(study.treated[member].sum())
    return arm_size_gate(below, int(member.sum()) - below, study.limits)


def _compared(
    study: _Study, name: str, population: Population, method: str, score: Score | None, asked: Sequence[_Asked]
) -> list[Comparison]:
    """The endpoint `name` compared within each cell asked, in order; only the arms' counts where it is withheld."""
    outcome, plan = study.outcome(name), study.plan
    members = [one.cell.member for one in asked if one.withheld_because is None]
    found = iter(
        compare_within(
            study.treated, outcome, study.patient, population, score, plan.level, plan.gates.sparse_cell, members
        )
    )
    made: list[Comparison] = []
    for one in asked:
        key, because, remarks = one.cell.key, one.withheld_because, one.remarks
        if because is not None:
            below, above = (_bare_arm(study, outcome, one.cell.member, arm) for arm in (1, 0))
            note = "; ".join(remarks)
            made.append(Comparison(name, population, method, key, plan.level, below, above, (), because, note))
            continue
        here = next(found)
        if here.sparse:
            remarks = (*remarks, "small cells: Newcombe, recovered-ratio and Firth intervals on effective counts")
        note = "; ".join(remarks)
        made.append(
            Comparison(
                name,
                population,
                method,
                key,
                plan.level,
                here.retrograde,
                here.antegrade,
                here.effects,
                None,
                note,
            )
        )
    return made


def _bare_arm(study: _Study, outcome: Floats, member: Mask, arm: int) -> ArmRisk:
    chosen = member & (study.treated == arm)
    return ArmRisk(
        "retrograde" if arm else "antegrade", None, None, None, int(chosen.sum()), int(outcome[chosen].sum()), None
    )
