"""FEATURES: lesion, limb, patient and operator characteristics known before the first puncture, one entry each.

To add a characteristic from known columns, add one `Feature` here. What happens after the first puncture (plane, devices,
minutes, access, anything crossed) is never a feature: adjusting for it would adjust away part of the approach's effect.
docs/features.md is generated from this file.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import polars as pl

from pipeline import derivations
from pipeline.bands import Level, banded, bands
from pipeline.case_tables import table
from pipeline.plan import Plan
from pipeline.published_grades import CALCIUM_LEVELS, RUTHERFORD_NAMES, WIFI_STAGE_NAMES

YES_NO = (Level("false", "no"), Level("true", "yes"))


@dataclass(frozen=True, slots=True)
class Feature:
    """One characteristic of a lesion, limb, patient or operator, as it was before the first puncture.

    `derive` gives the polars expression on the joined frame of derive.py: one row a lesion with the dictionary's lesion,
    procedure and patient columns and `first_approach`, rows in order of date. A number is Float64 in `unit`, a category is
    text, a flag is Boolean; not recorded is null. `levels` are the codes of a category in order, given the plan; None where
    they are whatever the data hold (operators, sites). Exactly one of the two reasons is given: `adjust_because` puts the
    feature into the default adjustment set, `not_adjusted_because` keeps it out. `balance_looked_at`: not adjusted for,
    yet were it out of balance after weighting the comparison might not be fair. `straight`: a number that enters the score
    as a straight line rather than a spline.
    """

    name: str
    label: str
    kind: Literal["number", "category", "flag"]
    derive: Callable[[Plan], pl.Expr]
    unit: str = ""
    levels: Callable[[Plan], tuple[Level, ...]] | None = None
    adjust_because: str | None = None
    not_adjusted_because: str | None = None
    balance_looked_at: bool = False
    straight: bool = False


def _column(name: str) -> Callable[[Plan], pl.Expr]:
    return lambda _plan: pl.col(name)


def _fixed(*levels: tuple[str, str]) -> Callable[[Plan], tuple[Level, ...]]:
    fixed = tuple(Level(code, label) for code, label in levels)
    return lambda _plan: fixed


def _codes(table_name: str, column: str, **labels: str) -> Callable[[Plan], tuple[Level, ...]]:
    """The dictionary's codes in its order, printed with spaces for underscores unless a label is given."""
    codes = table(table_name).column(column).codes
    return _fixed(*((code, labels.get(code, code.replace("_", " "))) for code in codes))


def _length_bands(plan: Plan) -> tuple[Level, ...]:
    return bands(plan.length_bands_mm, "mm", whole=False)


def _age_bands(plan: Plan) -> tuple[Level, ...]:
    return bands(plan.age_bands_years, "years", whole=True)


