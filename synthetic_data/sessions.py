"""One session: who did it, where, how urgent, and the state of the limb that day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic_data.chance import Flags, Ints, Reals, expit, flags, pick, stream
from synthetic_data.patients import Frame, Patients
from synthetic_data.scenario import Scenario

# Each operator's ways, in logits unless said; position 0 first. Site A has the first five of nine. Common practice, no source.
HABIT_BELOW = (0.75, -0.45, 0.15, -0.85, 0.35, -0.25, 0.55, -0.65, 0.05)  # readiness to start from below
SKILL_ABOVE = (0.10, 0.20, -0.10, 0.15, -0.20, 0.00, 0.15, -0.15, -0.15)
SKILL_BELOW = (0.25, -0.15, 0.05, -0.25, 0.10, 0.00, 0.20, -0.15, 0.00)  # before the learning seen in these records
PATIENCE_MIN = (20.0, 30.0, 25.0, 40.0, 30.0, 25.0, 20.0, 35.0, 30.0)  # minutes after which an attempt is given up
VOLUME = (1.5, 1.0, 1.1, 0.8, 0.6, 1.3, 1.1, 0.9, 0.7)
SITE_OF_NINE = (0, 0, 0, 0, 0, 1, 1, 1, 1)


@dataclass(frozen=True, slots=True)
class Operators:
    """One entry an operator; logits unless said."""

    site: Ints
    habit_below: Reals
    skill_above: Reals
    skill_below: Reals
    patience_min: Reals
    volume: Reals


@dataclass(frozen=True, slots=True)
class Sessions:
    """One entry a session, in order of date. Codes are positions in the dictionary's `codes`."""

    patient: Ints
    side: Ints
    day: Ints
    age: Ints  # years on the day, from the birth year
    site: Ints
    operator: Ints
    urgency: Ints
    rutherford: Ints
    wound: Ints
    ischemia: Ints
    foot_infection: Ints
    abi: Reals
    toe_pressure_mmhg: Reals
    bypass_in_limb: Flags
    earlier_endovascular: Flags


def invent_operators(lesions: int, scenario: Scenario) -> Operators:
    """The operators: the same nine ways of working repeat where a large extract needs more of them."""
    count = max(scenario.operators, round(lesions / scenario.lesions_per_operator))
    ways = np.arange(count) % len(HABIT_BELOW)
    if count == len(SITE_OF_NINE) and scenario.sites == 2:
        site = np.asarray(SITE_OF_NINE)
    else:
        sites = max(scenario.sites, round(count * scenario.sites / scenario.operators))
        site = np.arange(count) * sites // count

    def of_each(values: tuple[float, ...]) -> Reals:
        return np.asarray(values, dtype=float)[ways]

    return Operators(
        site=site.astype(np.int64),
        habit_below=of_each(HABIT_BELOW),
        skill_above=of_each(SKILL_ABOVE),
        skill_below=of_each(SKILL_BELOW),
        patience_min=of_each(PATIENCE_MIN),
        volume=of_each(VOLUME),
    )


def invent_sessions(frame: Frame, patients: Patients, operators: Operators, seed: int) -> Sessions:
    """Operators by volume within the patient's usual site, limb stages and pressures that agree with each other."""
    rng = stream(seed, "sessions")
    n = len(frame.patient)
    diabetes, renal = patients.diabetes[frame.patient] > 0, patients.renal[frame.patient]
    operator = _operator(rng, frame, operators)
    severity = rng.standard_normal(n) + 0.25 * (renal == 2)
    rutherford = 3 + (severity > -1.75).astype(np.int64) + (severity > -0.85) + (severity > 1.05)
    tissue_loss = rutherford >= 5
    wound = np.where(tissue_loss, np.where(rutherford == 6, 2 + flags(rng, 0.55, n), 1 + flags(rng, 0.3, n)), 0)
    infected = tissue_loss & flags(rng, expit(-0.6 + 0.6 * diabetes + 0.4 * (wound >= 2)), n)
    infection = np.where(infected, 1 + pick(rng, (0.55, 0.35, 0.10), n), 0)
    toe = np.clip(34.0 - 8.0 * severity + 6.0 * (rutherford == 3) + 11.0 * rng.standard_normal(n), 2, 110)
    toe = np.round(toe)
    # Toe pressure takes precedence and sets the grade: 30, 40 and 60 mmHg (WIfI, Mills 2014).
    ischemia = 3 - (toe >= 30).astype(np.int64) - (toe >= 40) - (toe >= 60)
    stiff = flags(rng, expit(-3.0 + 1.3 * diabetes + 1.3 * (renal == 2)), n)
    abi = np.where(
        stiff, 1.31 + 0.5 * rng.random(n), np.clip(0.16 + 0.0105 * toe + 0.08 * rng.standard_normal(n), 0.05, 1.2)
    )
    bypass = flags(rng, 0.13, n)
    year = frame.day.astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64) + 1970
    urgent = expit(-1.6 + 0.5 * (rutherford == 6) + 1.0 * (infection >= 2))
    urgency = np.where(flags(rng, urgent, n), 1 + flags(rng, 0.12, n), 0)
    return Sessions(
        patient=frame.patient,
        side=frame.side,
        day=frame.day,
        age=year - patients.birth_year[frame.patient],
        site=operators.site[operator],
        operator=operator,
        urgency=urgency.astype(np.int64),
        rutherford=rutherford,
        wound=wound.astype(np.int64),
        ischemia=ischemia,
        foot_infection=infection.astype(np.int64),
        abi=np.asarray(np.round(abi, 2), dtype=np.float64),
        toe_pressure_mmhg=toe,
        bypass_in_limb=bypass,
        earlier_endovascular=flags(rng, 0.32, n),
    )


def _operator(rng: np.random.Generator, frame: Frame, operators: Operators) -> Ints:
    """An operator of the patient's usual site, by volume; one session in twenty is anywhere."""
    home = operators.site[pick(rng, tuple(operators.volume), frame.patients)][frame.patient]
    anywhere = pick(rng, tuple(operators.volume), len(home))
    site = np.where(flags(rng, 0.05, len(home)), operators.site[anywhere], home)
    # Operators stand in the order of their sites: each site's share of the running total of volume is drawn from.
    total = np.cumsum(operators.volume)
    ends = total[np.searchsorted(operators.site, site, side="right") - 1]
    starts = np.concatenate([[0.0], total])[np.searchsorted(operators.site, site, side="left")]
    drawn = starts + rng.random(len(home)) * (ends - starts)
    return np.asarray(np.minimum(np.searchsorted(total, drawn, side="right"), len(total) - 1), dtype=np.int64)
