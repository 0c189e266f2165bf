"""The invented service as the dictionary's six tables, with the designed shares of missing values."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.case_tables import TABLES, Column, ColumnType, Table
from synthetic_data.attempts import Course
from synthetic_data.chance import Flags, Ints, Reals, expit, flags, stream
from synthetic_data.follow_up import FollowUp
from synthetic_data.harm import Harm
from synthetic_data.lesions import Lesions
from synthetic_data.patients import Patients
from synthetic_data.price import Price
from synthetic_data.punctures import Punctures
from synthetic_data.scenario import Scenario
from synthetic_data.sessions import Operators, Sessions

POLARS_TYPES: dict[ColumnType, type[pl.DataType]] = {
    "text": pl.String,
    "code": pl.String,
    "int": pl.Int64,
    "real": pl.Float64,
    "bool": pl.Boolean,
    "date": pl.Date,
}

# Shares missing at the first and at every other site: at random within a site, never by outcome. Ours, no source.
MISSING: dict[str, dict[str, tuple[float, float]]] = {
    "patients": {"birth_year": (0.01, 0.01), "renal": (0.02, 0.02), "smoking": (0.05, 0.05), "ambulatory": (0.04, 0.04)},
    "procedures": {
        "rutherford": (0.01, 0.02), "wound": (0.04, 0.09), "ischemia": (0.04, 0.09), "foot_infection": (0.04, 0.09),
        "abi": (0.10, 0.14), "toe_pressure_mmhg": (0.18, 0.30), "prior_revascularization": (0.02, 0.02),
        "duration_min": (0.01, 0.02), "fluoroscopy_min": (0.02, 0.03), "air_kerma_mgy": (0.04, 0.06), "contrast_ml": (0.03, 0.03),
    },
    "lesions": {
        "length_mm": (0.015, 0.025), "calcium_grade": (0.04, 0.06), "proximal_cap": (0.03, 0.05), "distal_cap": (0.04, 0.06),
        "in_stent": (0.01, 0.01), "prior_bypass": (0.01, 0.01), "target_angiosome": (0.05, 0.08), "runoff_vessels": (0.02, 0.04),
        "fp_grade": (0.05, 0.10), "ip_grade": (0.05, 0.10), "pedal_grade": (0.10, 0.25),
    },
    "attempts": {"guidance": (0.04, 0.04), "sheath": (0.03, 0.03), "minutes": (0.02, 0.03), "plane": (0.04, 0.06)},
    "complications": {"severity": (0.03, 0.03)},
    "follow_up": {},
}  # fmt: skip

KEY_TRAITS = (
    "length_mm",
    "calcium_grade",
    "proximal_cap",
    "distal_cap",
    "runoff_vessels",
)  # missing at random together


@dataclass(frozen=True, slots=True)
class Invented:
    """All the parts of an invented service before they become tables."""

    patients: Patients
    operators: Operators
    sessions: Sessions
    lesions: Lesions
    course: Course
    punctures: Punctures
    cost: Price
    harm: Harm
    follow_up: FollowUp


def keys(prefix: str, positions: Ints, size: int) -> pl.Series:
    """Made-up keys such as L00012 for positions from 0; null for a negative position."""
    names = pl.int_range(1, size + 1, eager=True).cast(pl.String).str.zfill(len(str(max(size, 10_000))))
    return (prefix + names).gather(_nullable(positions))


def coded(column: Column, positions: Ints) -> pl.Series:
    """Codes of a dictionary column for positions in its `codes`; null for a negative position."""
    return pl.Series(column.name, column.codes, dtype=pl.String).gather(_nullable(positions))


def _nullable(positions: Ints) -> pl.Series:
    series = pl.Series(positions.astype(np.int64))
    return series.set(series < 0, None)


def as_tables(made: Invented, seed: int, scenario: Scenario) -> dict[str, pl.DataFrame]:
    """The six tables in the dictionary's columns, order and types, missing values made."""
    filled = {
        "patients": _patients(made), "procedures": _procedures(made), "lesions": _lesions(made, seed),
        "attempts": _attempts(made), "complications": _complications(made), "follow_up": _follow_up(made),
    }  # fmt: skip
    first_site = _at_first_site(made)
    tables = {
        table.name: _with_missing(_typed(table, filled[table.name]), table.name, first_site[table.name], seed, scenario)
        for table in TABLES
    }
    return tables | {"lesions": _missing_at_random(tables["lesions"], made, seed, scenario.missing_at_random)}


