"""A made-up methods report, complete: 1,500 lesions of a service that does not exist. Every number is invented."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

from models.adjustment_results import (
    BootstrapInterval,
    CalibrationGroup,
    CovariateForm,
    Estimand,
    LearnerShare,
    MethodEstimate,
    RefusedColumn,
    ScoreQuality,
    Simulation,
    SimulationLine,
    TermBalance,
    TraitRow,
    TrialElement,
    WeightSummary,
)
from models.bias_surface import surface_of_differences
from models.departure_results import Departure
from models.instrument import AndersonRubin, InstrumentResult
from models.matched_effects import PairTable
from models.measured_strengths import MeasuredStrength
from models.methods_results import MethodsReport, RunFacts, Seed, Version
from models.negative_control import NegativeControl
from models.omitted_bias import BoundedInterval, RobustnessValue, Strength
from models.repeated_looks import Look, valid_over_looks
from models.results import ArmRisk, BalanceTerm, Comparison, Effect, FlowStep, Gate, Population, ScoreOverlap
from models.rosenbaum import rosenbaum_bounds
from models.self_check import EffectCheck, SelfCheck
from models.sensitivity_results import (
    ChainTrace,
    EndpointSelfCheck,
    EValueLine,
    HiddenConfounding,
    Influence,
    LeftOutOperator,
    LookLine,
    LookSeries,
    MissingData,
    MissingPattern,
    MissingTrait,
    Plausibility,
    PooledVariance,
    TippingCell,
)
from pipeline.causal_paths import REFUSED, causal_diagram
from pipeline.plan import Plan

FIRST, SESSION = "first_approach_crossed", "crossed_in_session"
N_BELOW, N_ABOVE = 412, 1088
EVENTS = {FIRST: (282, 803), SESSION: (337, 925)}
LOOKS = ("2024 Q1", "2024 Q2", "2024 Q3", "2024 Q4", "2025 Q1", "2025 Q2", "2025 Q3", "2025 Q4")

# method, population, label, (difference, half-width) for either endpoint, what it takes for granted, primary, kinds of effect
METHODS: tuple[tuple[str, Population, str, tuple[float, float], tuple[float, float], str, str], ...] = (
    ("crude", "observed", "Plain figures", (-0.0536, 0.052), (-0.0322, 0.044), "The approaches were chosen as if by lot.", "plain"),
    ("doubly_robust", "overlap", "Doubly robust, overlap population", (0.0482, 0.056), (0.0141, 0.046), "No unrecorded reason for the choice; score or outcome model right, either will do.", "primary"),
    ("weighting", "overlap", "Overlap weighting", (0.0461, 0.060), (0.0128, 0.049), "No unrecorded reason for the choice; the logistic score is right.", ""),
    ("weighting", "all", "Inverse-probability weighting", (0.0312, 0.081), (0.0092, 0.064), "As overlap weighting, and every lesion could have gone either way.", ""),
    ("truncated_weighting", "all", "Inverse-probability weighting, truncated", (0.0294, 0.072), (0.0081, 0.058), "As the line above, traded for a little bias by cutting the largest weights.", ""),
    ("weighting", "treated", "Weighting to lesions started from below", (0.0655, 0.071), (0.0210, 0.057), "The logistic score is right; lesions started from below could have been started from above.", ""),
    ("covariate_balancing", "overlap", "Covariate-balancing score", (0.0470, 0.059), (0.0131, 0.048), "The terms that were balanced are those that matter.", ""),
    ("matching", "treated", "Matching 1:1 without replacement", (0.0584, 0.078), (0.0184, 0.062), "Matched lesions are alike; the answer is about the matched.", "matched"),
    ("matching_with_replacement", "treated", "Matching 1:1 with replacement", (0.0611, 0.089), (0.0199, 0.071), "As the line above; a lesion from above may serve twice.", "matched"),
    ("standardization", "overlap", "Standardization", (0.0437, 0.054), (0.0117, 0.044), "The outcome model is right.", ""),
    ("conditional", "all", "Conditional logistic, within operators", (0.0, 0.42), (0.0, 0.55), "Logistic outcome model; an odds ratio at given traits, which is further from 1 than one of the population.", "odds"),
    ("estimating_equations", "all", "Estimating equations (GEE)", (0.0, 0.41), (0.0, 0.52), "Logistic outcome model; patients' lesions alike to one degree.", "odds"),
    ("random_intercept", "all", "Random intercept per operator", (0.0, 0.40), (0.0, 0.53), "Logistic outcome model; operators' levels normal and unrelated to their cases.", "odds"),
    ("firth", "all", "Firth's logistic model", (0.0, 0.41), (0.0, 0.54), "As the logistic model; holds with few events.", "odds"),
    ("complete_case", "overlap", "Doubly robust, complete cases only", (0.0433, 0.064), (0.0101, 0.052), "Lesions with every trait recorded stand for all.", "complete"),
    ("missing_indicator", "overlap", "Doubly robust, gaps as a category", (0.0420, 0.057), (0.0110, 0.047), "Lesions with a gap are alike in what is missing.", ""),
)  # fmt: skip


def _arm(approach: Any, risk: float, n: int, events: int, effective: float | None) -> ArmRisk:
    half = 1.96 * math.sqrt(risk * (1 - risk) / (effective or n))
    return ArmRisk(approach, risk, max(risk - half, 0.0), min(risk + half, 1.0), n, events, effective)


def _effects(below: float, above: float, half: float, *, only_odds: bool) -> tuple[Effect, ...]:
    difference, ratio = below - above, below / above
    odds = below / (1 - below) / (above / (1 - above))
    spread = half / above
    none = tuple(Effect(m, None, None, None, None) for m in ("risk_difference", "risk_ratio"))  # type: ignore[arg-type]
    last = Effect("odds_ratio", odds, odds * math.exp(-4.2 * spread), odds * math.exp(4.2 * spread), 0.09)
    if only_odds:
        return (*none, last)
    return (
        Effect("risk_difference", difference, difference - half, difference + half, 0.09),
        Effect("risk_ratio", ratio, ratio * math.exp(-1.05 * spread), ratio * math.exp(1.05 * spread), 0.09),
        last,
    )


def _estimates() -> tuple[MethodEstimate, ...]:
    made = []
    for i, endpoint in enumerate((FIRST, SESSION)):
        for method, population, label, *answers, assumes, kind in METHODS:
            difference, half = answers[i]  # type: ignore[misc]
            n, events = (N_BELOW, N_ABOVE), EVENTS[endpoint]
            if kind == "matched":
                n = (371, 371) if "with" not in method else (402, 402)
                events = (int(n[0] * 0.69) + 30 * i, int(n[1] * (0.69 - difference)) + 30 * i)
            if kind == "complete":
                n, events = (338, 902), (events[0] - 49, events[1] - 132)
            above = events[1] / n[1] - 0.03 * (kind != "plain")
            below = events[0] / n[0] if kind == "plain" else above + difference
            if kind == "odds":
                below = above + (0.058, 0.022)[i]
                half = 0.055
            sizes = (None, None) if kind == "plain" else (n[0] * 0.81, n[1] * 0.38)
            if kind == "plain":
                difference = below - above
            comparison = Comparison(
                endpoint, population, method, "all", 0.95,
                _arm("retrograde", below, n[0], events[0], sizes[0]), _arm("antegrade", above, n[1], events[1], sizes[1]),
                _effects(below, above, half, only_odds=kind == "odds"), None, "",
            )  # fmt: skip
            made.append(
                MethodEstimate(
                    comparison, label, assumes, "conditional" if kind == "odds" else "marginal", kind == "primary"
                )
            )
    return tuple(made)


# name, trait, level, unit, below (count or mean and SD), above, weighted below, weighted above (share or mean), difference before, after
TRAITS: tuple[tuple[Any, ...], ...] = (
    ("length_mm", "Occlusion length", "", "mm", (204, 96), (139, 88), 181, 180, 0.706, 0.011),
    ("calcium=none", "Calcium", "none", "share", 41, 331, 0.158, 0.161, -0.53, -0.008),
    ("calcium=mild", "Calcium", "mild", "share", 72, 298, 0.221, 0.219, -0.23, 0.005),
    ("calcium=moderate", "Calcium", "moderate", "share", 121, 262, 0.281, 0.284, 0.12, -0.007),
    ("calcium=severe", "Calcium", "severe", "share", 172, 180, 0.340, 0.336, 0.58, 0.008),
    ("proximal_cap=blunt", "Upper cap blunt", "", "share", 294, 487, 0.612, 0.609, 0.56, 0.006),
    ("prior_bypass=none", "Earlier bypass", "none", "share", 340, 989, 0.871, 0.873, -0.24, -0.006),
    ("prior_bypass=patent", "Earlier bypass", "patent", "share", 3, 30, 0.018, 0.019, -0.12, -0.007),
    ("prior_bypass=occluded", "Earlier bypass", "occluded", "share", 69, 69, 0.111, 0.108, 0.32, 0.010),
    ("in_stent=yes", "Occlusion within a stent", "", "share", 31, 162, 0.098, 0.101, -0.22, -0.010),
    ("rutherford=4", "Rutherford category", "4", "share", 118, 377, 0.301, 0.304, -0.13, -0.007),
    ("rutherford=5", "Rutherford category", "5", "share", 219, 568, 0.528, 0.526, 0.02, 0.004),
    ("rutherford=6", "Rutherford category", "6", "share", 75, 143, 0.171, 0.170, 0.14, 0.003),
    ("kidney=dialysis", "Dialysis", "", "share", 87, 152, 0.188, 0.184, 0.19, 0.010),
    ("diabetes=yes", "Diabetes", "", "share", 281, 662, 0.655, 0.652, 0.15, 0.006),
    ("age", "Age", "", "years", (73.8, 9.6), (72.1, 10.4), 73.2, 73.1, 0.170, 0.010),
    ("sex=female", "Female", "", "share", 141, 392, 0.350, 0.352, -0.04, -0.004),
    ("earlier_below", "Operator's earlier lesions from below", "", "count", (48.2, 41.0), (29.9, 33.7), 40.9, 40.6, 0.488, 0.008),
    ("days", "Time since the first procedure", "", "years", (2.1, 1.1), (1.8, 1.1), 2.0, 2.0, 0.273, 0.004),
)  # fmt: skip


def _table_one() -> tuple[TraitRow, ...]:
    rows = []
    for name, trait, level, unit, below, above, weighted_below, weighted_above, before, after in TRAITS:
        number = unit != "share"
        known = (406, 1071) if trait == "Calcium" else (N_BELOW, N_ABOVE)
        rows.append(
            TraitRow(
                name=name,
                trait=trait,
                level=level,
                unit=unit,
                count_retrograde=known[0] if number else below,
                count_antegrade=known[1] if number else above,
                recorded_retrograde=known[0],
                recorded_antegrade=known[1],
                retrograde=below[0] if number else below / known[0],
                antegrade=above[0] if number else above / known[1],
                retrograde_sd=below[1] if number else None,
                antegrade_sd=above[1] if number else None,
                smd_before=before,
                weighted_retrograde=weighted_below,
                weighted_antegrade=weighted_above,
                weighted_retrograde_sd=below[1] * 0.97 if number else None,
                weighted_antegrade_sd=above[1] * 1.02 if number else None,
                smd_after=after,
            )
        )
    return tuple(rows)


def _balance() -> tuple[TermBalance, ...]:
    terms = []
    for name, trait, level, unit, below, above, weighted_below, weighted_above, before, after in TRAITS:
        number = unit != "share"
        label = f"{trait.lower()}: {level}" if level else trait.lower()
        ratio = (below[1] / above[1]) ** 2 if number else None
        term = BalanceTerm(
            name, label, "fitted", weighted_below, weighted_above, before, after, ratio, 0.96 if number else None
        )
        terms.append(TermBalance(term, abs(before) * 0.4 if number else None, 0.021 if number else None))
    for name, label, kind, before, after in (
        ("length_mm^2", "occlusion length, squared", "square", 0.61, 0.034),
        ("age^2", "age, squared", "square", 0.15, 0.021),
        ("length_mm x calcium=severe", "occlusion length x calcium: severe", "interaction", 0.66, -0.048),
        ("diabetes=yes x kidney=dialysis", "diabetes x dialysis", "interaction", 0.17, 0.031),
        ("proximal_cap=blunt x calcium=severe", "upper cap blunt x calcium: severe", "interaction", 0.58, 0.062),
        ("length_mm x prior_bypass=occluded", "occlusion length x earlier bypass: occluded", "interaction", 0.34, -0.027),
        ("wound=deep", "deep wound", "left_out", 0.21, 0.071),
        ("smoker=yes", "smoker", "left_out", -0.09, -0.038),
        ("heart_failure=yes", "heart failure", "left_out", 0.12, 0.044),
    ):  # fmt: skip
        ratio = 1.21 if kind in ("square",) else None
        terms.append(
            TermBalance(
                BalanceTerm(name, label, kind, 0.0, 0.0, before, after, ratio, 1.05 if ratio else None), None, None
            )  # type: ignore[arg-type]
        )
    for number in (1, 2, 3):
        operator = BalanceTerm(
            f"operator_id=op{number}", f"operator {number}", "fitted", 0, 0, 0.1 * number, 0.01, None, None
        )
        terms.append(TermBalance(operator, None, None))
    return tuple(terms)


def _score() -> ScoreQuality:
    edges = tuple(round(i * 0.05, 2) for i in range(21))
    below = (0, 3, 9, 16, 24, 28, 31, 34, 36, 35, 34, 33, 31, 28, 25, 20, 13, 8, 3, 1)
    above = (118, 171, 152, 128, 104, 86, 71, 58, 47, 38, 31, 24, 19, 14, 11, 7, 5, 3, 1, 0)
    groups = []
    for i in range(10):
        share = (8, 15, 20, 28, 33, 40, 49, 59, 71, 89)[i]
        mean = (0.05, 0.09, 0.13, 0.18, 0.23, 0.28, 0.34, 0.41, 0.49, 0.61)[i]
        half = 1.96 * math.sqrt(share / 150 * (1 - share / 150) / 150)
        groups.append(
            CalibrationGroup(max(mean - 0.03, 0), mean + 0.03, 150, share, mean, share / 150, max(share / 150 - half, 0), share / 150 + half)
        )  # fmt: skip
    learners = (
        LearnerShare("score", "penalized logistic model with splines", 0.71, 0.512, "log loss"),
        LearnerShare("score", "gradient-boosted trees", 0.29, 0.523, "log loss"),
        LearnerShare("outcome", "penalized logistic model with splines", 0.64, 0.561, "log loss"),
        LearnerShare("outcome", "gradient-boosted trees", 0.36, 0.566, "log loss"),
    )
    return ScoreQuality(
        ScoreOverlap(edges, below, above), 0.741, 0.98, 0.86, 1.10, -0.01, tuple(groups), learners, True, ""
    )


def _simulation() -> Simulation:
    # scenario: lesions, then (bias, coverage, width) of: primary, crude, overlap weighting, matching, standardization
    scenarios = {
        "plain": (1500, (-0.001, 0.955, 0.112), (-0.151, 0.001, 0.098), (-0.002, 0.948, 0.114), (-0.006, 0.951, 0.151), (0.001, 0.95, 0.108)),
        "no effect": (1500, (0.0, 0.96, 0.112), (-0.19, 0.0, 0.1), (-0.001, 0.944, 0.113), (-0.004, 0.95, 0.15), (0.0, 0.953, 0.107)),
        "nonlinear with interactions": (1500, (-0.004, 0.945, 0.116), (-0.205, 0.0, 0.101), (-0.055, 0.515, 0.115), (-0.041, 0.803, 0.154), (-0.049, 0.56, 0.109)),
        "rare retrograde": (600, (-0.002, 0.95, 0.241), (-0.12, 0.62, 0.21), (-0.005, 0.951, 0.246), (-0.009, 0.946, 0.301), (0.002, 0.938, 0.228)),
        "25% missing at random": (1500, (-0.003, 0.95, 0.118), (-0.151, 0.002, 0.098), (-0.009, 0.931, 0.117), (-0.017, 0.93, 0.157), (-0.008, 0.935, 0.111)),
        "clustered": (1500, (0.001, 0.945, 0.127), (-0.148, 0.02, 0.11), (0.0, 0.94, 0.128), (-0.005, 0.905, 0.152), (0.002, 0.94, 0.12)),
        "hidden confounder": (1500, (-0.038, 0.72, 0.113), (-0.19, 0.0, 0.099), (-0.039, 0.71, 0.114), (-0.043, 0.79, 0.152), (-0.036, 0.7, 0.108)),
    }  # fmt: skip
    names = ("Doubly robust (primary)", "Plain figures", "Overlap weighting", "Matching", "Standardization")
    lines = []
    for scenario, (lesions, *found) in scenarios.items():
        for name, (bias, coverage, width) in zip(names, found, strict=True):  # type: ignore[misc]
            half = 1.96 * math.sqrt(max(coverage * (1 - coverage), 0.002) / 200)
            lines.append(
                SimulationLine(
                    scenario, lesions, 200, FIRST, name, ("primary", "plain", "comparator", "comparator", "comparator")[names.index(name)], bias, 0.002, width / 3.92, width / 3.9,
                    coverage, max(coverage - half, 0), min(coverage + half, 1), width, 2 if name == names[0] else 0,
                )
            )  # fmt: skip
    return Simulation(
        tuple(lines),
        "Made on 2026-11-20 at commit 0123abc by make validate; 200 services a scenario.",
        "It alone keeps its coverage where score and outcome are nonlinear with interactions, and gives up little width for it elsewhere.",
    )


def _missing() -> MissingData:
    def chains(seed: int, level: float, size: float = 1.0) -> tuple[tuple[float, ...], ...]:
        return tuple(
            tuple(level + size * (0.9 * math.sin(1.7 * it + c + seed) / (1 + 0.2 * it) + 0.3 * math.cos(3.1 * it * (c + 1))) for it in range(10))
            for c in range(5)
        )  # fmt: skip

    shifts = (-1.0, -0.5, 0.0, 0.5, 1.0)
    return MissingData(
        traits=(
            MissingTrait("Calcium", 6, 17, N_BELOW, N_ABOVE),
            MissingTrait("Lower cap", 31, 96, N_BELOW, N_ABOVE),
            MissingTrait("Patent tibial vessels", 36, 74, N_BELOW, N_ABOVE),
            MissingTrait("Kidney function", 2, 21, N_BELOW, N_ABOVE),
        ),
        patterns=(
            MissingPattern((), 1240),
            MissingPattern(("Lower cap",), 104),
            MissingPattern(("Patent tibial vessels",), 88),
            MissingPattern(("Lower cap", "Patent tibial vessels"), 21),
            MissingPattern(("Calcium",), 21),
            MissingPattern(("Kidney function",), 23),
            MissingPattern(("Calcium", "Lower cap"), 2),
            MissingPattern(("Patent tibial vessels", "Kidney function"), 1),
        ),
        method="Chained equations with the outcome, the approach and the patient's other lesions in every model; predictive mean matching for numbers, logistic models for categories.",
        datasets=20,
        iterations=10,
        pooled=(
            PooledVariance(FIRST, 0.000742, 0.000051, 0.071, 1432.0, 0.0016),
            PooledVariance(SESSION, 0.000508, 0.000020, 0.041, 1466.0, 0.0010),
        ),
        traces=(
            ChainTrace("Patent tibial vessels", "mean", chains(0, 1.5, 0.12), 1.01),
            ChainTrace("Patent tibial vessels", "SD", chains(1, 0.9, 0.1), 1.02),
            ChainTrace("Kidney function", "mean", chains(2, 58.0), 1.02),
            ChainTrace("Calcium", "share severe", chains(3, 0.25, 0.06), 1.00),
        ),
        plausibility=(
            Plausibility("Calcium", "none", "share", 1477, 372, 23, 0.252, None, 0.221, None),
            Plausibility("Calcium", "mild", "share", 1477, 370, 23, 0.251, None, 0.262, None),
            Plausibility("Calcium", "moderate", "share", 1477, 383, 23, 0.259, None, 0.270, None),
            Plausibility("Calcium", "severe", "share", 1477, 352, 23, 0.238, None, 0.247, None),
            Plausibility("Patent tibial vessels", "", "count", 1390, 1390, 110, 1.62, 0.88, 1.48, 0.91),
            Plausibility("Kidney function", "", "mL/min", 1477, 1477, 23, 58.1, 27.4, 55.9, 28.8),
        ),
        tipping=tuple(
            TippingCell(FIRST, "all", below, above, 0.0482 + d, -0.0078 + d, 0.1042 + d)
            for below in shifts
            for above in shifts
            for d in (0.006 * above - 0.009 * below,)
        ),
    )


def _hidden(endpoint: str, estimate: float, half: float) -> HiddenConfounding:
    strengths = (
        MeasuredStrength("occlusion length", 0.061, 0.034, 0.031, 0.25, 0.124),
        MeasuredStrength("calcium", 0.044, 0.021, 0.018, 0.21, 0.086),
        MeasuredStrength("upper cap blunt", 0.039, 0.017, 0.014, 0.20, 0.070),
        MeasuredStrength("operator", 0.052, 0.008, 0.009, 0.23, 0.039),
        MeasuredStrength("dialysis", 0.006, 0.009, 0.003, 0.08, 0.038),
    )
    return HiddenConfounding(
        endpoint=endpoint,
        e_values=(
            EValueLine("risk_difference", 1.34, 1.0, None),
            EValueLine("risk_ratio", 1.33, 1.0, None),
            EValueLine("odds_ratio", 1.42, 1.0, None),
        ),
        surface=surface_of_differences(
            estimate, estimate - half, estimate + half,
            [round(-0.4 + 0.1 * i, 1) for i in range(9)], [round(0.05 * i, 2) for i in range(7)],
        ),
        strengths=strengths,
        rosenbaum=rosenbaum_bounds(
            PairTable(190, 97, 64, 20, 0.011, 1.52, 1.09, 2.12, 12, None), 0.95, (1.0, 1.1, 1.2, 1.3, 1.5, 2.0)
        ),
        controls=(
            NegativeControl(
                "contrast allergy noted", "outcome", 0.004, -0.018, 0.026, 0.05, "no sign of bias",
                "The approach cannot act on it, and the groups do not differ in it by as much as the margin.",
            ),
        ),
        instrument=InstrumentResult(
            0.112, 0.151, -0.184, 0.408, AndersonRubin("interval", -0.212, 0.471), 0.45, 0.31, 6.8, 1500, 14,
            "First-stage F is 6.8, below 10: operators' preference is a weak instrument here, and its interval is to be read with that in mind.", None,
        ),
        weakest_f=10.0,
        bounded=BoundedInterval(Strength(0.061, 0.034), 0.95, 0.031, estimate - 0.031, estimate + 0.031, estimate - 0.081, estimate + 0.083),
        bounded_because="As strong as occlusion length, the strongest measured trait (the plan's strength of 1).",
        robustness=RobustnessValue(0.083, 0.0),
    )  # fmt: skip


def _influence(endpoint: str, estimate: float, half: float) -> Influence:
    lesions = (212, 188, 171, 156, 140, 128, 117, 103, 92, 74, 58, 33, 25, 3)
    return Influence(
        endpoint, estimate, estimate - half, estimate + half, half / 1.96,
        tuple(
            LeftOutOperator(i + 1, n, estimate + d, estimate + d - half * 1.05, estimate + d + half * 1.05, None)
            for i, n in enumerate(lesions)
            for d in (0.018 * math.sin(2.3 * i) * n / 212,)
        ),
        1321, 0.0021, 10, -0.0138,
    )  # fmt: skip


def _looks(endpoint: str, estimate: float) -> LookSeries:
    made = []
    for i, _ in enumerate(LOOKS):
        n = 620 + 1500 * 0 + (1500 - 620) * i // (len(LOOKS) - 1)
        made.append(Look(n, n * 0.24, estimate + 0.03 * math.cos(1.3 * i) / (1 + 0.4 * i), 0.029 * math.sqrt(1500 / n)))
    found = valid_over_looks(tuple(made), 0.95, 3000)
    return LookSeries(
        endpoint,
        "asymptotic confidence sequence (Waudby-Smith et al. 2024)",
        12,
        0.05,
        tuple(LookLine(i + 1, name, one) for i, (name, one) in enumerate(zip(LOOKS, found, strict=True))),
    )


def _self_check(endpoint: str, *, good: bool) -> EndpointSelfCheck:
    def one(effect: float, coverage: float) -> EffectCheck:
        return EffectCheck(
            effect, 100, 99, -0.002, 0.003, coverage, coverage - 0.05, min(coverage + 0.03, 1), 0.0281, 0.002, 0.0287, 0.1124, 0.05 if effect == 0 else 0.42, 0.02, 0.11,
        )  # fmt: skip

    covered = 0.951 if good else 0.842
    check = SelfCheck(
        (one(0.0, covered), one(0.05, covered), one(0.081, covered)), 300, 297, covered, covered - 0.03, covered + 0.02,
        0.0287, 0.0804, 0.111, 0.8, 0.81, 0.72, 0.88, 0.12, 1.0, "pass" if good else "withhold",
        () if good else ("its intervals held the truth in 84% of simulated services, fewer than the 90% that the plan asks for",),
    )  # fmt: skip
    return EndpointSelfCheck(endpoint, check, not good)


TRIAL = (
    TrialElement("Eligibility", "Adults with limb-threatening ischemia and an occluded leg artery that is to be crossed.", "Every lesion with a first attempt of known approach in the period; the flow diagram counts those left out."),
    TrialElement("Strategies", "Start from below (retrograde), or from above (antegrade); bailout allowed in either.", "The approach of attempt 1 as recorded."),
    TrialElement("Assignment", "At random, known to the operator.", "Taken as random given the recorded traits of lesion, patient, operator and time."),
    TrialElement("Time zero", "The first puncture.", "The same: traits are those known before it, outcomes come after it."),
    TrialElement("Outcome", "Crossing by the first approach; crossing by the end of the session.", "As recorded for each attempt."),
    TrialElement("Estimand", "Difference in the chance of crossing among lesions for which either start is realistic.", "Risk difference, ratio and odds ratio in the overlap population."),
    TrialElement("Analysis", "Comparison of the groups as assigned.", "Augmented overlap weighting with cross-fitted learners; errors by patient."),
)  # fmt: skip


_FORMS = {
    "occlusion length": ("restricted cubic spline, 4 knots", 3),
    "age": ("restricted cubic spline, 4 knots", 3),
    "kidney function": ("restricted cubic spline, 3 knots", 2),
    "patent tibial vessels": ("a straight line", 1),
    "diabetes": ("yes or no", 1),
    "sex": ("yes or no", 1),
    "operator": ("one term each; those with few lesions together", 13),
    "operator's earlier lesions started from below": ("restricted cubic spline, 3 knots", 2),
    "time since the first procedure": ("restricted cubic spline, 4 knots", 3),
}


def _gates() -> tuple[Gate, ...]:
    return (
        Gate("balance_left_out", "largest standardized difference after weighting, traits that are not adjusted for", 0.071, 0.1, "pass", "Austin 2009"),
        Gate("balance_products", "largest standardized difference after weighting, squares and products", 0.062, 0.1, "pass", "Austin 2009"),
        Gate("arm_size", "lesions in the smaller arm", 412, 20, "pass", "common practice, no source"),
        Gate("effective_size", "effective lesions in the smaller arm", 334, 10, "pass", "common practice, no source"),
        Gate("variance_ratio", "variance ratio furthest from 1 after weighting", 2.2, 2.0, "caution", "Rubin 2001"),
    )  # fmt: skip


def _weights() -> tuple[WeightSummary, ...]:
    return tuple(
        WeightSummary(method, approach, n, n * e, n * e * 0.93, low, 0.95, high, largest, largest / n, cut)  # type: ignore[arg-type]
        for method, approach, n, e, low, high, largest, cut in (
            ("Overlap weighting", "retrograde", N_BELOW, 0.81, 0.09, 1.82, 1.97, 0),
            ("Overlap weighting", "antegrade", N_ABOVE, 0.38, 0.02, 4.1, 5.2, 0),
            ("Inverse-probability weighting", "retrograde", N_BELOW, 0.44, 0.33, 6.8, 19.4, 0),
            ("Inverse-probability weighting", "antegrade", N_ABOVE, 0.79, 0.78, 3.2, 8.8, 0),
            ("Inverse-probability weighting, truncated", "retrograde", N_BELOW, 0.58, 0.35, 6.8, 6.8, 9),
            ("Inverse-probability weighting, truncated", "antegrade", N_ABOVE, 0.84, 0.79, 3.2, 3.2, 22),
        )
    )


@cache
def _whole() -> MethodsReport:
    return MethodsReport(
        run=RunFacts(
            service="An invented vascular service",
            invented=True,
            period_start="2022-01",
            period_end="2025-12",
            first_quarter="2022 Q1",
            latest_quarter="2025 Q4",
            primary_endpoint=FIRST,
            endpoint_labels=((FIRST, "crossed by the first approach"), (SESSION, "crossed by the end of the session")),
            primary_label="doubly robust, overlap population",
            level=0.95,
            smallest_count_shown=5,
            plan_hash="3f" * 32,
            data_hash="a7" * 32,
            version="0.1.0",
            seeds=(Seed("imputation", 7431), Seed("folds", 1189), Seed("bootstrap", 50231), Seed("self-check", 993)),
            versions=(Version("Python", "3.11.2"), Version("numpy", "2.4.1"), Version("scikit-learn", "1.9.1")),
            settings=(("Folds for cross-fitting", "5, a patient's lesions together"), ("Margin", "5 points")),
            eligibility="lesions with a first attempt of known approach, in procedures from January 2022 to December 2025",
            patients=1321,
            operators=14,
            reports_seen=7,
        ),
        question="Among occlusions for which either start was realistic, would crossing by the first approach have been more likely had it been retrograde?",
        trial=TRIAL,
        estimands=(
            Estimand(FIRST, "overlap population", "risk_difference", 0.05),
            Estimand(SESSION, "overlap population", "risk_difference", 0.05),
        ),
        flow=(
            FlowStep("lesions in the tables", 1688, 0, ""),
            FlowStep("lesions with a first attempt", 1602, 86, "no attempt recorded, or the attempt was set aside at intake"),
            FlowStep("in the period of the plan", 1534, 68, "procedure outside the period"),
            FlowStep("lesions compared", 1500, 34, "approach or result of the first attempt not recorded"),
        ),
        diagram=causal_diagram(Plan()),
        forms=tuple(
            CovariateForm(t.label, *_FORMS.get(t.label, ("its levels", 2))) for t in causal_diagram(Plan()).adjustment
        ),
        refused=tuple(RefusedColumn(", ".join(r.names[:3]), r.reason, r.what) for r in REFUSED),  # type: ignore[arg-type]
        table_one=_table_one(),
        balance=_balance(),
        score=_score(),
        weights=_weights(),
        gates=_gates(),
        estimates=_estimates(),
        bootstrap=(
            BootstrapInterval(FIRST, "doubly_robust", "risk_difference", -0.0069, 0.1037, 0.0284, 1000, 0, None),
            BootstrapInterval(SESSION, "doubly_robust", "risk_difference", -0.0311, 0.0595, 0.0231, 1000, 0, None),
        ),
        simulation=_simulation(),
        missing=_missing(),
        hidden=(_hidden(FIRST, 0.0482, 0.056), _hidden(SESSION, 0.0141, 0.046)),
        influence=(_influence(FIRST, 0.0482, 0.056), _influence(SESSION, 0.0141, 0.046)),
        looks=(_looks(FIRST, 0.0482), _looks(SESSION, 0.0141)),
        self_checks=(_self_check(FIRST, good=True), _self_check(SESSION, good=False)),
        departures=(
            Departure("margin_points", "The smallest difference that matters.", "4.0", "5.0", 6, "2025-07-11", 5, "choice"),
            Departure("eligibility.last_date", "The last day of procedures that count.", "2025-09-30", "2025-12-31", 8, "2026-01-12", 7, "as_planned"),
        ),
        absent=(),
    )  # fmt: skip


def methods_report(**changes: Any) -> MethodsReport:
    """The example, with some of its parts replaced."""
    return replace(_whole(), **changes)
