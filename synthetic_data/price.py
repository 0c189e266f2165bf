"""What a session cost: minutes, fluoroscopy, air kerma and contrast, following the attempts made. Common practice, no source."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic_data.attempts import Course
from synthetic_data.chance import Reals, stream, within
from synthetic_data.lesions import Lesions
from synthetic_data.patients import Patients
from synthetic_data.sessions import Sessions


@dataclass(frozen=True, slots=True)
class Price:
    """One entry a session."""

    duration_min: Reals
    fluoroscopy_min: Reals
    air_kerma_mgy: Reals
    contrast_ml: Reals


def price(course: Course, lesions: Lesions, sessions: Sessions, patients: Patients, seed: int) -> Price:
    """Minutes (never less than the attempts' own), screening, dose and contrast of each session."""
    rng = stream(seed, "price")
    n = len(sessions.patient)

    def total(per_lesion: Reals) -> Reals:
        return np.asarray(np.bincount(lesions.session, weights=per_lesion, minlength=n), dtype=np.float64)

    crossing = total(course.minutes.sum(axis=0))
    tries = total(course.made.sum(axis=0).astype(np.float64))
    treated = total(course.crossed_in_session.astype(np.float64))
    duration = np.round(crossing + within(rng, 24.0, 0.3, 10, 90, n) + treated * within(rng, 26.0, 0.35, 8, 90, n))
    fluoroscopy = np.round(0.62 * crossing + (duration - crossing) * (0.22 + 0.10 * rng.random(n)), 1)
    # The thigh needs about twice the dose rate of the calf; habitus spreads it further.
    thigh = total((~lesions.below_knee).astype(np.float64)) > 0
    rate = within(rng, np.where(thigh, 30.0, 15.0), 0.55, 3.0, 150.0, n)
    spared = np.asarray([1.0, 0.72, 0.90])[patients.renal[sessions.patient]]
    contrast = within(rng, (45.0 + 14.0 * tries + 12.0 * treated + 0.25 * crossing) * spared, 0.25, 15, 400, n)
    return Price(duration, fluoroscopy, np.round(fluoroscopy * rate), np.round(contrast / 5.0) * 5.0)