def _typed(table: Table, values: dict[str, pl.Series | Reals | Ints | Flags]) -> pl.DataFrame:
    columns = []
    for column in table.columns:
        value = values[column.name]
        if column.type == "code" and isinstance(value, np.ndarray):
            series = coded(column, value.astype(np.int64))
        else:
            series = value if isinstance(value, pl.Series) else pl.Series(value)
        columns.append(series.cast(POLARS_TYPES[column.type]).alias(column.name))
    return pl.DataFrame(columns)


def _with_missing(frame: pl.DataFrame, name: str, first_site: Flags, seed: int, scenario: Scenario) -> pl.DataFrame:
    rng = stream(seed, f"missing {name}")
    gaps = []
    for column, (first, other) in MISSING[name].items():
        gone = flags(rng, scenario.missing * np.where(first_site, first, other), frame.height)
        gaps.append(pl.when(pl.Series(~gone)).then(pl.col(column)).alias(column))
    return frame.with_columns(gaps)


def _missing_at_random(frame: pl.DataFrame, made: Invented, seed: int, share: float) -> pl.DataFrame:
    """Lesions with key traits not recorded, by what is recorded: the start, whether it crossed, and below or above the knee."""
    if not share:
        return frame
    rng = stream(seed, "missing at random")
    course = made.course
    pull = 0.8 * course.from_below[0] - 0.8 * course.crossed[0] + 0.5 * made.lesions.below_knee
    chance = expit(np.log(share / (1 - share)) + pull - pull.mean())
    return frame.with_columns(
        pl.when(pl.Series(~flags(rng, chance, frame.height))).then(pl.col(column)).alias(column)
        for column in KEY_TRAITS
    )


def _at_first_site(made: Invented) -> dict[str, Flags]:
    sessions, lesions = made.sessions, made.lesions
    session = sessions.site == 0
    patient = np.zeros(len(made.patients.age), dtype=np.bool_)
    patient[sessions.patient[session]] = True
    return {
        "patients": patient,
        "procedures": session,
        "lesions": session[lesions.session],
        "attempts": session[lesions.session[made.punctures.lesion]],
        "complications": session[made.harm.session],
        "follow_up": patient[made.follow_up.patient],
    }


def _patients(made: Invented) -> dict[str, pl.Series | Reals | Ints | Flags]:
    it = made.patients
    n = len(it.age)
    return {
        "patient_id": keys("P", np.arange(n), n), "birth_year": it.birth_year, "sex": it.sex, "diabetes": it.diabetes,
        "renal": it.renal, "smoking": it.smoking, "coronary_disease": it.coronary_disease,
        "heart_failure": it.heart_failure, "ambulatory": it.ambulatory,
    }  # fmt: skip


def _procedures(made: Invented) -> dict[str, pl.Series | Reals | Ints | Flags]:
    it, cost = made.sessions, made.cost
    n = len(it.patient)
    first = np.full(n, -1)
    lesion = made.lesions.session
    first[lesion[::-1]] = made.course.from_below[0][::-1]
    # Only every second site writes the plan down before the puncture; one in twelve is changed on the table.
    plan = np.where((it.patient * 7 + it.day) % 12 == 0, 1 - first, first)
    plan = np.where(it.site % 2 == 1, plan, -1)
    return {
        "procedure_id": keys("S", np.arange(n), n), "patient_id": keys("P", it.patient, len(made.patients.age)),
        "procedure_date": pl.Series(it.day.astype(np.int32)), "side": it.side,
        "site_id": keys("SITE", it.site, int(made.operators.site.max()) + 1).str.replace("SITE0*", "SITE"),
        "operator_id": keys("OP", it.operator, len(made.operators.site)).str.replace("OP0*", "OP"),
        "urgency": it.urgency, "rutherford": it.rutherford, "wound": it.wound, "ischemia": it.ischemia,
        "foot_infection": it.foot_infection, "planned_approach": plan, "abi": it.abi, "toe_pressure_mmhg": it.toe_pressure_mmhg,
        "prior_revascularization": it.earlier_endovascular + 2 * it.bypass_in_limb,
        "duration_min": cost.duration_min, "fluoroscopy_min": cost.fluoroscopy_min,
        "air_kerma_mgy": cost.air_kerma_mgy, "contrast_ml": cost.contrast_ml,
    }  # fmt: skip


