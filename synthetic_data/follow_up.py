"""What became of the limb and the patient: contacts and events until death or the end of the records.

Rates are set near one-year major amputation of 10 % and mortality of 18 % (common practice for CLTI, no source; compare the limb
salvage above 84 % and survival above 80 % that Conte 2009 asks of a selected cohort).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.case_tables import FOLLOW_UP
from synthetic_data.attempts import Course
from synthetic_data.chance import Flags, Ints, Reals, flags, stream
from synthetic_data.harm import FATAL, Harm
from synthetic_data.lesions import Lesions
from synthetic_data.patients import Patients, calendar
from synthetic_data.scenario import Scenario
from synthetic_data.sessions import Sessions

EVENTS = FOLLOW_UP.column("event").codes
(SEEN, REVASCULARIZED, OCCLUDED, BYPASS, MINOR_AMPUTATION, MAJOR_AMPUTATION, HEALED, DEATH) = range(8)
VISITS_DAYS = (30, 90, 180, 365, 730)
DEATHS_A_YEAR = 0.145
MAJOR_AMPUTATIONS_A_YEAR = 0.043
NEVER = 10**7  # days


@dataclass(frozen=True, slots=True)
class FollowUp:
    """One entry a row, in the order of patient, day and event. `side` and `lesion` are -1 where the event has none."""

    patient: Ints
    side: Ints
    lesion: Ints
    day: Ints
    event: Ints


def invent_follow_up(
    course: Course, lesions: Lesions, sessions: Sessions, patients: Patients, harm: Harm, scenario: Scenario, seed: int
) -> FollowUp:
    """Contacts and events after each limb's last session; nothing of a limb after its major amputation, nothing after death."""
    rng = stream(seed, "follow-up")
    _, last_day = calendar(scenario)
    death = _deaths(rng, sessions, patients, harm)
    limb = sessions.patient * 2 + sessions.side
    limbs, last = _last_session(limb)
    patient, day = sessions.patient[last], sessions.day[last]
    n = len(limbs)
    helped = np.zeros(len(limb), dtype=np.bool_)
    helped[lesions.session[course.crossed_in_session]] = True
    crossed, wound = helped[last], sessions.wound[last]
    rows: list[tuple[Ints, Ints, Ints, Ints]] = []  # limb position, lesion, day, event

    def add(which: Flags, when: Reals, event: int) -> None:
        position = np.flatnonzero(which)
        at = day[position] + np.maximum(np.round(when[position]), 1).astype(np.int64)
        rows.append((position, np.full(len(position), -1), at, np.full(len(position), event)))

    hazard = MAJOR_AMPUTATIONS_A_YEAR * np.exp(
        0.5 * (wound - 1)
        + 0.35 * (sessions.foot_infection[last] >= 2)
        + 0.35 * (sessions.ischemia[last] == 3)
        + 0.5 * (patients.renal[patient] == 2)
        + 0.85 * (~crossed)
    )
    # Limbs are lost early: the hazard of the first quarter is three times that of later.
    amputated = _early(rng, hazard, n)
    add(amputated < NEVER, amputated, MAJOR_AMPUTATION)
    add((wound >= 2) & flags(rng, 0.34, n), 5.0 + rng.exponential(40.0, n), MINOR_AMPUTATION)
    healed = 110.0 * np.exp(0.55 * rng.standard_normal(n) + 0.3 * (wound >= 2) + 0.25 * (patients.renal[patient] == 2))
    add((wound > 0) & flags(rng, np.where(crossed, 0.72, 0.30), n), healed, HEALED)
    add(flags(rng, np.where(crossed, 0.02, 0.14), n), rng.exponential(90.0, n) + 7.0, BYPASS)
    seen = np.ones(n, dtype=np.bool_)
    for planned in VISITS_DAYS:
        seen &= flags(rng, 0.90, n)
        add(seen, planned * np.exp(0.10 * rng.standard_normal(n)), SEEN)
    rows.extend(_lesion_events(rng, course, lesions, limb, limbs, last, day))
    position, lesion, at, event = (np.concatenate(part) for part in zip(*rows, strict=True))
    lost = np.where(amputated < NEVER, day + np.maximum(np.round(amputated), 1), NEVER * 10.0)
    keep = (at <= last_day) & (at < death[patient[position]]) & ((at < lost[position]) | (event == MAJOR_AMPUTATION))
    # An amputee is still seen, as a patient.
    keep |= (event == SEEN) & (at <= last_day) & (at < death[patient[position]])
    position, lesion, at, event = position[keep], lesion[keep], at[keep], event[keep]
    dead = np.flatnonzero(death <= last_day)
    everyone = np.concatenate([patient[position], dead])
    side = np.concatenate([sessions.side[last][position], np.full(len(dead), -1)])
    which = np.concatenate([lesion, np.full(len(dead), -1)])
    when = np.concatenate([at, death[dead]])
    what = np.concatenate([event, np.full(len(dead), DEATH)])
    order = np.lexsort((which, side, what, when, everyone))
    return FollowUp(everyone[order], side[order], which[order], when[order], what[order])


