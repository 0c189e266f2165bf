"""The attempts on each lesion, under both possible starts: what happens, what the operator does next, and how long it takes.

Every lesion is played out twice, once started from above and once from below, so that both potential outcomes are known; the
attempts that reach the tables are those of the start that was chosen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.case_tables import ATTEMPTS
from synthetic_data.chance import Flags, Ints, Reals, expit, stream
from synthetic_data.crossing import Chances

MOST_ATTEMPTS = 4
REASONS = ATTEMPTS.column("stopped_because").codes
CROSSED, WOULD_NOT_CROSS, DISSECTION_PLANE, PERFORATION, PUNCTURE_FAILED, LIMIT_REACHED, PATIENT = range(7)
# Why a failed attempt ends; common practice, no source. Failed punctures and the clock take their share of what did no harm.
PERFORATION_SHARE, PATIENT_SHARE, DISSECTION_SHARE = 0.03, 0.05, 0.25
HARM_SHARE = PERFORATION_SHARE + PATIENT_SHARE
GO_ON_AFTER_HARM = 0.25  # share of the usual readiness after a perforation or a patient who cannot go on
SWITCH_FROM_ABOVE = 0.75  # logits: readiness to try the other approach after a failure from above
SWITCH_FROM_BELOW = 0.35
SWITCH_LATER = -1.0  # logits for each attempt after the first
SAME_AGAIN_SHARE = 0.3  # of those who do not switch
MEDIAN_TO_CROSS_MIN = 11.0
MEDIAN_TO_FAIL_MIN = 22.0


@dataclass(frozen=True, slots=True)
class Course:
    """Attempts on every lesion under one start; arrays of (MOST_ATTEMPTS, lesions). `made` marks the attempts that happened."""

    made: Flags
    from_below: Flags
    crossed: Flags
    reason: Ints  # position in REASONS
    minutes: Reals
    crossed_in_session: Flags  # one a lesion
    session_probability: Reals  # one a lesion: chance of crossing by any attempt of this start


@dataclass(frozen=True, slots=True)
class Readiness:
    """What decides the next step after a failure, one entry a lesion."""

    boldness: Reals  # logits
    patience_min: Reals


def next_steps(readiness: Readiness, effect: float, *, from_below: bool, attempt: int) -> tuple[Reals, Reals]:
    """Chances of switching approach and of trying the same again after a failed attempt that did no harm."""
    middle = (SWITCH_FROM_ABOVE + SWITCH_FROM_BELOW) / 2
    half = (SWITCH_FROM_ABOVE - SWITCH_FROM_BELOW) / 2
    # Without an effect the two approaches must also be followed alike, or the sessions would differ.
    start = middle + effect * (-half if from_below else half)
    switch = expit(start + SWITCH_LATER * (attempt - 1) + readiness.boldness)
    return switch, (1.0 - switch) * SAME_AGAIN_SHARE


def session_probability(
    chances: Chances,
    readiness: Readiness,
    *,
    from_below: bool,
    attempt: int = 1,
    failed_above: int = 0,
    failed_below: int = 0,
) -> Reals:
    """Chance, one a lesion, that this attempt or any later one crosses: every order of attempts summed."""
    now = chances.crossing(from_below=from_below, failed_above=failed_above, failed_below=failed_below)
    if attempt == MOST_ATTEMPTS:
        return now
    switch, again = next_steps(readiness, chances.effect, from_below=from_below, attempt=attempt)
    harmless = 1.0 - HARM_SHARE * (1.0 - GO_ON_AFTER_HARM)
    after = {
        "attempt": attempt + 1,
        "failed_above": failed_above + (not from_below),
        "failed_below": failed_below + from_below,
    }
    other = session_probability(chances, readiness, from_below=not from_below, **after)
    same = session_probability(chances, readiness, from_below=from_below, **after)
    return np.asarray(now + (1.0 - now) * harmless * (switch * other + again * same))


def puncture_share(chances: Chances, crossing: Reals, *, from_below: bool) -> Reals:
    """Share of the failures that are failed punctures."""
    if not from_below:
        return np.zeros_like(crossing)
    return np.minimum(chances.no_access / np.maximum(1.0 - crossing, 1e-9), 0.7)


def play(chances: Chances, readiness: Readiness, seed: int, *, start_below: bool) -> Course:
    """One course of attempts for every lesion from the given start."""
    rng = stream(seed, "attempts from below" if start_below else "attempts from above")
    n = len(chances.above)
    made = np.zeros((MOST_ATTEMPTS, n), dtype=np.bool_)
    below, crossed = np.zeros_like(made), np.zeros_like(made)
    reason = np.zeros((MOST_ATTEMPTS, n), dtype=np.int64)
    minutes = np.zeros((MOST_ATTEMPTS, n))
    going = np.ones(n, dtype=np.bool_)
    approach = np.full(n, start_below)
    failed = np.zeros((2, n), dtype=np.int64)  # by approach: above, below
    for attempt in range(1, MOST_ATTEMPTS + 1):
        draws = rng.random((3, n))
        clock = rng.standard_normal(n)
        # Only a few lesions are still going after the first attempt: work on those alone.
        on = np.flatnonzero(going)
        few = _few(chances, readiness, on)
        k = attempt - 1
        made[k, on], below[k] = True, approach
        p, puncture = _now(few[0], approach[on], failed[:, on], attempt)
        success = draws[0, on] < p
        why = np.where(success, CROSSED, _reason(draws[1, on], puncture))
        minutes[k, on], why = _minutes(clock[on], why, p, few[1].patience_min)
        crossed[k, on], reason[k, on] = success, why
        switch, again = _step(few[1], chances.effect, approach[on], attempt)
        ready = np.where((why == PERFORATION) | (why == PATIENT), GO_ON_AFTER_HARM, 1.0)
        u = draws[2, on]
        goes_over, repeats = u < ready * switch, u < ready * (switch + again)
        failed[approach[on].astype(np.int64), on] += ~success
        going[on] = ~success & repeats
        approach[on] ^= ~success & goes_over
    return Course(
        made=made,
        from_below=below,
        crossed=crossed,
        reason=reason,
        minutes=minutes,
        crossed_in_session=np.asarray(crossed.any(axis=0)),
        session_probability=session_probability(chances, readiness, from_below=start_below),
    )


def chosen(above: Course, below: Course, from_below: Flags) -> Course:
    """The course that was really taken for each lesion."""
    return Course(
        made=np.where(from_below, below.made, above.made),
        from_below=np.where(from_below, below.from_below, above.from_below),
        crossed=np.where(from_below, below.crossed, above.crossed),
        reason=np.where(from_below, below.reason, above.reason),
        minutes=np.where(from_below, below.minutes, above.minutes),
        crossed_in_session=np.where(from_below, below.crossed_in_session, above.crossed_in_session),
        session_probability=np.where(from_below, below.session_probability, above.session_probability),
    )


def _few(chances: Chances, readiness: Readiness, on: Ints) -> tuple[Chances, Readiness]:
    return (
        Chances(chances.above[on], chances.below[on], chances.no_access[on], chances.effect),
        Readiness(readiness.boldness[on], readiness.patience_min[on]),
    )


def _now(chances: Chances, approach: Flags, failed: Ints, attempt: int) -> tuple[Reals, Reals]:
    """Chance of crossing now and the share of failed punctures among failures, whatever each lesion's history."""
    p, puncture = np.zeros(len(approach)), np.zeros(len(approach))
    for above in range(attempt):
        for from_below in (False, True):
            here = (approach == from_below) & (failed[0] == above) & (failed[1] == attempt - 1 - above)
            if here.any():
                crossing = chances.crossing(from_below=from_below, failed_above=above, failed_below=attempt - 1 - above)
                p = np.where(here, crossing, p)
                puncture = np.where(here, puncture_share(chances, crossing, from_below=from_below), puncture)
    return p, puncture