def _lesions(made: Invented, seed: int) -> dict[str, pl.Series | Reals | Ints | Flags]:
    it, sessions = made.lesions, made.sessions
    n = len(it.session)
    scale, grade = _calcium_as_written(it, sessions, seed)
    return {
        "lesion_id": keys("L", np.arange(n), n), "procedure_id": keys("S", it.session, len(sessions.patient)),
        "segment": it.segment, "length_mm": it.length_mm, "calcium_scale": scale, "calcium_grade": grade,
        "proximal_cap": it.convex_proximal.astype(np.int64), "distal_cap": 1 - it.concave_distal.astype(np.int64),
        "in_stent": it.in_stent, "prior_bypass": it.prior_bypass, "target_angiosome": it.angiosome,
        "runoff_vessels": it.runoff, "fp_grade": it.fp_grade, "ip_grade": it.ip_grade, "pedal_grade": it.pedal_grade,
    }  # fmt: skip


def _calcium_as_written(it: Lesions, sessions: Sessions, seed: int) -> tuple[Ints, pl.Series]:
    """Scale and grade: mostly PACSS; every second site kept PARC for its first year, and some notes only describe."""
    rng = stream(seed, "calcium scale")
    n = len(it.session)
    early = sessions.day[it.session] < sessions.day.min() + 365
    scale = np.where(flags(rng, 0.06, n), 2, np.where((sessions.site[it.session] % 2 == 1) & early, 1, 0))
    # One side only: PACSS 1 under 5 cm and 2 from 5 cm on; PARC focal under and mild over half of the lesion.
    extensive = flags(rng, 0.55, n)
    pacss = np.asarray([0, 1, 3, 4])[it.calcium] + ((it.calcium == 1) & extensive & (it.length_mm >= 50))
    parc = np.asarray([0, 1, 3, 4])[it.calcium] + ((it.calcium == 1) & extensive)
    words = pl.Series(
        ["0", "1", "2", "3", "4", "none", "focal", "mild", "moderate", "severe", "none", "mild", "moderate", "severe"]
    )
    return scale, words.gather(np.select([scale == 0, scale == 1], [pacss, 5 + parc], 10 + it.calcium))


def _attempts(made: Invented) -> dict[str, pl.Series | Reals | Ints | Flags]:
    it, course = made.punctures, made.course
    n = len(it.lesion)
    at = (it.attempt, it.lesion)
    return {
        "attempt_id": keys("A", np.arange(n), n), "lesion_id": keys("L", it.lesion, len(made.lesions.session)),
        "attempt_no": it.attempt + 1, "approach": course.from_below[at].astype(np.int64), "crossed": course.crossed[at],
        "access_site": it.access_site, "route": it.route, "access_gained": it.access_gained, "guidance": it.guidance,
        "sheath": it.sheath, "plane": it.plane, "rendezvous": it.rendezvous, "minutes": course.minutes[at],
        "stopped_because": course.reason[at],
    }  # fmt: skip


def _complications(made: Invented) -> dict[str, pl.Series | Reals | Ints | Flags]:
    it = made.harm
    n = len(it.session)
    return {
        "complication_id": keys("C", np.arange(n), n), "procedure_id": keys("S", it.session, len(made.sessions.patient)),
        "attempt_id": keys("A", it.attempt, len(made.punctures.lesion)), "kind": it.kind, "severity": it.severity,
        "complication_date": pl.Series(it.day.astype(np.int32)),
    }  # fmt: skip


def _follow_up(made: Invented) -> dict[str, pl.Series | Reals | Ints | Flags]:
    it = made.follow_up
    n = len(it.patient)
    return {
        "follow_up_id": keys("F", np.arange(n), n), "patient_id": keys("P", it.patient, len(made.patients.age)),
        "side": it.side, "lesion_id": keys("L", it.lesion, len(made.lesions.session)),
        "event_date": pl.Series(it.day.astype(np.int32)), "event": it.event,
    }  # fmt: skip
