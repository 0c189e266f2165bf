"""Traits as predictors of other traits: lines of like scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.propensity import Covariate

Floats = NDArray[np.float64]

FEWEST_IN_LINE = 10  # lesions of a level that get a line of their own as a predictor; rarer ones go with the commonest
MOST_LINES = 40  # of one category (operators, sites), the commonest levels first
LEAST_SPREAD = (
    0.3  # of a level's line: that of one lesion in ten, so that a rare level's coefficient keeps a prior worth the name
)


@dataclass(frozen=True, slots=True)
class Coding:
    """How a covariate becomes lines of like scale. A number: itself and, unless straight, its square; a category: its levels but the commonest.

    `marked` adds a line of "not recorded", for a covariate that is not drawn.
    """

    levels: Floats | None
    centers: Floats
    spreads: Floats
    square: tuple[float, float] | None
    marked: bool

    @property
    def width(self) -> int:
        """Number of lines."""
        return len(self.centers) + (self.square is not None) + self.marked

    def lines(self, values: Floats) -> Floats:
        """(width, n); zero, the mean, where a value is missing."""
        if self.levels is None:
            raw = (values[None, :] - self.centers[:, None]) / self.spreads[:, None]
            if self.square is not None:
                raw = np.concatenate([raw, (raw[:1] ** 2 - self.square[0]) / self.square[1]])
        else:
            raw = ((values == self.levels[:, None]) - self.centers[:, None]) / self.spreads[:, None]
        missing = np.isnan(values)
        if missing.any():
            raw = np.where(missing, 0.0, raw)
        return np.concatenate([raw, missing[None, :].astype(np.float64)]) if self.marked else raw


def make_coding(covariate: Covariate, marked: bool) -> Coding:
    """The coding of a covariate by its recorded values; `marked`: with a line of "not recorded" where that varies."""
    known = ~np.isnan(covariate.values)
    recorded = covariate.values[known]
    marked = marked and 0 < len(recorded) < len(known)
    if covariate.kind == "number":
        if not len(recorded):
            return Coding(None, np.zeros(0), np.zeros(0), None, False)
        spread = float(recorded.std()) or 1.0
        squared = ((recorded - recorded.mean()) / spread) ** 2
        curved = not covariate.straight and float(squared.std()) > 1e-9
        square = (float(squared.mean()), float(squared.std())) if curved else None
        return Coding(None, np.array([recorded.mean()]), np.array([spread]), square, marked)
    levels, counts = np.unique(recorded, return_counts=True)
    places = np.argsort(-counts, kind="stable")[1 : MOST_LINES + 1]
    places = np.sort(places[counts[places] >= FEWEST_IN_LINE])
    share = counts[places] / max(len(recorded), 1)
    return Coding(levels[places], share, np.maximum(np.sqrt(share * (1 - share)), LEAST_SPREAD), None, marked)
