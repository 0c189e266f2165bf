"""One trait given all others: fit, draw the fit's own uncertainty, draw the values. What the chained equations repeat.

A number follows a linear model and its gap takes a recorded value (predictive mean matching: Little 1988, J Bus Econ Stat 6:287-296; type 1 and five
donors: Morris, White & Royston 2014, BMC Med Res Methodol 14:75). A category follows a multinomial logistic model and is drawn from it. Both have a weak
normal prior, as chained equations need where a trait predicts another perfectly (White, Daniel & Royston 2010, Comput Stat Data Anal 54:2267-2275).

The draw of the coefficients knows of patients: b* = b + H^-1 sum over patients of z_g s_g, with H the information, s_g the patient's summed score and z_g standard
normal. Given the data b* is normal with mean b and the cluster sandwich H^-1 [sum s_g s_g'] H^-1 as its variance: the multiplier bootstrap of scores by
cluster (Kline & Santos 2012, J Econom Methods 1:23-41), and the sandwich posterior that has the least risk where the model is not quite right (Müller 2013,
Econometrica 81:1805-1849). A draw that took a patient's lesions as independent would make the answers of the data sets too alike.

Donors, too, are a sample: which of the five gives is drawn with weights from a Bayesian bootstrap of patients (Rubin 1981, Ann Stat 9:130-134), an approximate
Bayesian bootstrap where nothing predicts (Rubin & Schenker 1986, JASA 81:366-374).

For speed each fit is one step of Newton's method from the last sweep's coefficients, with an information matrix kept from a pilot chain: between
sweeps only the imputed predictors change. A step that grows instead of shrinking has its matrix renewed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.logistic import CHUNK_ROWS

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

DONORS = 5  # recorded values that a gap may take (Morris, White & Royston 2014)
PENALTY_OF_CONSTANT = 1e-3  # only so that a level with no lesion has a fit
PENALTY_OF_CORE = (
    1.0  # of approach, outcomes and their products, which the answer is about, and of siblings: one lesion's worth
)
# Of p others: prior SD of a number's coefficient 2/sqrt(p) SD, of a level's 4/sqrt(p) in log odds. Together they may explain everything; a hundred of
# them in a few hundred lesions do not run wild. At 1,500 lesions they shrink a coefficient by 1 to 2 %. Our choice, no source.
PENALTY_OF_NUMBER = 1 / 4
PENALTY_OF_LEVEL = 1 / 16
MOST_NEWTON_STEPS = 25
SETTLED = 1e-6  # Newton decrement per coefficient: a thousandth of a standard error
MOST_OFF = 4.0  # decrement per coefficient after the first sweeps: two standard errors, so the information matrix no longer fits


@dataclass(frozen=True, slots=True)
class Target:
    """A trait to be drawn, at its own units (lesions, or the patients or procedures that it belongs to).

    `known` (u,); `values` (u,) as recorded, zero where not known; `outcome` (q, u): the number in SD from its mean, or for each level seen but the
    `base` (the commonest) whether it is that one; zero where not known. `levels` (q + 1,) are the values of the levels seen, rising; None for
    a number, `spread` the SD of the recorded ones. `penalty` (p,) the prior's precision of each predictor's coefficient.
    """

    known: Mask
    values: Floats
    outcome: Floats
    levels: Floats | None
    base: int
    spread: float
    penalty: Floats


@dataclass(frozen=True, slots=True)
class Curvature:
    """`inverse` (q p, q p) of the penalized information; `effective` coefficients, those that the data and not the prior decide, a logit."""

    inverse: Floats
    effective: float


@dataclass(frozen=True, slots=True)
class Step:
    """`fitted` and `drawn` coefficients (q, p); `decrement`, how far from settled the fit was, in squared standard errors."""

    fitted: Floats
    drawn: Floats
    decrement: float


def make_target(values: Floats, penalty: Floats, category: bool) -> Target:
    """The target of recorded `values` (u,), NaN where there is none; at least one is recorded. `penalty` (p,)."""
    known = ~np.isnan(values)
    filled = np.where(known, values, 0.0)
    recorded = values[known]
    if not category:
        center, spread = float(recorded.mean()), float(recorded.std()) or 1.0
        outcome = np.where(known, (filled - center) / spread, 0.0)[None, :]
        return Target(known, filled, outcome, None, 0, spread, penalty)
    levels, counts = np.unique(recorded, return_counts=True)
    base = int(counts.argmax())
    shown = np.delete(levels, base)
    outcome = ((filled == shown[:, None]) & known).astype(np.float64)
    return Target(known, filled, outcome, levels, base, 1.0, penalty)


def penalties(core: int, terms: int, own: slice, category: bool) -> Floats:
    """Prior precisions (terms,) of a logit's or a line's coefficients: the first `core`, the constant among them, the siblings' (`own` and the last),
    and the rest."""
    found = np.full(terms, max(1.0, (terms - core) * (PENALTY_OF_LEVEL if category else PENALTY_OF_NUMBER)))
    found[:core] = found[own] = found[-1] = PENALTY_OF_CORE
    found[:1] = PENALTY_OF_CONSTANT
    return found


def level_chances(logits: Floats, base: int) -> Floats:
    """Probabilities (K, u) of the levels in their order from logits (K - 1, u) against level number `base`."""
    full = np.insert(logits, base, 0.0, axis=0)
    full -= full.max(axis=0)
    np.exp(full, out=full)
    full /= full.sum(axis=0)
    return full


def _residual(target: Target, linear: Floats) -> Floats:
    if target.levels is None:
        return (target.outcome - linear) * target.known
    return (target.outcome - np.delete(level_chances(linear, target.base), target.base, axis=0)) * target.known


def _loglik(target: Target, linear: Floats, coefficients: Floats) -> float:
    prior = 0.5 * float((target.penalty * coefficients**2).sum())
    if target.levels is None:
        return -0.5 * float((_residual(target, linear) ** 2).sum()) - prior
    top = linear.max(axis=0, initial=0.0)
    whole = top + np.log(np.exp(-top) + np.exp(linear - top).sum(axis=0))
    return float((((target.outcome * linear).sum(axis=0) - whole) * target.known).sum()) - prior


def curvature(target: Target, table: Floats, coefficients: Floats, stands_for: float = 1.0) -> Curvature:
    """The information at `coefficients` (q, p) on `table` (p, u), each lesion counted `stands_for` times, with the prior's, inverted."""
    q, p = coefficients.shape
    blocks = np.zeros((q, p, q, p))
    for start in range(0, table.shape[1], CHUNK_ROWS):
        part = slice(start, start + CHUNK_ROWS)
        x, known = table[:, part], target.known[part].astype(np.float64)
        chance = None
        if target.levels is not None:
            chance = np.delete(level_chances(coefficients @ x, target.base), target.base, axis=0)
        for a in range(q):
            for b in range(a, q):
                weight = known if chance is None else known * chance[a] * (float(a == b) - chance[b])
                blocks[a, :, b, :] += (x * weight) @ x.T
    for a in range(q):
        for b in range(a):
            blocks[a, :, b, :] = blocks[b, :, a, :].T
    information = blocks.reshape(q * p, q * p) * stands_for
    inverse = np.asarray(np.linalg.inv(information + np.diag(np.tile(target.penalty, q))), dtype=np.float64)
    return Curvature(inverse, float((inverse * information).sum()) / max(q, 1))


