"""The comparison step: derived lesions and the plan in, comparisons and diagnostics out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.balance import balance_term, weighted_differences
from models.comparison import compare_risks
from models.gates import (
    Thresholds,
    arm_size_gate,
    effective_size_gate,
    fitted_gate,
    imbalance_gate,
    separation_gate,
    withheld_because,
)
from models.propensity import Score, c_statistic
from models.results import (
    ArmRisk,
    BalanceTerm,
    CaseMix,
    Comparison,
    Diagnostics,
    Gate,
    MapCell,
    Population,
    ProfileLabel,
    ScoreOverlap,
)
from models.weights import balancing_weights, effective_n
from pipeline.covariates import balance_lines
from pipeline.endpoints import endpoint
from pipeline.features import FEATURES
from pipeline.plan import Plan
from pipeline.profiles import Cell, length_calcium_cells, one_way_profiles
from pipeline.score_model import ScoreModel, fit_score_model

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

OVERLAP_BINS = 20
LEAST_SPREAD = (
    0.1  # of a fitted term inside a profile, in SD of the whole service; our choice, common practice, no source
)


@dataclass(frozen=True, slots=True)
class Estimates:
    """What the step hands on; see models.results for the parts."""

    comparisons: tuple[Comparison, ...]
    diagnostics: Diagnostics | None
    length_calcium: tuple[MapCell, ...]
    case_mix: tuple[CaseMix, ...]
    profile_labels: tuple[ProfileLabel, ...]
    remarks: tuple[str, ...]
    score_failed_because: str | None


@dataclass(frozen=True, slots=True)
class _Study:
    """The eligible lesions as arrays of n: `treated` 1 for a first approach from below; `patient` numbered from 0."""

    lesions: pl.DataFrame
    treated: Floats
    patient: Integers
    score: Score | None
    simplified: bool
    limits: Thresholds
    plan: Plan

    def outcome(self, name: str) -> Floats:
        return self.lesions[endpoint(name).column].cast(pl.Float64).to_numpy()


def estimate(lesions: pl.DataFrame, plan: Plan) -> Estimates:
    """All comparisons of the plan on the eligible lesions (one row a lesion, the columns of derive)."""
    treated = (lesions["first_approach"] == "retrograde").cast(pl.Float64).to_numpy()
    patient = _numbered(lesions["patient_id"])
    gates = plan.gates
    limits = Thresholds(
        gates.caution_imbalance, gates.largest_imbalance, gates.fewest_in_arm, gates.fewest_effective_in_arm
    )
    arms_gate = arm_size_gate(int(treated.sum()), int((1 - treated).sum()), limits)
    profiles = one_way_profiles(lesions, plan)
    labels = tuple(ProfileLabel(p.key, p.feature_label, p.level_label) for p in profiles)
    model: ScoreModel | None = None
    remarks: tuple[str, ...] = ()
    reason = withheld_because([arms_gate])
    diagnostics: Diagnostics | None = None
    if reason is None:
        model = fit_score_model(lesions, plan, treated)
        remarks, reason = model.remarks, model.score.fit.failed_because
    if model is None or reason is not None:
        study = _Study(lesions, treated, patient, None, False, limits, plan)
    else:
        study = _Study(lesions, treated, patient, model.score, model.simplified, limits, plan)
        diagnostics = _diagnose(study, model, arms_gate)
        reason = withheld_because(diagnostics.gates)
    comparisons: list[Comparison] = []
    for name in plan.endpoints:
        comparisons += _for_everyone(study, name, reason)
        for profile in profiles:
            comparisons.append(_crude(study, name, profile))
            comparisons.append(_weighted(study, name, "overlap", profile, reason))
    cells = tuple(
        MapCell(cell.levels[0], cell.levels[1], _weighted(study, plan.primary_endpoint, "overlap", cell, reason))
        for cell in length_calcium_cells(lesions, plan)
    )
    return Estimates(tuple(comparisons), diagnostics, cells, _case_mix(study, diagnostics), labels, remarks, reason)


def _numbered(ids: pl.Series) -> Integers:
    """Clusters numbered by first appearance, (n,): sums over them must not depend on the key of the pseudonyms."""
    _, first, inverse = np.unique(ids.rank("dense").to_numpy(), return_index=True, return_inverse=True)
    return np.asarray(np.argsort(np.argsort(first))[inverse], dtype=np.int64)


def _for_everyone(study: _Study, name: str, reason: str | None) -> list[Comparison]:
    everyone = Cell("all", "", "", (), np.ones(study.lesions.height, dtype=bool))
    populations: tuple[Population, ...] = ("overlap", "all", "treated")
    return [
        _crude(study, name, everyone),
        *(_weighted(study, name, population, everyone, reason) for population in populations),
    ]


def _crude(study: _Study, name: str, cell: Cell) -> Comparison:
    reason = withheld_because([_arms(study, cell.member)])
    return _comparison(study, name, "observed", "crude", cell, None, reason, ())


def _weighted(study: _Study, name: str, population: Population, cell: Cell, reason: str | None) -> Comparison:
    gates: list[Gate] = [_arms(study, cell.member)]
    remarks: list[str] = ["few lesions: a simpler score model"] if study.simplified else []
    if reason is None and withheld_because(gates) is None and study.score is not None:
        weight = balancing_weights(study.score.probability, study.treated, population).weight
        sizes = [effective_n(weight[cell.member & (study.treated == arm)]) for arm in (1, 0)]
        gates.append(effective_size_gate(sizes[0], sizes[1], study.limits))
        if cell.key != "all" or population != "overlap":
            gate = _imbalance_within(study, study.score, cell.member, weight, sizes)
            gates.append(gate)
            if gate.verdict == "caution":
                remarks.append(f"caution: fitted traits differ by up to {gate.value:.2f} SD after weighting")
    because = reason or withheld_because(gates)
    return _comparison(study, name, population, "weighting", cell, study.score, because, tuple(remarks))


def _arms(study: _Study, member: Mask) -> Gate:
    below = int(study.treated[member].sum())
    return arm_size_gate(below, int(member.sum()) - below, study.limits)


def _imbalance_within(study: _Study, score: Score, member: Mask, weight: Floats, sizes: list[float]) -> Gate:
    """Balance of the fitted terms inside a profile, where the service's score need not balance them exactly."""
    inside = score.design.matrix[1:, member]
    # Terms have SD 1 over the service. One that the profile nearly fixes has little spread left: what varies is no imbalance that matters.
    telling = inside[inside.std(axis=1) >= LEAST_SPREAD]
    differences = weighted_differences(telling, study.treated[member], weight[member])
    sentence = "fitted traits are alike after weighting within the profile"
    return imbalance_gate(differences.tolist(), sizes[0], sizes[1], study.limits, sentence)


