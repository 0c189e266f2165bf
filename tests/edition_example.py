"""An invented Edition, written by hand: what the report tests start from. Nothing in it is evidence.

`edition()` is the whole; `edition(service="...")` replaces fields. `comparison(...)` makes one comparison from plain counts.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from models.results import (
    ArmRisk,
    BalanceTerm,
    CaseMix,
    Comparison,
    Diagnostics,
    Edition,
    Effect,
    FlowStep,
    Gate,
    MapCell,
    MethodNote,
    MissingShare,
    Population,
    Price,
    ProfileLabel,
    QuarterCount,
    ReasonCount,
    ScoreOverlap,
    SequenceCount,
    TableCount,
)
from reports.shown import ShownComparison

FIRST = "first_approach_crossed"
SESSION = "crossed_in_session"
NOTHING = tuple(Effect(m, None, None, None, None) for m in ("risk_difference", "risk_ratio", "odds_ratio"))


def comparison(
    profile: str,
    retrograde: tuple[int, int],
    antegrade: tuple[int, int],
    *,
    endpoint: str = FIRST,
    adjusted: tuple[float, float, float] | None = None,
    population: Population = "overlap",
    withheld: str | None = None,
    note: str = "",
) -> Comparison:
    """Counts are (lesions, events). With `adjusted` = (difference, lower, upper) it is a weighted one, else a crude one."""
    crude = adjusted is None and withheld is None
    (n_r, e_r), (n_a, e_a) = retrograde, antegrade
    p_r, p_a = (e_r / n_r if n_r else 0.0), (e_a / n_a if n_a else 0.0)
    if crude:
        se = math.sqrt(p_r * (1 - p_r) / max(n_r, 1) + p_a * (1 - p_a) / max(n_a, 1)) or 0.05
        d = p_r - p_a
        lower, upper = d - 1.96 * se, d + 1.96 * se
    elif adjusted is not None:
        d, lower, upper = adjusted
        p_r = min(max(p_a + d, 0.02), 0.98)
    arms = []
    for approach, p, n, e in (("retrograde", p_r, n_r, e_r), ("antegrade", p_a, n_a, e_a)):
        half = 1.96 * math.sqrt(max(p * (1 - p), 0.01) / max(n, 1))
        risk = None if withheld else p
        arms.append(
            ArmRisk(
                approach,  # type: ignore[arg-type]
                risk,
                None if withheld else max(p - half, 0.0),
                None if withheld else min(p + half, 1.0),
                n,
                e,
                None if crude or withheld else round(n * 0.7, 1),
            )
        )
    effects = NOTHING
    if withheld is None:
        ratio = max(p_r, 0.01) / max(p_a, 0.01)
        odds = (max(p_r, 0.01) / max(1 - p_r, 0.01)) / (max(p_a, 0.01) / max(1 - p_a, 0.01))
        spread = max((upper - lower) / 2, 0.01)
        effects = (
            Effect("risk_difference", d, lower, upper, 0.03),
            Effect("risk_ratio", ratio, ratio * math.exp(-1.5 * spread), ratio * math.exp(1.5 * spread), 0.03),
            Effect("odds_ratio", odds, odds * math.exp(-5 * spread), odds * math.exp(5 * spread), 0.03),
        )
    return Comparison(
        endpoint=endpoint,
        population="observed" if crude else population,
        method="crude" if crude else "doubly_robust",
        profile=profile,
        level=0.95,
        retrograde=arms[0],
        antegrade=arms[1],
        effects=effects,
        withheld_because=withheld,
        note=note,
    )


# profile: feature label, level label, (lesions, crossed) from below, from above, adjusted (difference, lower, upper) or why not
PROFILES: tuple[
    tuple[str, str, str, tuple[int, int], tuple[int, int], tuple[float, float, float] | str],
    ...,
] = (
    ("length_band=under_100_mm", "Length", "under 100 mm", (61, 45), (402, 338), (-0.031, -0.142, 0.080)),
    ("length_band=100_to_200_mm", "Length", "100 to 199 mm", (149, 106), (441, 337), (0.046, -0.040, 0.132)),
    ("length_band=200_mm_or_more", "Length", "200 mm or more", (202, 131), (245, 128), (0.118, 0.031, 0.205)),
    ("calcium=none", "Calcium", "none", (41, 34), (331, 281), (-0.012, -0.128, 0.104)),
    ("calcium=mild", "Calcium", "mild", (72, 54), (298, 237), (-0.010, -0.112, 0.092)),
    ("calcium=moderate", "Calcium", "moderate", (121, 84), (262, 183), (0.052, -0.044, 0.148)),
    ("calcium=severe", "Calcium", "severe", (172, 106), (180, 89), (0.141, 0.046, 0.236)),
    ("calcium=not_recorded", "Calcium", "not recorded", (6, 4), (17, 13), "fewer than 20 lesions by one approach"),
    ("proximal_cap=tapered", "Upper cap", "tapered", (118, 90), (601, 511), (-0.058, -0.140, 0.024)),
    ("proximal_cap=blunt", "Upper cap", "blunt or flush", (294, 192), (487, 292), (0.098, 0.028, 0.168)),
    ("prior_bypass=none", "Earlier bypass", "none", (340, 236), (989, 737), (0.040, -0.018, 0.098)),
    ("prior_bypass=patent", "Earlier bypass", "patent", (9, 6), (30, 20), "fewer than 20 lesions by one approach"),
    ("prior_bypass=occluded", "Earlier bypass", "occluded", (63, 40), (69, 46), (-0.021, -0.190, 0.148)),
    ("segment=femoropopliteal", "Segment", "femoropopliteal", (188, 140), (519, 399), (0.061, -0.012, 0.134)),
    ("segment=below_the_knee", "Segment", "below the knee", (224, 142), (569, 404), (0.029, -0.048, 0.106)),
    ("target_angiosome=heel", "Target angiosome", "heel", (57, 36), (160, 112), (0.012, -0.141, 0.165)),
    ("target_angiosome=forefoot", "Target angiosome", "forefoot", (208, 146), (551, 418), (0.052, -0.021, 0.125)),
    ("target_angiosome=none", "Target angiosome", "no tissue loss", (147, 100), (377, 273), (0.041, -0.049, 0.131)),
)
WHOLE_R, WHOLE_A = (412, 282), (1088, 803)
SESSION_R, SESSION_A = (412, 337), (1088, 925)
LENGTHS = ("under 100 mm", "100 to 199 mm", "200 mm or more")
GRADES = ("none", "mild", "moderate", "severe")
MAP: dict[tuple[int, int], tuple[int, int, float | None, float]] = {  # lesions below, above, difference, half-width
    (0, 0): (11, 160, None, 0.0),
    (0, 1): (14, 112, None, 0.0),
    (0, 2): (20, 88, -0.04, 0.19),
    (0, 3): (16, 42, None, 0.0),
    (1, 0): (17, 118, None, 0.0),
    (1, 1): (27, 125, -0.02, 0.17),
    (1, 2): (47, 112, 0.05, 0.15),
    (1, 3): (58, 86, 0.13, 0.12),
    (2, 0): (13, 53, None, 0.0),
    (2, 1): (31, 61, 0.03, 0.19),
    (2, 2): (54, 62, 0.11, 0.14),
    (2, 3): (98, 52, 0.19, 0.13),
}


def _comparisons() -> tuple[Comparison, ...]:
    made = []
    for endpoint, r, a, adjusted in (
        (
            FIRST,
            WHOLE_R,
            WHOLE_A,
            {"overlap": (0.048, 0.002, 0.094), "all": (0.039, -0.015, 0.093), "treated": (0.071, 0.015, 0.127)},
        ),
        (
            SESSION,
            SESSION_R,
            SESSION_A,
            {"overlap": (0.011, -0.030, 0.052), "all": (0.008, -0.037, 0.053), "treated": (0.019, -0.026, 0.064)},
        ),
    ):
        made.append(comparison("all", r, a, endpoint=endpoint))
        made += [comparison("all", r, a, endpoint=endpoint, population=p, adjusted=v) for p, v in adjusted.items()]  # type: ignore[arg-type]
    for profile, _, _, r, a, adjusted in PROFILES:
        for endpoint in (FIRST, SESSION):
            extra = (0, 0) if endpoint == FIRST else (round((r[0] - r[1]) * 0.42), round((a[0] - a[1]) * 0.43))
            counts = ((r[0], r[1] + extra[0]), (a[0], a[1] + extra[1]))
            made.append(comparison(profile, *counts, endpoint=endpoint))
            if isinstance(adjusted, str):
                made.append(comparison(profile, *counts, endpoint=endpoint, withheld=adjusted))
            else:
                made.append(comparison(profile, *counts, endpoint=endpoint, adjusted=adjusted))
    return tuple(made)


def _map() -> tuple[MapCell, ...]:
    cells = []
    for (i, j), (n_r, n_a, d, half) in MAP.items():
        profile = f"{PROFILES[i][0]};calcium={GRADES[j]}"
        counts = ((n_r, round(n_r * 0.66)), (n_a, round(n_a * 0.72)))
        if d is None:
            c = comparison(profile, *counts, withheld="fewer than 20 lesions by one approach")
        else:
            c = comparison(profile, *counts, adjusted=(d, d - half, d + half))
        cells.append(MapCell(LENGTHS[i], GRADES[j], c))
    return tuple(cells)


def _quarters() -> tuple[QuarterCount, ...]:
    lesions = (108, 117, 121, 119, 124, 131, 126, 122, 133, 128, 136, 135)
    below = (22, 27, 29, 31, 33, 35, 34, 36, 39, 40, 42, 44)
    made = []
    for i, (n, r) in enumerate(zip(lesions, below, strict=True)):
        first = round(n * (0.70 + 0.005 * i))
        session = first + round((n - first) * 0.43)
        made.append(QuarterCount(f"{2023 + i // 4} Q{i % 4 + 1}", n, r, first, session))
    return tuple(made)


def _diagnostics() -> Diagnostics:
    terms = (
        ("length_mm", "Length (mm)", "fitted", 0.62, 0.00, 1.1, 1.0),
        ("calcium=severe", "Calcium: severe", "fitted", 0.58, 0.00, None, None),
        ("proximal_cap=blunt", "Upper cap: blunt or flush", "fitted", 0.55, 0.00, None, None),
        ("prior_bypass=occluded", "Earlier bypass: occluded", "fitted", 0.31, 0.00, None, None),
        ("calcium=none", "Calcium: none", "fitted", -0.54, 0.00, None, None),
        ("length_mm^2", "Length squared", "square", 0.59, 0.02, 1.3, 1.05),
        ("length_mm*calcium=severe", "Length with severe calcium", "interaction", 0.60, 0.04, 1.5, 1.1),
        ("age_years", "Age (years)", "fitted", 0.08, 0.00, 1.0, 1.0),
        ("age_years^2", "Age squared", "square", 0.08, 0.01, 1.0, 1.0),
        ("diabetes=yes", "Diabetes", "fitted", 0.12, 0.00, None, None),
        ("dialysis=yes", "On dialysis", "fitted", 0.21, 0.00, None, None),
        ("segment=below_the_knee", "Segment: below the knee", "fitted", 0.04, 0.00, None, None),
        ("wifi_stage=4", "WIfI clinical stage 4", "fitted", 0.16, 0.00, None, None),
        ("rutherford=6", "Rutherford 6", "fitted", 0.10, 0.00, None, None),
        ("site=b", "Site B", "left_out", -0.22, -0.12, None, None),
        ("operator_cases", "Operator's earlier cases from below", "left_out", 0.34, 0.11, 1.4, 1.2),
    )
    balance = tuple(
        BalanceTerm(name, label, kind, 0.5 + before / 4, 0.5 - before / 4, before, after, vb, va)  # type: ignore[arg-type]
        for name, label, kind, before, after, vb, va in terms
    )
    edges = tuple(i / 20 for i in range(21))
    return Diagnostics(
        balance=balance,
        overlap=ScoreOverlap(
            edges,
            (0, 1, 3, 6, 9, 14, 18, 24, 29, 33, 38, 41, 43, 42, 38, 31, 22, 13, 6, 1),
            (31, 96, 138, 149, 137, 120, 101, 84, 67, 51, 39, 28, 19, 12, 8, 4, 3, 1, 0, 0),
        ),
        effective_n_retrograde=318.4,
        effective_n_antegrade=487.2,
        c_statistic=0.74,
        gates=(
            Gate(
                "balance_fitted",
                "The largest remaining difference in an adjusted trait is 0.00 SD.",
                0.0,
                0.25,
                "pass",
                "Stuart 2010",
            ),
            Gate(
                "balance_other",
                "The largest remaining difference in a trait that was not adjusted for is 0.12 SD.",
                0.12,
                0.1,
                "caution",
                "Austin 2009",
            ),
            Gate("arm", "The smaller group has 412 lesions.", 412.0, 20.0, "pass", "our choice"),
            Gate(
                "effective",
                "After weighting, the smaller group counts as 318 lesions.",
                318.4,
                10.0,
                "pass",
                "Kish 1965",
            ),
        ),
    )


def edition(**changes: Any) -> Edition:
    """The example, with any fields replaced."""
    made = Edition(
        service="Lakeside Vascular Service (invented)",
        invented=True,
        period_start="2023-01",
        period_end="2025-12",
        latest_quarter="2025 Q4",
        primary_endpoint=FIRST,
        endpoint_labels=((FIRST, "Crossed by the first approach"), (SESSION, "Crossed in the session")),
        level=0.95,
        smallest_count_shown=5,
        plan_hash="3f9a1c77d2e0b8465a90cc1e7d4f2b6381aa5e90f7c2d3b4e6a8091b2c3d4e5f",
        data_hash="b1d2e3f405162738495a6b7c8d9eafb0c1d2e3f405162738495a6b7c8d9eafb0",
        version="0.1.0",
        table_counts=(
            TableCount("patients", 1204, 1198, 6),
            TableCount("procedures", 1420, 1411, 9),
            TableCount("lesions", 1603, 1578, 25),
            TableCount("attempts", 2121, 2087, 34),
            TableCount("complications", 212, 210, 2),
            TableCount("followup", 1204, 1190, 14),
        ),
        reasons=(
            ReasonCount("lesions", "row", "the lesion length is recorded", 18),
            ReasonCount("lesions", "row", "the procedure of the lesion is present", 7),
            ReasonCount("attempts", "row", "the approach is antegrade or retrograde", 31),
            ReasonCount("attempts", "row", "attempt numbers follow each other", 3),
            ReasonCount("complications", "row", "the complication is not before the procedure", 2),
            ReasonCount("attempts", "value", "contrast is between 0 and 600 mL", 12),
            ReasonCount("patients", "value", "age is between 18 and 110 years", 1),
        ),
        flow=(
            FlowStep("Lesions read", 1603, 0, ""),
            FlowStep("Usable", 1578, 25, "row set aside"),
            FlowStep("In the period of the plan", 1541, 37, "outside the period"),
            FlowStep("With a first attempt recorded", 1503, 38, "no attempt recorded"),
            FlowStep("Compared", 1500, 3, "first approach unknown"),
        ),
        missing=(
            MissingShare("calcium", "Calcium grade", 0.0153),
            MissingShare("proximal_cap", "Upper cap", 0.061),
            MissingShare("age", "Age", 0.001),
            MissingShare("length", "Length", 0.0),
        ),
        sequences=(
            SequenceCount("retrograde", True, "none", True, 282),
            SequenceCount("retrograde", False, "none", False, 43),
            SequenceCount("retrograde", False, "same", True, 9),
            SequenceCount("retrograde", False, "same", False, 8),
            SequenceCount("retrograde", False, "bailout", True, 46),
            SequenceCount("retrograde", False, "bailout", False, 24),
            SequenceCount("antegrade", True, "none", True, 803),
            SequenceCount("antegrade", False, "none", False, 92),
            SequenceCount("antegrade", False, "same", True, 21),
            SequenceCount("antegrade", False, "same", False, 26),
            SequenceCount("antegrade", False, "bailout", True, 101),
            SequenceCount("antegrade", False, "bailout", False, 45),
        ),
        quarters=_quarters(),
        prices=(
            Price("procedure_minutes", "Procedure time", "min", "retrograde", 412, 118.0, 92.0, 151.0),
            Price("procedure_minutes", "Procedure time", "min", "antegrade", 1088, 96.0, 74.0, 128.0),
            Price("fluoroscopy_min", "Fluoroscopy", "min", "retrograde", 401, 34.0, 24.0, 47.0),
            Price("fluoroscopy_min", "Fluoroscopy", "min", "antegrade", 1071, 26.0, 18.0, 38.0),
            Price("air_kerma_mgy", "Air kerma", "mGy", "retrograde", 398, 182.0, 96.0, 331.0),
            Price("air_kerma_mgy", "Air kerma", "mGy", "antegrade", 1066, 141.0, 74.0, 262.0),
            Price("contrast_ml", "Contrast", "mL", "retrograde", 405, 92.0, 68.0, 124.0),
            Price("contrast_ml", "Contrast", "mL", "antegrade", 1080, 88.0, 64.0, 118.0),
        ),
        case_mix=(
            CaseMix("Severe calcium", 0.42, 0.17, "share", 0.58),
            CaseMix("Blunt or flush upper cap", 0.71, 0.45, "share", 0.55),
            CaseMix("Length, mean", 212.0, 138.0, "mm", 0.62),
            CaseMix("Occluded earlier bypass", 0.15, 0.06, "share", 0.31),
            CaseMix("On dialysis", 0.24, 0.16, "share", 0.21),
            CaseMix("Age, mean", 72.4, 71.6, "years", 0.08),
            CaseMix("Operator's earlier cases from below, mean", 38.0, 24.0, "count", 0.34),
        ),
        comparisons=_comparisons(),
        profile_labels=tuple(ProfileLabel(p, f, level) for p, f, level, *_ in PROFILES),
        length_calcium=_map(),
        diagnostics=_diagnostics(),
        methods=(
            MethodNote(
                "What is compared", "Each lesion's first attempt: from below (retrograde) or from above (antegrade)."
            ),
            MethodNote(
                "How it is made fair",
                "Lesions are weighted so that both groups have the same mix of the traits listed under balance.",
            ),
            MethodNote(
                "How sure", "Intervals allow for several lesions in one patient and for the weights being estimated."
            ),
        ),
    )
    return replace(made, **changes)


# Every lesion, by each start: what profiles are parts of.
ALL = (comparison("all", (100, 60), (200, 140)),)


def shown(comparisons: tuple[ShownComparison, ...], profile: str, method: str = "crude") -> ShownComparison:
    """The one comparison so named, as a page may show it."""
    return next(c for c in comparisons if c.profile == profile and c.method == method)
