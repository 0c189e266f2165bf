"""How far the primary comparison can be trusted: balance, overlap, gates, and the traits in which the groups differ."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.balance import balance_term
from models.gates import (
    Thresholds,
    effective_size_gate,
    fitted_gate,
    imbalance_gate,
    key_traits_gate,
    model_gate,
    recording_gate,
    separation_gate,
)
from models.propensity import c_statistic
from models.results import BalanceTerm, CaseMix, Diagnostics, Gate, ScoreOverlap
from models.weights import balancing_weights, effective_n
from pipeline.covariates import balance_lines
from pipeline.features import FEATURES
from pipeline.plan import Plan
from pipeline.score_model import ScoreModel

Floats = NDArray[np.float64]

OVERLAP_BINS = 20


def diagnose(
    lesions: pl.DataFrame, plan: Plan, treated: Floats, model: ScoreModel, arms_gate: Gate, limits: Thresholds
) -> Diagnostics:
    """Balance, overlap, effective sizes and gates of the overlap-weighted whole service; `treated` (n,) of 0 and 1."""
    score = model.score
    terms = frozenset(term.name for term in score.design.terms)
    weight = balancing_weights(score.probability, treated, "overlap").weight
    sizes = [effective_n(weight[treated == arm]) for arm in (1, 0)]
    balance = tuple(
        term
        for line in balance_lines(lesions, plan, terms)
        if (term := balance_term(line, treated, weight)) is not None
    )
    c = c_statistic(score.probability, treated)
    drawn = frozenset(f"{name} not recorded" for name in (model.imputations.drawn if model.imputations else ()))
    gates = (
        arms_gate,
        effective_size_gate(sizes[0], sizes[1], limits),
        key_traits_gate(model.key_recorded),
        model_gate(model.left_out, simplified=model.simplified),
        fitted_gate(balance, limits),
        imbalance_gate(
            [term.smd_after for term in balance if term.kind != "fitted" and term.name not in drawn],
            sizes[0],
            sizes[1],
            limits,
            caution_ceiling=limits.largest_imbalance,
        ),
        *recording_gate([term.smd_after for term in balance if term.name in drawn], sizes[0], sizes[1], limits),
        separation_gate(c),
    )
    return Diagnostics(balance, _overlap(score.probability, treated), sizes[0], sizes[1], c, gates)


def _overlap(probability: Floats, treated: Floats) -> ScoreOverlap:
    edges = np.linspace(0, 1, OVERLAP_BINS + 1)
    below, above = (np.histogram(probability[treated == arm], edges)[0] for arm in (1, 0))
    return ScoreOverlap(tuple(edges.tolist()), tuple(below.tolist()), tuple(above.tolist()))


def case_mix(diagnostics: Diagnostics | None) -> tuple[CaseMix, ...]:
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
