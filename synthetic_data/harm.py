"""Complications: by approach, access and session, rising slowly over the years. Rates are common practice, no source, unless named.

Puncture-site harm below the lesion is set near the 3.3-4.1 % of Welling 2018 and Schmidt 2019.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.case_tables import COMPLICATIONS
from synthetic_data.attempts import CROSSED, PERFORATION, Course
from synthetic_data.chance import Flags, Ints, Reals, flags, pick_each, stream
from synthetic_data.lesions import Lesions
from synthetic_data.patients import Patients, calendar
from synthetic_data.price import Price
from synthetic_data.punctures import SITES, Punctures
from synthetic_data.scenario import Scenario
from synthetic_data.sessions import Sessions

KINDS = COMPLICATIONS.column("kind").codes
FATAL = COMPLICATIONS.column("severity").codes.index("death")

# Chance per attempt, after a puncture in the groin or arm and after one beyond the lesion.
PER_ATTEMPT: dict[str, tuple[float, float]] = {
    "flow_limiting_dissection": (0.008, 0.006),
    "access_hematoma": (0.016, 0.014),
    "pseudoaneurysm": (0.006, 0.003),
    "arteriovenous_fistula": (0.001, 0.005),
    "access_vessel_occlusion": (0.001, 0.017),
    "vasospasm": (0.001, 0.014),
}
# Chance per session.
PER_SESSION: dict[str, float] = {
    "distal_embolization": 0.010,
    "acute_kidney_injury": 0.009,
    "compartment_syndrome": 0.001,
    "access_infection": 0.002,
    "stroke": 0.002,
    "myocardial_infarction": 0.005,
    "bleeding_transfused": 0.005,
    "other": 0.006,
}
# Mild, moderate, severe, life-threatening, death (SIR severity).
SEVERITY: dict[str, tuple[float, ...]] = {
    "perforation": (0.62, 0.27, 0.10, 0.01, 0.0),
    "flow_limiting_dissection": (0.40, 0.48, 0.12, 0.0, 0.0),
    "distal_embolization": (0.25, 0.50, 0.24, 0.01, 0.0),
    "access_hematoma": (0.68, 0.24, 0.07, 0.01, 0.0),
    "pseudoaneurysm": (0.20, 0.65, 0.15, 0.0, 0.0),
    "arteriovenous_fistula": (0.70, 0.25, 0.05, 0.0, 0.0),
    "access_vessel_occlusion": (0.35, 0.40, 0.23, 0.02, 0.0),
    "vasospasm": (0.85, 0.14, 0.01, 0.0, 0.0),
    "compartment_syndrome": (0.0, 0.10, 0.70, 0.20, 0.0),
    "acute_kidney_injury": (0.45, 0.35, 0.15, 0.05, 0.0),
    "access_infection": (0.30, 0.50, 0.20, 0.0, 0.0),
    "stroke": (0.10, 0.25, 0.35, 0.20, 0.10),
    "myocardial_infarction": (0.10, 0.35, 0.35, 0.12, 0.08),
    "bleeding_transfused": (0.0, 0.60, 0.30, 0.07, 0.03),
    "other": (0.60, 0.30, 0.10, 0.0, 0.0),
}


@dataclass(frozen=True, slots=True)
class Harm:
    """One entry a complication, in the order of its session. `attempt` is a position among the attempts, or -1."""

    session: Ints
    attempt: Ints
    kind: Ints
    severity: Ints
    day: Ints


def invent_harm(
    course: Course,
    punctures: Punctures,
    lesions: Lesions,
    sessions: Sessions,
    patients: Patients,
    cost: Price,
    scenario: Scenario,
    seed: int,
) -> Harm:
    """Complications of every session, tied to an attempt where they belong to one."""
    rng = stream(seed, "harm")
    session_of_attempt = lesions.session[punctures.lesion]
    first_day, _ = calendar(scenario)
    rise = np.exp(scenario.harm_trend_per_year * ((sessions.day - first_day) / 365.25 - scenario.years / 2))
    made = course.reason[punctures.attempt, punctures.lesion]
    remote = punctures.access_site <= SITES.index("superficial_femoral")
    remote |= punctures.access_site >= SITES.index("radial")
    found: list[tuple[Ints, Ints, Ints]] = []  # session, attempt, kind

    def add(kind: str, session: Ints, attempt: Ints) -> None:
        found.append((session, attempt, np.full(len(session), KINDS.index(kind))))

    # A wire that perforated ended its attempt; a few perforations do not stop the wire from crossing.
    pierced = (made == PERFORATION) | ((made == CROSSED) & flags(rng, 0.002, len(made)))
    add("perforation", session_of_attempt[pierced], np.flatnonzero(pierced))
    for kind, (groin, beyond) in PER_ATTEMPT.items():
        chance = np.where(remote, groin, beyond) * rise[session_of_attempt]
        if kind != "flow_limiting_dissection":
            # One sheath in the groin serves every attempt from above: count it once a session, at the first.
            chance = np.where(remote & ~_first_of(session_of_attempt, remote), 0.0, chance)
        hit = flags(rng, chance, len(made))
        add(kind, session_of_attempt[hit], np.flatnonzero(hit))
    for kind, rate in PER_SESSION.items():
        hit = flags(rng, rate * rise * _proneness(kind, sessions, patients, cost), len(rise))
        session = np.flatnonzero(hit)
        add(kind, session, np.full(len(session), -1))
    session, attempt, kinds = (np.concatenate(part) for part in zip(*found, strict=True))
    severity = pick_each(rng, np.asarray([SEVERITY[kind] for kind in KINDS])[kinds])
    # Only a patient's last session can have been fatal.
    severity = np.where((severity == FATAL) & ~_last_of_patient(sessions)[session], FATAL - 1, severity)
    late = np.isin(
        kinds, [KINDS.index("pseudoaneurysm"), KINDS.index("acute_kidney_injury"), KINDS.index("access_infection")]
    )
    days = np.where(
        late, rng.integers(1, 5, len(kinds)), np.where(severity == FATAL, rng.integers(0, 12, len(kinds)), 0)
    )
    _, last_day = calendar(scenario)
    order = np.lexsort((kinds, attempt, session))
    day = np.minimum(sessions.day[session] + days, last_day)
    died = np.full(len(rise), last_day)
    died[session[severity == FATAL]] = day[severity == FATAL]
    day = np.minimum(day, died[session])  # nothing after death
    return Harm(session[order], attempt[order], kinds[order], severity[order], day[order])


def _first_of(session: Ints, among: Flags) -> Flags:
    """The first attempt of each session among those marked."""
    marked = np.flatnonzero(among)
    first = np.zeros(len(session), dtype=np.bool_)
    first[marked[np.unique(session[marked], return_index=True)[1]]] = True
    return first


def _last_of_patient(sessions: Sessions) -> Flags:
    last = np.zeros(int(sessions.patient.max()) + 1, dtype=np.int64)
    np.maximum.at(last, sessions.patient, np.arange(len(sessions.patient)))
    return np.asarray(last[sessions.patient] == np.arange(len(sessions.patient)))


def _proneness(kind: str, sessions: Sessions, patients: Patients, cost: Price) -> Reals:
    """How much likelier than usual a session is to have a complication of this kind."""
    renal = patients.renal[sessions.patient]
    if kind == "acute_kidney_injury":
        # Patients on dialysis have no kidney function to lose (KDIGO 2012).
        return np.asarray([0.6, 3.0, 0.0])[renal] * cost.contrast_ml / 75.0
    if kind in ("stroke", "myocardial_infarction"):
        return np.where(patients.coronary_disease[sessions.patient], 1.4, 0.6)
    if kind == "distal_embolization":
        return cost.duration_min / 75.0
    return np.ones(len(renal))
