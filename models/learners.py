"""Flexible learners of a probability, and their stack: each predicts patients that it has not seen.

Three learners: penalized logistic regression on the score's single traits and usual pairs, the same with the pairs that were chosen
(`models.pair_selection`), and gradient-boosted trees (Friedman 2001, Ann Stat 29:1189-1232; scikit-learn's histogram form), which find bends and
combinations by themselves. The folds are of patients, so that lesions of one patient are never on both sides.

Short-stacking (Ahrens, Hansen, Schaffer & Wiemann 2025, J Appl Econometrics 40:249-269): the held-out predictions of all folds are combined
once, with weights of zero or more that add up to one and make the squared error smallest (Breiman 1996, Mach Learn 24:49-64; van der Laan, Polley & Hubbard 2007).
The chosen pairs were chosen on all lesions: that learner's predictions are held out but for the choice of its terms.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from models.logistic import expit, fit_logistic
from models.single_thread import one_thread

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

FOLDS = 5  # common practice (Chernozhukov et al. 2018, remark 3.1: four or five)
RIDGE = 1.0  # prior precision of a term of SD 1, as in models.augmented
SUM_WEIGHT = 1e3  # how firmly weights are held to add up to one, against the error itself; the rest is rounding

# Trees: small ones, slowly, for services of some hundred to some thousand lesions (our choice by simulation, no source).
ROUNDS = 80
LEARNING_RATE = 0.06
MOST_LEAVES = 4
FEWEST_IN_LEAF = 15
LEAF_RIDGE = 5.0
MOST_BINS = 32
TREES_SEED = 1  # nothing is drawn at these settings; held all the same

Fit = Callable[[Floats, Floats], Callable[[Floats], Floats]]


@dataclass(frozen=True, slots=True)
class Learner:
    """One learner on its own lines: `lines` (p, n) of all lesions; `fit` takes lines (p, m) and outcome (m,) and gives a function from lines to chances."""

    name: str
    lines: Floats
    fit: Fit

    def with_line(self, line: Floats) -> Learner:
        """The same learner with one more line (n,), the last."""
        return Learner(self.name, np.vstack([self.lines, line]), self.fit)


@dataclass(frozen=True, slots=True)
class Stack:
    """Held-out chances, stacked: one array (n,) for each of the settings asked for; weights and Brier scores by learner, in their order."""

    predicted: tuple[Floats, ...]
    names: tuple[str, ...]
    weights: Floats
    losses: Floats
    loss: float


def penalized_logistic(lines: Floats, outcome: Floats) -> Callable[[Floats], Floats]:
    """Logistic regression with a ridge on all terms but the first, the constant."""
    ridge = np.full(len(lines), RIDGE)
    ridge[0] = 0.0
    coefficients = fit_logistic(lines, outcome, ridge).coefficients
    return lambda others: expit(coefficients @ others)


def boosted_trees(lines: Floats, outcome: Floats) -> Callable[[Floats], Floats]:
    """Gradient-boosted trees of a few leaves each; deterministic on one thread."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    trees = HistGradientBoostingClassifier(
        learning_rate=LEARNING_RATE,
        max_iter=ROUNDS,
        max_leaf_nodes=MOST_LEAVES,
        min_samples_leaf=FEWEST_IN_LEAF,
        l2_regularization=LEAF_RIDGE,
        max_bins=MOST_BINS,
        early_stopping=False,
        random_state=TREES_SEED,
    )
    with one_thread():
        trees.fit(lines.T, outcome)

    def predicted(others: Floats) -> Floats:
        with one_thread():
            return np.asarray(trees.predict_proba(others.T)[:, 1], dtype=np.float64)

    return predicted


def folds_of(cluster: Integers, seed: int, folds: int = FOLDS) -> Integers:
    """The fold (n,) of each lesion, 0 to `folds` - 1: clusters, numbered from 0, are dealt out in an order drawn from `seed`."""
    clusters = int(cluster.max()) + 1
    dealt = np.empty(clusters, dtype=np.int64)
    dealt[np.random.default_rng(seed).permutation(clusters)] = np.arange(clusters) % folds
    return np.asarray(dealt[cluster], dtype=np.int64)


def cannot_fold(fold: Integers, outcome: Floats) -> str | None:
    """Why learners cannot be fitted without each of the folds in turn, or None."""
    if len(np.unique(fold)) < 2:
        return "too few patients to be held out in turn"
    if any(np.ptp(outcome[fold != k]) == 0 for k in np.unique(fold)):
        return "too few lesions with the outcome, or without it, to learn from"
    return None


def stacked(
    learners: Sequence[Learner], outcome: Floats, fold: Integers, settings: Sequence[float | None] = (None,)
) -> Stack:
    """Each lesion's chance of the outcome by the stack of `learners`, none of which has seen its patient.

    `outcome` (n,) of 0 and 1, `fold` (n,). `settings`: values to which the last line of every learner is set for the prediction (the approach:
    1 and 0), None to leave it as it is. Weights are those of the predictions with the lines left as they are.
    """
    asked = list(dict.fromkeys((None, *settings)))
    held_out = np.empty((len(asked), len(learners), len(outcome)))
    for k in np.unique(fold):
        rest, here = fold != k, fold == k
        for j, learner in enumerate(learners):
            predict = learner.fit(learner.lines[:, rest], outcome[rest])
            for s, value in enumerate(asked):
                lines = learner.lines[:, here]
                if value is not None:
                    lines[-1] = value  # a copy: a mask was taken
                held_out[s, j, here] = predict(lines)
    weights = stack_weights(held_out[0], outcome)
    losses = ((held_out[0] - outcome) ** 2).mean(axis=1)
    mixed = weights @ held_out
    found = {value: mixed[s] for s, value in enumerate(asked)}
    loss = float(((found[None] - outcome) ** 2).mean())
    return Stack(tuple(found[s] for s in settings), tuple(one.name for one in learners), weights, losses, loss)


def stack_weights(predicted: Floats, outcome: Floats) -> Floats:
    """Weights (k,) of zero or more that add up to one and make sum (outcome - weights @ predicted)^2 smallest; `predicted` (k, n).

    By non-negative least squares (Lawson & Hanson 1974) on the k x k triangle, the sum held to one by a heavy row.
    """
    error = outcome - predicted
    gram = error @ error.T / len(outcome)
    # With weights that add up to one the squared error is w' gram w.
    values, vectors = np.linalg.eigh(gram)
    root = np.sqrt(np.maximum(values, 0.0))[:, None] * vectors.T
    heavy = SUM_WEIGHT * max(float(np.sqrt(values[-1])), np.finfo(float).tiny)
    rows = np.vstack([root, np.full(len(predicted), heavy)])
    found = nnls(rows, np.append(np.zeros(len(root)), heavy))[0]
    return np.asarray(found / found.sum(), dtype=np.float64)