def _step(readiness: Readiness, effect: float, approach: Flags, attempt: int) -> tuple[Reals, Reals]:
    from_below = next_steps(readiness, effect, from_below=True, attempt=attempt)
    from_above = next_steps(readiness, effect, from_below=False, attempt=attempt)
    return np.where(approach, from_below[0], from_above[0]), np.where(approach, from_below[1], from_above[1])


def _reason(drawn: Reals, puncture: Reals) -> Ints:
    """Why each failure failed, from a uniform draw and the share of failed punctures among failures."""
    edges = (PERFORATION_SHARE, HARM_SHARE, HARM_SHARE + puncture)
    rest = (drawn - edges[2]) / np.maximum(1.0 - edges[2], 1e-9)
    harmless = np.where(
        drawn < edges[2], PUNCTURE_FAILED, np.where(rest < DISSECTION_SHARE, DISSECTION_PLANE, WOULD_NOT_CROSS)
    )
    return np.where(drawn < edges[0], PERFORATION, np.where(drawn < edges[1], PATIENT, harmless))


def _minutes(clock: Reals, reason: Ints, crossing: Reals, patience: Reals) -> tuple[Reals, Ints]:
    """Minutes of an attempt, to half a minute: hard lesions take longer, and the operator's patience ends what would not cross."""
    hard = 1.0 - crossing
    median = np.where(reason == CROSSED, MEDIAN_TO_CROSS_MIN * np.exp(0.6 * hard), MEDIAN_TO_FAIL_MIN)
    median = np.where(reason == PUNCTURE_FAILED, 8.0, np.where(reason == PERFORATION, 14.0, median))
    spread = np.where(reason == CROSSED, 0.55, 0.45)
    drawn = median * np.exp(spread * clock)
    over = drawn > patience
    # A crossing that would have come late comes within the operator's patience; a failure that runs on is stopped by the clock.
    drawn = np.where(over & (reason == CROSSED), patience * (0.6 + 0.4 * patience / np.maximum(drawn, patience)), drawn)
    out_of_time = over & ((reason == WOULD_NOT_CROSS) | (reason == DISSECTION_PLANE))
    drawn = np.where(over & (reason != CROSSED), patience, drawn)
    return np.maximum(np.round(drawn * 2) / 2, 1.0), np.where(out_of_time, LIMIT_REACHED, reason)
