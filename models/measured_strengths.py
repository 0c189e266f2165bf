"""How strong the measured traits are, so that a reader can tell how strong "as strong as calcium grade" is.

Each covariate is left out in turn, with all its terms (levels, curves, products), from two linear regressions on the terms of the score:
of the approach on the other covariates, and of the outcome on approach and the others (a linear probability model). What it adds to each, as partial R squared,
is its observed strength; a hidden trait "k times as strong" gets its bounds from these (Cinelli & Hazlett 2020, J R Stat Soc B 82:39-67,
section 4.4 and equations 12 to 15). The regressions are linear whatever the main analysis uses: they measure strength, they estimate nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from models.logistic import CHUNK_ROWS
from models.omitted_bias import Strength

Floats = NDArray[np.float64]

# Strengths are compared up to this many times a measured trait's; further is no comparison with it any more (our choice, no source).
MOST_TIMES = 100.0


@dataclass(frozen=True, slots=True)
class MeasuredStrength:
    """One covariate's observed strength.

    `approach`, `outcome`: partial R squared with approach given the other covariates, with outcome given those and the approach. `moves`: how much
    the regression's risk difference changes when the covariate is left out. `gap` and `effect` put it on the bias surface: a yes/no trait
    of half the lesions that moves the difference as much would be commoner by `gap` in lesions started from below and raise the risk by
    `effect`; their product is `moves`.
    """

    name: str
    approach: float
    outcome: float
    moves: float
    gap: float
    effect: float

    def times(self, times: float) -> Strength | None:
        """Bounds of a hidden trait `times` as strong, with both; None when no trait can be so strong."""
        return strength_relative_to(self.approach, self.outcome, times, times)


def strength_relative_to(
    approach: float, outcome: float, times_approach: float, times_outcome: float
) -> Strength | None:
    """Cinelli & Hazlett 2020, equations 12 and 15, for a covariate of partial R squared `approach` and `outcome`.

    None when the approach's share would reach 1: nothing can be that strong. The outcome's share is cut at 1.
    """
    rest = 1 - approach
    if rest <= 0 or times_approach * approach >= rest:
        return None
    shared = times_approach * approach**2 / ((1 - times_approach * approach) * rest)
    if shared >= 1 or outcome >= 1:
        return None
    widened = (np.sqrt(times_outcome) + np.sqrt(shared)) ** 2 / (1 - shared)
    return Strength(times_approach * approach / rest, float(min(1.0, widened * outcome / (1 - outcome))))


def measured_strengths(
    outcome: Floats, treated: Floats, matrix: Floats, groups: Sequence[str]
) -> tuple[MeasuredStrength, ...]:
    """The strength of each covariate, in order of first appearance.

    `outcome`, `treated` (n,); `matrix` (p, n) with a constant row; `groups` (p,) the covariate that each row belongs to, two joined with
    " x " for a product, which then belongs to both, and "constant" for the constant. One pass over the rows. Empty when the approach or the outcome
    does not vary beyond what the terms tell.
    """
    gram = _cross_products(matrix, treated, outcome)
    p = len(matrix)
    terms, a, y = list(range(p)), p, p + 1
    left_a, left_y = _left(gram, terms, a), _left(gram, [*terms, a], y)
    if left_a <= 1e-9 * gram[a, a] or left_y <= 1e-9 * max(gram[y, y], 1e-300):
        return ()
    coefficients = _coefficients(gram, [*terms, a], y)
    names = dict.fromkeys(name for group in groups for name in group.split(" x ") if name != "constant")
    constant = next((j for j, group in enumerate(groups) if group == "constant"), None)
    found = []
    for name in names:
        inside = [j for j in terms if name in groups[j].split(" x ")]
        others = [j for j in terms if j not in inside]
        shorter = _coefficients(gram, [*others, a], y)
        moves = float(shorter[-1] - coefficients[-1])
        spread = _spread(gram, inside, coefficients[inside], constant)
        found.append(
            MeasuredStrength(
                name,
                max(0.0, 1 - left_a / _left(gram, others, a)),
                max(0.0, 1 - left_y / _left(gram, [*others, a], y)),
                moves,
                0.5 * moves / spread if spread > 0 else 0.0,
                2 * spread,
            )
        )
    return tuple(found)


def strongest(measured: Sequence[MeasuredStrength]) -> MeasuredStrength | None:
    """The covariate whose equal could do most harm: the largest bias factor of a trait once as strong. None when there is none."""
    able = [(strength.bias_factor, m) for m in measured if (strength := m.times(1.0)) is not None]
    return max(able, key=lambda pair: (pair[0], pair[1].name))[1] if able else None


def times_needed(measured: MeasuredStrength, scale: float, distance: float) -> float | None:
    """How many times as strong as this covariate a hidden trait must be to move the difference by `distance`; `scale` is S.

    None when not even the strongest possible, or one of MOST_TIMES, can.
    """

    def short_of(times: float) -> float:
        strength = measured.times(times)
        return (np.inf if strength is None else scale * strength.bias_factor) - distance

    if distance <= 0:
        return 0.0
    if measured.times(0.0) is None:
        return None
    highest = MOST_TIMES
    if measured.approach > 0:
        highest = min(highest, (1 - measured.approach) / measured.approach * (1 - 1e-9))
    while measured.times(highest) is None:
        highest *= 0.99
    if short_of(highest) < 0:
        return None
    return float(brentq(short_of, 0.0, highest, xtol=1e-9))


def _cross_products(matrix: Floats, treated: Floats, outcome: Floats) -> Floats:
    """Sums of products of the terms, the approach and the outcome, (p + 2, p + 2)."""
    total = np.zeros((len(matrix) + 2, len(matrix) + 2))
    for start in range(0, len(treated), CHUNK_ROWS):
        part = slice(start, start + CHUNK_ROWS)
        rows = np.vstack([matrix[:, part], treated[part], outcome[part]])
        total += rows @ rows.T
    return total


def _coefficients(gram: Floats, on: list[int], of: int) -> Floats:
    return np.asarray(np.linalg.lstsq(gram[np.ix_(on, on)], gram[on, of], rcond=1e-12)[0], dtype=np.float64)


def _left(gram: Floats, on: list[int], of: int) -> float:
    """Residual sum of squares of row `of` regressed on the rows `on`."""
    return float(gram[of, of] - gram[on, of] @ _coefficients(gram, on, of)) if on else float(gram[of, of])


def _spread(gram: Floats, inside: list[int], pull: Floats, constant: int | None) -> float:
    """SD over the lesions of what the covariate adds to the predicted outcome."""
    square = float(pull @ gram[np.ix_(inside, inside)] @ pull)
    if constant is None:
        return 0.0
    n = gram[constant, constant]
    mean = float(gram[constant, inside] @ pull) / n
    return float(np.sqrt(max(0.0, square / n - mean**2)))