# The lesion, the target path, the limb, the patient, the operator and the calendar, in that order. The reasons are common
# practice without a source, but for length, severe calcium and caps: Saab F et al., J Endovasc Ther 2018;25:284-291.
FEATURES: tuple[Feature, ...] = (
    Feature(
        "length_mm",
        "occlusion length",
        "number",
        _column("length_mm"),
        unit="mm",
        adjust_because="Long occlusions are started from below more often and are crossed less often by any approach.",
    ),
    Feature(
        "length_band",
        "occlusion length",
        "category",
        lambda plan: banded(pl.col("length_mm"), plan.length_bands_mm, _length_bands(plan)),
        levels=_length_bands,
        not_adjusted_because="It is the occlusion length in bands; the length itself is adjusted for.",
    ),
    Feature(
        "calcium",
        "calcium",
        "category",
        lambda _plan: derivations.calcium(),
        levels=_fixed(*((level, level) for level in CALCIUM_LEVELS)),
        adjust_because="Heavy calcium turns a wire away and moves operators to start from below.",
    ),
    Feature(
        "proximal_cap",
        "proximal cap",
        "category",
        _column("proximal_cap"),
        levels=_codes("lesions", "proximal_cap"),
        adjust_because="A convex proximal cap deflects a wire coming from above and is a reason to start from below.",
    ),
    Feature(
        "distal_cap",
        "distal cap",
        "category",
        _column("distal_cap"),
        levels=_codes("lesions", "distal_cap"),
        adjust_because="A concave distal cap takes a wire coming from below and is a reason to start there.",
    ),
    Feature(
        "prior_bypass",
        "bypass graft on the target path",
        "category",
        _column("prior_bypass"),
        levels=_codes("lesions", "prior_bypass"),
        adjust_because="A graft changes the way in from above, and an occluded one stands for long-standing disease that is hard to cross.",
    ),
    Feature(
        "segment",
        "segment",
        "category",
        _column("segment"),
        levels=_codes("lesions", "segment"),
        adjust_because="The segment decides which arteries below can be punctured and how hard the occlusion is to cross.",
    ),
    Feature(
        "below_knee",
        "below the knee",
        "flag",
        lambda _plan: derivations.below_knee(),
        levels=lambda _plan: YES_NO,
        not_adjusted_because="It follows from the segment, which is adjusted for.",
    ),
    Feature(
        "in_stent",
        "occlusion within a stent",
        "flag",
        _column("in_stent"),
        levels=lambda _plan: YES_NO,
        adjust_because="A stent keeps the wire in its channel and makes the way from above more attractive.",
    ),
    Feature(
        "runoff_vessels",
        "patent tibial vessels",
        "category",
        lambda _plan: pl.col("runoff_vessels").cast(pl.String),
        levels=_fixed(("0", "none"), ("1", "one"), ("2", "two"), ("3", "three")),
        adjust_because="Without an open tibial vessel there is little to puncture below, and poor runoff goes with occlusions that are hard to cross.",
    ),
    Feature(
        "glass_stage",
        "GLASS stage",
        "category",
        lambda _plan: derivations.glass_stage(),
        levels=_fixed(("I", "I"), ("II", "II"), ("III", "III")),
        not_adjusted_because="It is graded from length, segment and calcium, which are adjusted for one by one.",
        balance_looked_at=True,
    ),
    Feature(
        "pedal_grade",
        "GLASS inframalleolar modifier",
        "category",
        lambda _plan: "P" + pl.col("pedal_grade").cast(pl.String),
        levels=_fixed(("P0", "P0"), ("P1", "P1"), ("P2", "P2")),
        not_adjusted_because="The runoff vessels, which are adjusted for, say most of it, and many services do not grade it.",
        balance_looked_at=True,
    ),
    Feature(
        "target_angiosome",
        "target angiosome",
        "category",
        _column("target_angiosome"),
        levels=_codes("lesions", "target_angiosome"),
        not_adjusted_because="Where the wound is acts on the approach through the segment that is treated, which is adjusted for.",
        balance_looked_at=True,
    ),
    Feature(
        "direct",
        "treated artery feeds the target angiosome",
        "flag",
        lambda _plan: derivations.direct(),
        levels=lambda _plan: YES_NO,
        not_adjusted_because="It follows from the segment and the target angiosome, and it bears on healing rather than on crossing.",
    ),
    Feature(
        "rutherford",
        "Rutherford category",
        "category",
        lambda _plan: pl.col("rutherford").cast(pl.String),
        levels=_fixed(*((str(number), f"{number} ({name})") for number, name in RUTHERFORD_NAMES.items())),
        adjust_because="The more the limb is threatened, the readier the operator is to go from below, and the worse the arteries.",
    ),
    Feature(
        "tissue_loss",
        "tissue loss",
        "flag",
        lambda _plan: derivations.tissue_loss(),
        levels=lambda _plan: YES_NO,
        not_adjusted_because="It follows from the Rutherford category, which is adjusted for.",
    ),
    Feature(
        "wifi_stage",
        "WIfI clinical stage",
        "category",
        lambda _plan: derivations.wifi_stage(),
        levels=_fixed(*((str(number), f"{number} ({name})") for number, name in WIFI_STAGE_NAMES.items())),
        not_adjusted_because="It stages the risk of amputation rather than how hard the artery is to cross; the Rutherford category is adjusted for.",
        balance_looked_at=True,
    ),
    Feature(
        "renal",
        "kidney function",
        "category",
        _column("renal"),
        levels=_codes("patients", "renal", ckd="chronic kidney disease"),
        adjust_because="Kidney disease calcifies the tibial and pedal arteries: harder to cross from above and harder to puncture below.",
    ),
    Feature(
        "diabetes",
        "diabetes",
        "category",
        _column("diabetes"),
        levels=_codes("patients", "diabetes", non_insulin="without insulin", insulin="with insulin"),
        adjust_because="Diabetes moves disease to the calcified tibial arteries, where starting from below is more often chosen.",
    ),
    Feature(
        "age_years",
        "age",
        "number",
        lambda _plan: derivations.age_years(),
        unit="years",
        adjust_because="Older patients have stiffer, more calcified arteries, and operators choose shorter procedures for them.",
    ),
    Feature(
        "age_band",
        "age",
        "category",
        lambda plan: banded(derivations.age_years(), plan.age_bands_years, _age_bands(plan)),
        levels=_age_bands,
        not_adjusted_because="It is the age in bands; the age itself is adjusted for.",
    ),
    Feature(
        "sex",
        "sex",
        "category",
        _column("sex"),
        levels=_codes("patients", "sex"),
        adjust_because="Women have smaller tibial and pedal arteries, which are harder to puncture and to cross.",
    ),
    Feature(
        "smoking",
        "smoking",
        "category",
        _column("smoking"),
        levels=_codes("patients", "smoking"),
        not_adjusted_because="It bears on the approach and on crossing through the lesion's anatomy, which is adjusted for.",
        balance_looked_at=True,
    ),
    Feature(
        "coronary_disease",
        "coronary disease",
        "flag",
        _column("coronary_disease"),
        levels=lambda _plan: YES_NO,
        not_adjusted_because="It bears on survival more than on the approach or on crossing.",
        balance_looked_at=True,
    ),
    Feature(
        "heart_failure",
        "heart failure",
        "flag",
        _column("heart_failure"),
        levels=lambda _plan: YES_NO,
        not_adjusted_because="It bears on survival more than on the approach or on crossing.",
        balance_looked_at=True,
    ),
    Feature(
        "ambulatory",
        "walks, with or without aids",
        "flag",
        _column("ambulatory"),
        levels=lambda _plan: YES_NO,
        not_adjusted_because="It bears on whether to treat at all more than on the approach or on crossing.",
        balance_looked_at=True,
    ),
    Feature(
        "prior_revascularization",
        "earlier revascularization of the limb",
        "category",
        _column("prior_revascularization"),
        levels=_codes("procedures", "prior_revascularization"),
        not_adjusted_because="What it leaves on the target path, a graft or a stent, is adjusted for.",
        balance_looked_at=True,
    ),
    Feature(
        "urgency",
        "urgency",
        "category",
        _column("urgency"),
        levels=_codes("procedures", "urgency"),
        not_adjusted_because="The Rutherford category, which is adjusted for, says most of it.",
        balance_looked_at=True,
    ),
    Feature(
        "operator_id",
        "operator",
        "category",
        _column("operator_id"),
        adjust_because="Operators differ both in how often they start from below and in how often they cross.",
    ),
    Feature(
        "operator_retrograde_before",
        "operator's earlier lesions started from below",
        "number",
        lambda _plan: derivations.operator_retrograde_before(),
        unit="lesions",
        straight=True,
        adjust_because="Practice from below makes an operator both readier to start there and better at it.",
    ),
    Feature(
        "site_id",
        "site",
        "category",
        _column("site_id"),
        not_adjusted_because="Most operators work at one site, so that the operator, who is adjusted for, stands for it.",
        balance_looked_at=True,
    ),
    Feature(
        "calendar_years",
        "time since the first procedure",
        "number",
        lambda _plan: derivations.calendar_years(),
        unit="years",
        straight=True,
        adjust_because="Habits and wires change over the years, and so does the share that is crossed.",
    ),
)


def feature(name: str) -> Feature:
    """The named feature; KeyError when there is none."""
    for candidate in FEATURES:
        if candidate.name == name:
            return candidate
    raise KeyError(name)


def levels_of(wanted: Feature, plan: Plan, lesions: pl.DataFrame) -> tuple[Level, ...]:
    """The feature's levels in order: () for a number, "false" and "true" for a flag, levels found in `lesions` included.

    Levels that are whatever the data hold come in order of first appearance, which does not depend on the key that
    pseudonyms were made with. Levels that no lesion has are included where the plan or the dictionary names them.
    """
    if wanted.kind == "number":
        return ()
    if wanted.levels is not None:
        return wanted.levels(plan)
    found = lesions.get_column(wanted.name).drop_nulls().unique(maintain_order=True)
    return tuple(Level(str(code), str(code)) for code in found)
