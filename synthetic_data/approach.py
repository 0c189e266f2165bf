"""The choice of the first approach, in the order of the dates: an operator who has gone below before goes below sooner."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from synthetic_data.chance import Flags, Ints, Reals, stream
from synthetic_data.crossing import LEARNING, MOST_EXPERIENCE
from synthetic_data.lesions import Lesions
from synthetic_data.sessions import Operators, Sessions


@dataclass(frozen=True, slots=True)
class Choices:
    """One entry a lesion: the true score, the approach taken, and the operator's earlier cases from below.

    `experience` counts the operator's lesions on strictly earlier dates whose first attempt was from below, within these records.
    """

    probability_below: Reals
    from_below: Flags
    experience: Ints


def choose(logit: Reals, lesions: Lesions, sessions: Sessions, operators: Operators, seed: int) -> Choices:
    """First approaches drawn one after another; lesions must be in the order of their sessions' dates."""
    n = len(logit)
    drawn = stream(seed, "choice").random(n).tolist()
    base, operator, day = (
        logit.tolist(),
        sessions.operator[lesions.session].tolist(),
        sessions.day[lesions.session].tolist(),
    )
    gain = [LEARNING.choice * math.log1p(min(count, MOST_EXPERIENCE) / 4.0) for count in range(MOST_EXPERIENCE + 1)]
    before, today = [0] * len(operators.site), [0] * len(operators.site)
    last_day = [-1] * len(operators.site)
    probability, taken, experience = [0.0] * n, [False] * n, [0] * n
    for i in range(n):
        who = operator[i]
        if day[i] != last_day[who]:
            before[who] += today[who]
            today[who], last_day[who] = 0, day[i]
        count = before[who]
        p = 1.0 / (1.0 + math.exp(-base[i] - gain[min(count, MOST_EXPERIENCE)]))
        below = drawn[i] < p
        today[who] += below
        probability[i], taken[i], experience[i] = p, below, count
    return Choices(np.asarray(probability), np.asarray(taken, dtype=np.bool_), np.asarray(experience, dtype=np.int64))
