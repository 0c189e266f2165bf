"""Unrecorded values drawn from what the other traits, the approach and the outcome make likely.

A value that the operator saw but nobody recorded confounds all the same. Marking it as missing leaves that confounding in; a draw
from its distribution given everything else, the approach and the outcome included, takes it out on average (Little & Rubin 2019, chapter
4; that the outcome belongs in it: Moons et al. 2006, J Clin Epidemiol 59:1092-1101). One draw is made, not several: its own noise is not in
the intervals, and grows with the share that is missing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.propensity import Covariate

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

SWEEPS = 2  # the second sees the first's draws of the other traits
DONORS = 6  # nearest recorded lesions that a number is taken from; 3 to 10 are usual (Morris, White & Royston 2014)
LEAST_PROBABILITY = 1e-3  # of a level: a linear probability can fall below zero
RIDGE = 1e-6  # of a predictor's variance: levels that imply each other must not stop the solver


def draw_missing(
    covariates: tuple[Covariate, ...], always: Floats, chances: Mapping[str, Floats]
) -> tuple[Covariate, ...]:
    """The covariates with the missing values of those named in `chances` drawn once, the rest as they are.

    `always` (k, n): what is known of every lesion, the approach and the outcomes. `chances[name]` (n,): a number in [0, 1) a lesion, used
    where the covariate is missing: the same chances give the same draws. Chained equations (van Buuren 2007), fewest gaps first: a
    number is taken from a recorded lesion with a like prediction (predictive mean matching: Little 1988, J Bus Econ Stat 6:287-296); a
    level is drawn with its linear probability, cut to be positive. Covariates never recorded stay so.
    """
    gaps = {c.name: np.flatnonzero(np.isnan(c.values)) for c in covariates}
    rows = always.shape[1]
    names = [c.name for c in covariates if c.name in chances and 0 < len(gaps[c.name]) < rows]
    names.sort(key=lambda name: len(gaps[name]))
    if not names:
        return covariates
    now = {c.name: c for c in covariates}
    codings = {c.name: _coding(c) for c in covariates}
    table = np.vstack([np.ones((1, rows)), always, *(codings[c.name].lines(c.values) for c in covariates)])
    ends = np.cumsum([1 + len(always), *(codings[c.name].width for c in covariates)])
    own = {c.name: slice(ends[j], ends[j + 1]) for j, c in enumerate(covariates)}
    gram = table @ table.T
    for _ in range(SWEEPS):
        for name in names:
            others = np.delete(np.arange(len(table)), own[name])
            now[name] = _drawn(now[name], gaps[name], table, gram, others, chances[name])
            table[own[name]] = codings[name].lines(now[name].values)
            gram[own[name]] = table[own[name]] @ table.T
            gram[:, own[name]] = gram[own[name]].T
    return tuple(now[c.name] for c in covariates)


@dataclass(frozen=True, slots=True)
class _Coding:
    """How a covariate becomes lines of like scale, fixed by its recorded values: a number's mean and spread, or the levels
    shown (all seen but the commonest) and their shares."""

    number: bool
    centers: Floats
    spread: float
    levels: tuple[int, ...]

    @property
    def width(self) -> int:
        return len(self.centers)

    def lines(self, values: Floats) -> Floats:
        """(width, n): zero, the mean, where a value is missing."""
        if not self.width:
            return np.zeros((0, len(values)))
        raw = values[None, :] if self.number else np.stack([values == j for j in self.levels])
        return np.where(np.isnan(values), 0.0, (raw - self.centers[:, None]) / self.spread)


def _coding(covariate: Covariate) -> _Coding:
    recorded = covariate.values[~np.isnan(covariate.values)]
    if not len(recorded):
        return _Coding(True, np.zeros(0), 1.0, ())
    if covariate.kind == "number":
        return _Coding(True, np.array([recorded.mean()]), float(recorded.std()) or 1.0, ())
    counts = np.bincount(recorded.astype(np.int64), minlength=len(covariate.levels))
    shown = tuple(int(j) for j in np.flatnonzero(counts) if j != int(counts.argmax()))
    return _Coding(False, counts[list(shown)] / counts.sum(), 1.0, shown)


def _drawn(
    covariate: Covariate, gap: Integers, table: Floats, gram: Floats, others: Integers, chance: Floats
) -> Covariate:
    """The covariate with its gaps drawn anew. Least squares over the rows where it is recorded: the products over all rows (`gram`)
    less those over the gaps, so that a few gaps among many lesions cost little."""
    missing = table[np.ix_(others, gap)]
    products = gram[np.ix_(others, others)] - missing @ missing.T
    products[np.diag_indices_from(products)] += RIDGE * (table.shape[1] - len(gap))
    known = np.ones(table.shape[1], dtype=bool)
    known[gap] = False
    recorded = covariate.values[known]
    values = covariate.values.copy()
    if covariate.kind == "number":
        slope = np.zeros(len(table))
        slope[others] = np.linalg.solve(products, (table @ np.where(known, covariate.values, 0.0))[others])
        predicted = slope @ table
        values[gap] = _matched(recorded, predicted[known], predicted[gap], chance[gap])
    else:
        levels = np.unique(recorded)
        targets = (np.where(known, covariate.values, np.nan)[:, None] == levels).astype(np.float64)
        slopes = np.linalg.solve(products, (table @ targets)[others])
        likely = np.maximum(slopes.T @ missing, LEAST_PROBABILITY)
        reached = np.cumsum(likely / likely.sum(axis=0), axis=0)
        values[gap] = levels[np.minimum((reached <= chance[gap]).sum(axis=0), len(levels) - 1)]
    return replace(covariate, values=values)


def _matched(recorded: Floats, predicted: Floats, wanted: Floats, chance: Floats) -> Floats:
    """For each wanted prediction one of the recorded values whose own prediction is among the nearest."""
    order = np.lexsort((recorded, predicted))
    inline = predicted[order]
    # Donors that predict the very same (few predictors, all of them levels) are all as near: any of them may give.
    first = np.maximum(np.searchsorted(inline, wanted, "left") - DONORS // 2, 0)
    last = np.minimum(np.searchsorted(inline, wanted, "right") + DONORS // 2, len(order))
    place = first + np.floor(chance * (last - first)).astype(np.int64)
    return np.asarray(recorded[order][place], dtype=np.float64)