def _comparison(
    study: _Study,
    name: str,
    population: Population,
    method: str,
    cell: Cell,
    score: Score | None,
    because: str | None,
    remarks: tuple[str, ...],
) -> Comparison:
    outcome, member, plan = study.outcome(name), cell.member, study.plan
    if because is not None:
        arms = [_bare_arm(study, outcome, member, arm) for arm in (1, 0)]
        return Comparison(
            name, population, method, cell.key, plan.level, arms[0], arms[1], (), because, "; ".join(remarks)
        )
    found = compare_risks(
        study.treated, outcome, study.patient, population, score, plan.level, plan.gates.sparse_cell, member
    )
    if found.sparse:
        remarks = (*remarks, "small cells: Newcombe, recovered-ratio and Firth intervals on effective counts")
    return Comparison(
        name,
        population,
        method,
        cell.key,
        plan.level,
        found.retrograde,
        found.antegrade,
        found.effects,
        None,
        "; ".join(remarks),
    )


def _bare_arm(study: _Study, outcome: Floats, member: Mask, arm: int) -> ArmRisk:
    chosen = member & (study.treated == arm)
    return ArmRisk(
        "retrograde" if arm else "antegrade", None, None, None, int(chosen.sum()), int(outcome[chosen].sum()), None
    )


def _diagnose(study: _Study, model: ScoreModel, arms_gate: Gate) -> Diagnostics:
    score = model.score
    terms = frozenset(term.name for term in score.design.terms)
    weight = balancing_weights(score.probability, study.treated, "overlap").weight
    sizes = [effective_n(weight[study.treated == arm]) for arm in (1, 0)]
    balance = tuple(
        term
        for line in balance_lines(study.lesions, study.plan, terms)
        if (term := balance_term(line, study.treated, weight)) is not None
    )
    c = c_statistic(score.probability, study.treated)
    gates = (
        arms_gate,
        effective_size_gate(sizes[0], sizes[1], study.limits),
        fitted_gate(balance, study.limits),
        imbalance_gate([term.smd_after for term in balance if term.kind != "fitted"], sizes[0], sizes[1], study.limits),
        separation_gate(c),
    )
    return Diagnostics(balance, _overlap(score.probability, study.treated), sizes[0], sizes[1], c, gates)


def _overlap(probability: Floats, treated: Floats) -> ScoreOverlap:
    edges = np.linspace(0, 1, OVERLAP_BINS + 1)
    below, above = (np.histogram(probability[treated == arm], edges)[0] for arm in (1, 0))
    return ScoreOverlap(tuple(edges.tolist()), tuple(below.tolist()), tuple(above.tolist()))


def _case_mix(study: _Study, diagnostics: Diagnostics | None) -> tuple[CaseMix, ...]:
    """The traits in which the groups differed most before weighting, as the report prints them; at most eight."""
    if diagnostics is None:
        return ()
    units = {f.name: f.unit for f in FEATURES}
    told = [t for t in diagnostics.balance if t.kind == "fitted" and not t.name.startswith("operator_id=")]
    told.sort(key=lambda t: (-abs(t.smd_before), t.name))
    return tuple(_case_mix_line(t, units.get(t.name, "")) for t in told[:8])


def _case_mix_line(term: BalanceTerm, unit: str) -> CaseMix:
    shown = {"mm": "mm", "years": "years"}.get(unit, "count" if term.variance_ratio_before is not None else "share")
    return CaseMix(term.label, term.mean_retrograde, term.mean_antegrade, shown, term.smd_before)  # type: ignore[arg-type]
