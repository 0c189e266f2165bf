"""What makes a lesion hard: the pull of each characteristic on the choice and on crossing by either approach.

All numbers are in logits and ours (common practice, no source); the direction of the cap, length and calcium effects follows Saab
2018 and Bernardini 2022: long, severely calcified occlusions with a convex proximal and a concave distal cap cross poorly from above.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from synthetic_data.chance import Ints, Reals, expit
from synthetic_data.lesions import (
    ANTERIOR_TIBIAL,
    DORSALIS_PEDIS,
    HIDDEN_SHARE,
    PERONEAL,
    POPLITEAL,
    TRUNK,
    Lesions,
)
from synthetic_data.patients import Patients
from synthetic_data.scenario import Scenario
from synthetic_data.sessions import Operators, Sessions

MOST_EXPERIENCE = 120  # earlier cases from below after which nothing more is learned


class Pull(NamedTuple):
    """What one characteristic adds, in logits: to starting from below, to crossing from above, to crossing from below."""

    characteristic: str
    choice: float
    above: float
    below: float


INTERCEPT = Pull("intercept", -3.15, 3.95, 3.68)
PULLS: tuple[Pull, ...] = (
    Pull("log_length", 0.50, -0.85, -0.70),
    Pull("beyond_200_mm", 0.40, -0.55, -0.30),
    Pull("age_decades", 0.05, -0.10, -0.10),
    Pull("age_decades_squared", -0.10, 0.00, 0.00),
    Pull("mild_calcium", 0.15, -0.25, -0.25),
    Pull("moderate_calcium", 0.50, -0.80, -0.65),
    Pull("severe_calcium", 1.05, -1.65, -1.30),
    Pull("severe_calcium_x_log_length", 0.25, -0.25, -0.10),
    Pull("convex_proximal", 0.70, -0.85, -0.45),
    Pull("concave_distal", 0.25, -0.15, 0.05),
    Pull("convex_proximal_x_concave_distal", 0.40, -0.30, 0.00),
    Pull("popliteal", 0.10, -0.15, -0.15),
    Pull("trunk", -0.10, -0.15, -0.25),
    Pull("tibial", 0.50, -0.75, -0.65),
    Pull("pedal", 0.10, -0.80, -1.00),
    Pull("patent_bypass", 0.25, -0.20, -0.15),
    Pull("occluded_bypass", 0.80, -1.05, -0.90),
    Pull("in_stent", 0.40, -0.45, -0.35),
    Pull("no_runoff", 0.05, -0.60, -0.75),
    Pull("one_vessel_runoff", 0.25, -0.45, -0.45),
    Pull("kidney_disease", 0.10, -0.15, -0.15),
    Pull("dialysis", 0.35, -0.60, -0.55),
    Pull("diabetes", 0.10, -0.15, -0.15),
    Pull("major_tissue_loss", 0.35, -0.45, -0.45),
)
# Curves and combinations, each of mean about 0: a model of straight lines, splines of single traits and the usual pairs holds none.
BENDS: tuple[Pull, ...] = (
    Pull("age_decades_x_log_length", 0.90, -0.90, -0.80),
    Pull("age_far_from_73", 0.70, -0.70, -0.60),
    Pull("diabetes_or_convex_not_both", 0.80, -0.90, -0.80),
    Pull("middle_length_x_calcium", 0.70, -0.80, -0.70),
)
# What no table holds: the look of the angiogram.
HIDDEN_LOOK = Pull("hidden_look", 1.05, -1.65, -1.30)
LEARNING = Pull("experience", 0.10, 0.00, 0.16)  # a unit of log(1 + earlier cases / 4)


# Chance, in logits, that a puncture below gives no usable wire position, whatever the lesion above it is like.
NO_ACCESS = -3.2
NO_ACCESS_PULLS = {"pedal": 0.5, "no_runoff": 0.5, "one_vessel_runoff": 0.2, "dialysis": 0.4}
SAME_AGAIN = -0.9  # logits a failed attempt by the same approach
MEETING = 0.4  # logits when the other approach has already failed: the two wires can meet


@dataclass(frozen=True, slots=True)
class Logits:
    """One entry a lesion, before experience is added: the choice, and crossing from above and, once in, from below."""

    choice: Reals
    above: Reals
    below: Reals
    no_access: Reals  # probability that the puncture below fails


def characteristics(lesions: Lesions, sessions: Sessions, patients: Patients) -> dict[str, Reals]:
    """The characteristics named in PULLS, one array of lesions each."""
    session = lesions.session
    patient = sessions.patient[session]
    log_length = np.log(lesions.length_mm / 110.0)
    decades = (sessions.age[session] - 73) / 10.0
    severe = lesions.calcium == 3
    segment, renal = lesions.segment, patients.renal[patient]
    found = {
        "log_length": log_length,
        # Smooth, and not a spline: a fitted spline comes near it without being it.
        "beyond_200_mm": expit((lesions.length_mm - 200.0) / 25.0),
        "age_decades": decades,
        "age_decades_squared": decades**2,
        "mild_calcium": lesions.calcium == 1,
        "moderate_calcium": lesions.calcium == 2,
        "severe_calcium": severe,
        "severe_calcium_x_log_length": severe * log_length,
        "convex_proximal": lesions.convex_proximal,
        "concave_distal": lesions.concave_distal,
        "convex_proximal_x_concave_distal": lesions.convex_proximal & lesions.concave_distal,
        "popliteal": segment == POPLITEAL,
        "trunk": segment == TRUNK,
        "tibial": (segment >= ANTERIOR_TIBIAL) & (segment <= PERONEAL),
        "pedal": segment >= DORSALIS_PEDIS,
        "patent_bypass": lesions.prior_bypass == 1,
        "occluded_bypass": lesions.prior_bypass == 2,
        "in_stent": lesions.in_stent,
        "no_runoff": lesions.runoff == 0,
        "one_vessel_runoff": lesions.runoff == 1,
        "kidney_disease": renal == 1,
        "dialysis": renal == 2,
        "diabetes": patients.diabetes[patient] > 0,
        "major_tissue_loss": sessions.rutherford[session] == 6,
    }
    return {name: np.asarray(values, dtype=np.float64) for name, values in found.items()}


def bends(lesions: Lesions, sessions: Sessions, patients: Patients) -> dict[str, Reals]:
    """The curves and combinations named in BENDS, one array of lesions each."""
    log_length = np.log(lesions.length_mm / 110.0)
    decades = (sessions.age[lesions.session] - 73) / 10.0
    diabetes = patients.diabetes[sessions.patient[lesions.session]] > 0
    middle = np.abs(log_length) < 0.4
    return {
        "age_decades_x_log_length": decades * log_length,
        "age_far_from_73": np.minimum(decades**2, 4.0) - 0.9,
        "diabetes_or_convex_not_both": np.where(diabetes != lesions.convex_proximal, 0.5, -0.5),
        "middle_length_x_calcium": np.where(middle, lesions.calcium - 1.5, 0.0),
    }


def logits(
    lesions: Lesions, sessions: Sessions, patients: Patients, operators: Operators, scenario: Scenario
) -> Logits:
    """The three logits of every lesion, operators' habits and skills and the patient's frailty included."""
    found = characteristics(lesions, sessions, patients)
    design = np.column_stack([found[pull.characteristic] for pull in PULLS])
    operator = sessions.operator[lesions.session]
    frailty = patients.frailty[sessions.patient[lesions.session]]
    pulls = np.asarray([pull[1:] for pull in PULLS])
    pull = design @ pulls + _beyond_the_usual(lesions, sessions, patients, scenario)
    shift = INTERCEPT.choice + scenario.choice_shift
    choice = shift + scenario.confounding * pull[:, 0] + operators.habit_below[operator]
    above = INTERCEPT.above + pull[:, 1] + operators.skill_above[operator] - frailty
    below = INTERCEPT.below + pull[:, 2] + operators.skill_below[operator] - frailty
    puncture = np.full(len(choice), NO_ACCESS)
    for name, more in NO_ACCESS_PULLS.items():
        puncture = puncture + more * found[name]
    return Logits(choice, above, below, expit(puncture))


def _beyond_the_usual(lesions: Lesions, sessions: Sessions, patients: Patients, scenario: Scenario) -> Reals:
    """What bends and the hidden look add to the three logits, (lesions, 3)."""
    added = np.zeros((len(lesions.session), 3))
    if scenario.bends:
        found = bends(lesions, sessions, patients)
        design = np.column_stack([found[pull.characteristic] for pull in BENDS])
        added += scenario.bends * (design @ np.asarray([pull[1:] for pull in BENDS]))
    if scenario.hidden:
        added += scenario.hidden * np.outer(lesions.hidden_look - HIDDEN_SHARE, HIDDEN_LOOK[1:])
    return added


def learned(experience: Ints) -> Reals:
    """What `experience` earlier cases from below add, as a multiple of LEARNING's pulls."""
    return np.log1p(np.minimum(experience, MOST_EXPERIENCE) / 4.0)


@dataclass(frozen=True, slots=True)
class Chances:
    """Chances of crossing for every lesion, with the operator's experience on the day; the truth behind each attempt."""

    above: Reals  # logits
    below: Reals  # logits, once access is gained
    no_access: Reals  # probability
    effect: float

    def crossing(self, *, from_below: bool, failed_above: int = 0, failed_below: int = 0) -> Reals:
        """Probability of crossing in an attempt, one a lesion, after that many failed attempts by each approach."""
        same, other = (failed_below, failed_above) if from_below else (failed_above, failed_below)
        shift = SAME_AGAIN * same + (MEETING if other else 0.0)
        as_above = expit(self.above + shift)
        if not from_below:
            return as_above
        designed = (1.0 - self.no_access) * expit(self.below + shift)
        return as_above + self.effect * (designed - as_above)


def chances(found: Logits, experience: Ints, scenario: Scenario) -> Chances:
    """Chances of crossing once each operator's experience is known."""
    return Chances(
        above=found.above + LEARNING.above * learned(experience),
        below=found.below + LEARNING.below * learned(experience),
        no_access=found.no_access,
        effect=scenario.effect,
    )