def settled_fit(target: Target, table: Floats, start: Floats) -> tuple[Floats, Curvature]:
    """Coefficients (q, p) with the highest posterior by Newton's method with step halving, from `start`, and the curvature there."""
    now = start
    curve = curvature(target, table, now)
    value = _loglik(target, now @ table, now)
    for _ in range(MOST_NEWTON_STEPS):
        slope = _residual(target, now @ table) @ table.T - target.penalty * now
        move = (curve.inverse @ slope.ravel()).reshape(now.shape)
        size = 1.0
        while size > 1e-3:
            trial = now + size * move
            new = _loglik(target, trial @ table, trial)
            if new >= value - 1e-9 * abs(value):
                break
            size /= 2
        now, value = trial, new
        if float((slope * move).sum()) < SETTLED * now.size:
            break
        if target.levels is not None:
            curve = curvature(target, table, now)
    return now, curve


def step(target: Target, table: Floats, now: Floats, curve: Curvature, multiplier: Floats) -> Step:
    """One step of the fit from `now` (q, p), and a draw around it. `multiplier` (u,): the patient's standard normal number."""
    residual = _residual(target, now @ table)
    q = len(residual)
    sums = np.concatenate([residual, residual * multiplier]) @ table.T
    slope = sums[:q] - target.penalty * now
    move = (curve.inverse @ slope.ravel()).reshape(now.shape)
    fitted = now + move
    known = float(target.known.sum())
    # Residuals are smaller than errors by what the fit took up: the n/(n - p) of CR1S (see models/cluster_robust.py).
    factor = np.sqrt(known / max(known - curve.effective, 1.0))
    drawn = fitted + factor * (curve.inverse @ sums[q:].ravel()).reshape(now.shape)
    return Step(fitted, drawn, float((slope * move).sum()))


@dataclass(frozen=True, slots=True)
class Donors:
    """Recorded values in the order of their predictions, with the patients' weights summed up: `reached` (r + 1,) from zero."""

    predicted: Floats
    values: Floats
    reached: Floats


def make_donors(values: Floats, predicted: Floats, weight: Floats) -> Donors:
    """Of recorded `values` (r,), with their predictions and positive weights."""
    order = np.argsort(predicted, kind="stable")
    return Donors(predicted[order], values[order], np.r_[0.0, np.cumsum(weight[order])])


def matched(donors: Donors, wanted: Floats, chance: Floats) -> Floats:
    """For each prediction `wanted` (g,) the value of one of the DONORS nearest, by weight. `chance` (g,) in (0, 1)."""
    r = len(donors.values)
    few = min(DONORS, r)
    line = donors.predicted
    place = np.searchsorted(line, wanted)
    starts = np.clip(place + np.arange(-few, 1)[:, None], 0, r - few)
    reach = np.maximum(wanted - line[starts], line[starts + few - 1] - wanted)
    start = starts[reach.argmin(axis=0), np.arange(len(wanted))]
    # Donors that predict the very same (few predictors, all of them levels) are all as near: any of them may give.
    first = np.searchsorted(line, line[start], "left")
    last = np.searchsorted(line, line[start + few - 1], "right")
    low, high = donors.reached[first], donors.reached[last]
    chosen = np.searchsorted(donors.reached, low + chance * (high - low), "right") - 1
    return np.asarray(donors.values[np.clip(chosen, first, last - 1)], dtype=np.float64)
