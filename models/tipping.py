"""How far unrecorded values would have to differ from recorded ones for the answer to turn.

A pattern-mixture analysis with delta adjustment (Rubin 1987, section 6.2; Carpenter & Kenward 2013, Multiple Imputation and its Application, chapter 10; van
Buuren 2018, section 9.2): values are imputed with a shift, the estimator is run on them as on any completed data, and the table shows where the interval
begins or ceases to hold no difference (the tipping point: Yan, Lee & Li 2009, J Biopharm Stat 19:1085-1098). Whether a shift of that size is
possible is for the reader to say, who knows why values were not recorded.

The completed data come from models.multiple_imputation.impute_departing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from models.chained_equations import Departure
from models.sensitivity_results import TippingCell

Shifted = Literal["both", "retrograde", "antegrade", "each"]


@dataclass(frozen=True, slots=True)
class TippingPoint:
    """The shift nearest to zero at which the verdict turns, on each side of zero: `below` is negative, `above` positive.

    Either is None when the verdict holds as far as was tried, to `tried_below` and `tried_above`. `claims`: whether a difference is claimed at a shift of zero. In
    `sentence` all of it in words.
    """

    claims: bool
    below: float | None
    above: float | None
    tried_below: float
    tried_above: float
    sentence: str


def departures(trait: str, deltas: Sequence[float], shifted: Shifted) -> tuple[Departure, ...]:
    """Departures from missing at random for `trait` (a covariate's name, or "all").

    One for each of `deltas` where "both" approaches or only one of them are shifted; for "each" one for every pair of shifts, those of lesions started from below
    outermost. Deltas in SD of a number, in log odds for each level up of a category.
    """
    if shifted == "each":
        return tuple(Departure(trait, below, above) for below in deltas for above in deltas)
    below, above = shifted != "antegrade", shifted != "retrograde"
    return tuple(Departure(trait, d if below else 0.0, d if above else 0.0) for d in deltas)


def tipping_point(cells: Sequence[TippingCell], shifted: Shifted, null: float = 0.0) -> TippingPoint | None:
    """Where the verdict turns along cells of one endpoint and trait that differ in one shift ("both" being one).

    Between two shifts the limits are taken as straight lines. The verdict turns when the interval begins or ceases to hold `null`, or jumps over it. None
    without an estimate at a shift of zero, or where cells were tried in "each" approach by itself.
    """
    if shifted == "each":
        return None
    rows = sorted(
        (c.shift_antegrade if shifted == "antegrade" else c.shift_retrograde, c.lower - null, c.upper - null)
        for c in cells
        if c.lower is not None and c.upper is not None
    )
    zero = [r for r in rows if r[0] == 0.0]
    if not zero:
        return None
    start = zero[0]
    claims = start[1] > 0 or start[2] < 0
    above = _turn([r for r in rows if r[0] >= 0])
    below = _turn([r for r in reversed(rows) if r[0] <= 0])
    tried = rows[0][0], rows[-1][0]
    return TippingPoint(claims, below, above, tried[0], tried[1], _sentence(claims, below, above, *tried))


def _turn(rows: list[tuple[float, float, float]]) -> float | None:
    """The first shift, going away from zero, at which the verdict is another one than at zero. Rows (shift, lower, upper), first that of zero."""
    for (d0, low0, up0), (d1, low1, up1) in pairwise(rows):
        if low0 > 0 or up0 < 0:
            near, far = (low0, low1) if low0 > 0 else (-up0, -up1)
            if far <= 0:
                return d0 + (d1 - d0) * near / (near - far)
        else:
            turns = [near / (near - far) for near, far in ((-low0, -low1), (up0, up1)) if far < 0]
            if turns:
                return d0 + (d1 - d0) * min(turns)
    return None


def _sentence(claims: bool, below: float | None, above: float | None, least: float, most: float) -> str:
    verdict = "the interval leaves out no difference" if claims else "the interval holds no difference"
    turned = [f"{x:.2g}" for x in (below, above) if x is not None]
    if not turned:
        return f"At every shift tried, from {least:g} to {most:g}, {verdict}."
    return f"Without a shift {verdict}; that turns at a shift of {' or '.join(turned)}."