def _last_session(limb: Ints) -> tuple[Ints, Ints]:
    """The limbs, and the position of each one's last session (sessions are in order of date)."""
    limbs, from_end = np.unique(limb[::-1], return_index=True)
    return limbs, np.asarray(len(limb) - 1 - from_end, dtype=np.int64)


def _deaths(rng: np.random.Generator, sessions: Sessions, patients: Patients, harm: Harm) -> Ints:
    """Day of death of each patient, after the last session; a fatal complication sets it."""
    n = len(patients.age)
    last = np.zeros(n, dtype=np.int64)
    np.maximum.at(last, sessions.patient, sessions.day)
    hazard = DEATHS_A_YEAR * np.exp(
        0.40 * (patients.age - 73) / 10.0
        + 0.70 * (patients.renal == 2)
        + 0.15 * (patients.renal == 1)
        + 0.40 * patients.heart_failure
        + 0.45 * (~patients.ambulatory)
    )
    after: Reals = np.maximum(np.round(365.25 * rng.exponential(1.0, n) / hazard), 2)
    death: Ints = last + after.astype(np.int64)
    np.maximum.at(death, sessions.patient[harm.session], harm.day)  # a late complication is one of the living
    fatal = harm.severity == FATAL
    death[sessions.patient[harm.session[fatal]]] = harm.day[fatal]
    return death


def _early(rng: np.random.Generator, yearly: Reals, n: int) -> Reals:
    """Days to an event whose yearly hazard is trebled for the first 90 days; NEVER past three years."""
    spent = rng.exponential(1.0, n) / (yearly / 365.25)  # days at the later hazard
    days = np.where(spent < 270.0, spent / 3.0, spent - 180.0)
    return np.asarray(np.where(days < 3 * 365, days, NEVER), dtype=np.float64)


def _lesion_events(
    rng: np.random.Generator, course: Course, lesions: Lesions, limb: Ints, limbs: Ints, last: Ints, day: Ints
) -> list[tuple[Ints, Ints, Ints, Ints]]:
    """Re-intervention and occlusion of crossed lesions treated in the limb's last session, long ones sooner."""
    position = np.searchsorted(limbs, limb[lesions.session])
    recent = np.flatnonzero(course.crossed_in_session & (lesions.session == last[position]))
    n = len(recent)
    risk = np.exp(0.35 * np.log(lesions.length_mm[recent] / 110.0) + 0.20 * (lesions.calcium[recent] == 3))
    occluded_after = 365.25 * rng.exponential(1.0, n) / (0.20 * risk)
    again_after = np.where(
        flags(rng, 0.48, n),
        occluded_after + rng.integers(3, 40, n),
        365.25 * rng.exponential(1.0, n) / (0.12 * risk),
    )
    found = []
    for when, event in ((occluded_after, OCCLUDED), (again_after, REVASCULARIZED)):
        at = day[position[recent]] + np.maximum(np.round(when), 1).astype(np.int64)
        found.append((position[recent], recent, at, np.full(n, event)))
    return found
