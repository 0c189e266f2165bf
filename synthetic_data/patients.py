"""Who is treated, how often, and when: patients, their limbs and their sessions."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from synthetic_data.chance import Flags, Ints, Reals, expit, flags, pick, pick_each, stream
from synthetic_data.scenario import Scenario

# Shares giving about 1.4 lesions a patient; common practice, no source.
SECOND_LIMB = 0.09
SESSIONS_A_LIMB = (0.91, 0.08, 0.01)
EPOCH = date(1970, 1, 1)


@dataclass(frozen=True, slots=True)
class Patients:
    """One entry a patient. Codes are positions in the dictionary's `codes`."""

    age: Ints  # years at the first session
    birth_year: Ints
    sex: Ints
    diabetes: Ints
    renal: Ints
    smoking: Ints
    coronary_disease: Flags
    heart_failure: Flags
    ambulatory: Flags
    frailty: Reals  # logits; enters crossing by either approach, never the choice


@dataclass(frozen=True, slots=True)
class Frame:
    """Which session belongs to which patient, side and day, and how many lesions it has; sessions in order of date."""

    patient: Ints  # one a session
    side: Ints  # one a session
    day: Ints  # one a session, days since 1970-01-01
    session_of_lesion: Ints  # one a lesion
    patients: int


def calendar(scenario: Scenario) -> tuple[int, int]:
    """First and last day of the service's records, as days since 1970-01-01."""
    first = date(scenario.last_year - scenario.years + 1, 1, 2)
    return (first - EPOCH).days, (date(scenario.last_year, 12, 31) - EPOCH).days


def invent_frame(lesions: int, seed: int, scenario: Scenario) -> Frame:
    """Patients, limbs and sessions holding exactly `lesions` lesions."""
    rng = stream(seed, "frame")
    # Every patient has at least one lesion, so as many patients as lesions is always enough; the rest are cut off.
    limbs_of = 1 + flags(rng, SECOND_LIMB, lesions).astype(np.int64)
    patient_of_limb = np.repeat(np.arange(lesions), limbs_of)
    second = np.concatenate([[False], patient_of_limb[1:] == patient_of_limb[:-1]])
    first_side = pick(rng, (0.5, 0.5), lesions)
    side_of_limb = np.where(second, 1 - first_side[patient_of_limb], first_side[patient_of_limb])
    limb = np.repeat(np.arange(len(patient_of_limb)), 1 + pick(rng, SESSIONS_A_LIMB, len(patient_of_limb)))
    session = np.repeat(np.arange(len(limb)), 1 + pick(rng, scenario.lesions_a_session, len(limb)))[:lesions]
    limb = limb[: session[-1] + 1]
    patient, side = patient_of_limb[limb], side_of_limb[limb]
    day = _days(rng, patient, scenario)
    order = np.lexsort((patient, day))  # one patient never has two sessions on one day
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return Frame(patient[order], side[order], day[order], np.sort(rank[session]), int(patient[-1]) + 1)


def _days(rng: np.random.Generator, patient: Ints, scenario: Scenario) -> Ints:
    """A weekday for each session; a patient's later sessions follow by three weeks to ten months."""
    first_day, last_day = calendar(scenario)
    starts = np.concatenate([[True], patient[1:] != patient[:-1]])
    gap = np.where(starts, 0, rng.integers(21, 300, len(patient)))
    since = np.cumsum(gap)
    since = since - since[np.flatnonzero(starts)][patient]
    longest = last_day - first_day
    span = np.maximum.reduceat(since, np.flatnonzero(starts))
    # Many sessions of one patient are squeezed into the records rather than falling past their end.
    squeeze = np.minimum(1.0, longest / np.maximum(span, 1))
    room = longest - np.minimum(span, longest)
    base = first_day + np.floor(rng.random(len(span)) * (room + 1))
    day = np.floor(base[patient] + since * squeeze[patient]).astype(np.int64)
    weekday = (day + 3) % 7  # 1970-01-01 was a Thursday; Monday is 0
    return np.asarray(day - np.where(weekday >= 5, weekday - 4, 0), dtype=np.int64)


def invent_patients(frame: Frame, seed: int, scenario: Scenario) -> Patients:
    """Age, sex, illnesses and frailty; correlations as in CLTI (common practice, no source)."""
    rng = stream(seed, "patients")
    n = frame.patients
    age = np.clip(np.round(73.0 + 9.5 * rng.standard_normal(n)), 50, 93).astype(np.int64)
    decades = (age - 73) / 10.0
    sex = pick(rng, (0.36, 0.64), n)
    any_diabetes = flags(rng, expit(0.65 - 0.35 * decades), n)
    diabetes = np.where(any_diabetes, 1 + flags(rng, 0.52, n), 0)
    renal_weights = np.column_stack(
        [
            np.ones(n),
            np.exp(-0.95 + 0.35 * any_diabetes + 0.35 * decades),
            np.exp(-2.0 + 0.75 * any_diabetes - 0.15 * decades),
        ]
    )
    renal = pick_each(rng, renal_weights)
    smoking = pick_each(
        rng, np.column_stack([np.where(sex == 0, 0.45, 0.25), np.full(n, 0.45), np.exp(-1.2 - 0.5 * decades)])
    )
    coronary = flags(rng, expit(-0.2 + 0.25 * decades + 0.3 * any_diabetes + 0.3 * (renal == 2)), n)
    failure = flags(rng, expit(-1.7 + 0.3 * decades + 0.9 * coronary + 0.4 * (renal > 0)), n)
    walks = flags(rng, expit(1.6 - 0.45 * decades - 0.6 * (renal == 2) - 0.4 * failure), n)
    first_day = np.full(n, np.iinfo(np.int64).max)
    np.minimum.at(first_day, frame.patient, frame.day)
    first_year = first_day.astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64) + 1970
    return Patients(
        age=age,
        birth_year=first_year - age,
        sex=sex,
        diabetes=diabetes.astype(np.int64),
        renal=renal,
        smoking=smoking,
        coronary_disease=coronary,
        heart_failure=failure,
        ambulatory=walks,
        frailty=scenario.frailty_sd * rng.standard_normal(n),
    )
