"""Services with a yes/no trait that sways approach and outcome and is not recorded; what its true strength is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.logistic import expit
from models.omitted_bias import Strength


@dataclass(frozen=True)
class HiddenTruth:
    """By cell of the measured traits (rows) and hidden trait absent, present (columns), all (k, 2): `weight` sums to 1, `score` the
    chance of a retrograde start, `risk_1` and `risk_0` the chance of the outcome by approach. With measured traits that are numbers, one cell a lesion."""

    weight: np.ndarray
    score: np.ndarray
    risk_1: np.ndarray
    risk_0: np.ndarray

    @property
    def difference(self) -> float:
        """The true overlap difference: weights e(1-e) with everything, hidden trait included, known."""
        overlap = self.weight * self.score * (1 - self.score)
        return float((overlap * (self.risk_1 - self.risk_0)).sum() / overlap.sum())

    @property
    def confounded(self) -> float:
        """What the same comparison tends to when the hidden trait is left out."""
        _, score, mean = self._known()
        pull = self.weight * (self.score * self.risk_1 * (1 - score) - (1 - self.score) * self.risk_0 * score)
        pull -= self.weight * (self.score - score) * mean
        return float(pull.sum() / self._left_short())

    @property
    def strength(self) -> Strength:
        """Partial R squared of the hidden trait, by the definitions of Chernozhukov et al. 2022 for the partially linear model."""
        weight, _, mean = self._known()
        left_long = float((self.weight * self.score * (1 - self.score)).sum())
        expected = self.score * self.risk_1 + (1 - self.score) * self.risk_0
        noise_short = float((weight * mean * (1 - mean)).sum()) - self.confounded**2 * self._left_short()
        noise_long = float((self.weight * expected * (1 - expected)).sum()) - self.difference**2 * left_long
        return Strength(max(0.0, 1 - left_long / self._left_short()), max(0.0, 1 - noise_long / noise_short))

    def _known(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        weight = self.weight.sum(1, keepdims=True)
        score = (self.weight * self.score).sum(1, keepdims=True) / weight
        expected = self.score * self.risk_1 + (1 - self.score) * self.risk_0
        return weight, score, (self.weight * expected).sum(1, keepdims=True) / weight

    def _left_short(self) -> float:
        weight, score, _ = self._known()
        return float((weight * score * (1 - score)).sum())


@dataclass(frozen=True)
class HiddenScenario:
    """Twelve cells of measured traits; the hidden trait is there in `share` of lesions whatever the cell.

    It moves the log odds of a retrograde start by `on_approach` and the outcome's chance by `on_outcome`, or, with `logistic`, its log odds by ten times
    that, with an effect of the approach that differs from cell to cell.
    """

    name: str
    on_approach: float
    on_outcome: float
    share: float = 0.4
    logistic: bool = False

    def truth(self) -> HiddenTruth:
        """The chances of every cell."""
        first, second = (g.ravel()[:, None] for g in np.meshgrid(np.linspace(-1, 1, 4), np.linspace(-1, 1, 3)))
        hidden = np.array([[0.0, 1.0]])
        weight = np.full((12, 1), 1 / 12) * np.where(hidden == 1, self.share, 1 - self.share)
        score = expit(-1.0 + 0.8 * first - 0.6 * second + self.on_approach * (hidden - self.share))
        if self.logistic:
            logit = 0.4 - 0.7 * first + 0.5 * second + 10 * self.on_outcome * (hidden - self.share)
            return HiddenTruth(weight, score, expit(logit + 0.5 + 0.5 * second), expit(logit))
        risk = 0.5 - 0.1 * first + 0.08 * second + self.on_outcome * (hidden - self.share)
        return HiddenTruth(weight, score, risk + 0.08, risk)


def drawn(truth: HiddenTruth, lesions: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cell, approach and outcome of each lesion; the hidden trait is drawn and forgotten."""
    cells = rng.choice(truth.weight.size, lesions, p=truth.weight.ravel())
    cell, hidden = np.divmod(cells, 2)
    a = (rng.random(lesions) < truth.score[cell, hidden]).astype(float)
    risk = np.where(a == 1, truth.risk_1[cell, hidden], truth.risk_0[cell, hidden])
    return cell, a, (rng.random(lesions) < risk).astype(float)


def residuals(cell: np.ndarray, a: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Outcome and approach less their means by cell: the measured traits taken out without any model."""
    size = np.maximum(np.bincount(cell), 1)
    return y - (np.bincount(cell, y) / size)[cell], a - (np.bincount(cell, a) / size)[cell]
