"""Cluster-robust errors that hold with few clusters, for any fit that ends in a least-squares step.

A logistic, linear or exchangeable-correlation fit ends in whitened rows x (p terms) and residuals r whose working variance is one: for a logistic fit
x = sqrt(w) z and r = (y - m) / sqrt(w), w = m(1 - m). With M = (sum xx')^-1 the plain sandwich (CR0: Liang & Zeger 1986, Biometrika 73:13-22) is
M [sum over clusters s_j s_j'] M, s_j the cluster's sum of x r. Residuals are smaller than errors, by the cluster's own leverage, so CR0 is too small when
clusters are few. CR2 puts (I - H_j)^(-1/2) r_j for r_j, H_j the cluster's block of the hat matrix: unbiased where the working variance holds (Bell &
McCaffrey 2002, Survey Methodology 28:169-181; for generalized linear models Kauermann & Carroll 2001, JASA 96:1387-1396). The variance of a contrast is then a sum
of squares that are not independent; Satterthwaite's degrees of freedom match its first two moments under the working variance (Pustejovsky & Tipton
2018, J Bus Econ Stat 36:672-683).

Pustejovsky & Tipton write CR2 for a weighted fit with another square root of the same matrix: both are unbiased where the working variance holds, and on
R's example they agree to 3 parts in a million. The one used here needs no matrix larger than (p, p) however many lesions a cluster has: with M = LL' and K_j = L'(sum xx')L over the
cluster, the cluster's part is L (I - K_j)^(-1/2) L' s_j.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

Correction = Literal["CR0", "CR1", "CR1S"]

NUMBERS_AT_ONCE = 1 << 21  # 16 MB an array: clusters are worked out in batches of this many numbers
NO_ROOM = (
    1e-8  # of a cluster that fits a term by itself nothing is left along that term: the inverse there is zero, not huge
)


@dataclass(frozen=True, slots=True)
class WhitenedFit:
    """The last step of a fit: rows of working variance one.

    `matrix` (p, n) and `residual` (n,), both whitened; `bread` (p, p), the inverse of matrix @ matrix.T.
    """

    matrix: Floats
    residual: Floats
    bread: Floats


@dataclass(frozen=True, slots=True)
class RobustVariance:
    """Variance of one contrast with its degrees of freedom; `clusters` with at least one lesion."""

    variance: float
    degrees_of_freedom: float
    clusters: int


def whitened_logistic(design: Floats, outcome: Floats, probability: Floats, information: Floats) -> WhitenedFit:
    """A logistic fit's last step. `design` (p, n), `outcome` and fitted `probability` (n,), `information` (p, p)."""
    root = np.sqrt(np.maximum(probability * (1.0 - probability), np.finfo(float).tiny))
    return WhitenedFit(
        design * root, (outcome - probability) / root, np.asarray(np.linalg.inv(information), dtype=np.float64)
    )


def cluster_covariance(fit: WhitenedFit, cluster: Integers, correction: Correction = "CR0") -> Floats:
    """Covariance (p, p) of the coefficients: CR0, CR1 (times G/(G-1)) or CR1S (times G(n-1)/((G-1)(n-p)), the default of many programs).

    `cluster` (n,) of non-negative integers, G of them with a lesion.
    """
    terms, rows = fit.matrix.shape
    parts = fit.bread @ _sums(fit, cluster)
    clusters = int(np.count_nonzero(np.bincount(cluster)))
    factor = 1.0 if correction == "CR0" else clusters / (clusters - 1)
    if correction == "CR1S":
        factor *= (rows - 1) / (rows - terms)
    return np.asarray(factor * (parts @ parts.T), dtype=np.float64)


def bias_reduced(fit: WhitenedFit, cluster: Integers, contrast: Floats) -> RobustVariance | None:
    """CR2 variance of contrast'coefficients with Satterthwaite's degrees of freedom. `contrast` (p,).

    None when the clusters leave nothing to reckon it from: fewer than two, or one that fits some of the contrast by itself (all retrograde lesions are one
    operator's), so that how it varies between clusters cannot be seen. Time grows with n p^2.
    """
    root = np.asarray(np.linalg.cholesky(fit.bread), dtype=np.float64)
    along = root.T @ contrast
    variance = trace = squares = crossed = lost = 0.0
    shared = np.zeros((len(along), len(along)))
    clusters = 0
    for pull, length, drift, hidden in _pulls(fit, cluster, root, along):
        clusters += len(pull)
        lost += hidden
        drifted = (drift**2).sum(axis=1)
        variance += float(pull @ pull)
        trace += float((length - drifted).sum())
        squares += float(length @ length)
        crossed += float(length @ drifted)
        shared += drift.T @ drift
    frobenius = squares - 2.0 * crossed + float((shared**2).sum())
    if clusters < 2 or lost > NO_ROOM * float(along @ along) or frobenius <= NO_ROOM * squares or variance <= 0:
        return None
    return RobustVariance(variance, trace**2 / frobenius, clusters)


def two_way_covariance(fit: WhitenedFit, first: Integers, second: Integers, correction: Correction = "CR1S") -> Floats:
    """Covariance (p, p) with clusters of two kinds that cross, such as patients and operators (Cameron, Gelbach & Miller 2011, JBES 29:238-249).

    V(first) + V(second) - V(both), each with its own factor. Not always positive: see `two_way_bias_reduced`.
    """
    both = crossing(first, second)
    parts = [cluster_covariance(fit, each, correction) for each in (first, second, both)]
    return np.asarray(parts[0] + parts[1] - parts[2], dtype=np.float64)


def two_way_bias_reduced(
    fit: WhitenedFit, first: Integers, second: Integers, contrast: Floats
) -> RobustVariance | None:
    """CR2 form of `two_way_covariance` for one contrast, never below that of either kind of cluster alone.

    The sum of Cameron, Gelbach & Miller can come out below one of its parts, or negative; taking the larger of the three errs towards wide. Degrees of freedom are
    the smaller of the two kinds' (our choice; those authors use the smaller number of clusters less one, which CR2's improve on).
    """
    ones = [bias_reduced(fit, each, contrast) for each in (first, second)]
    both = bias_reduced(fit, crossing(first, second), contrast)
    one, other = ones
    if one is None or other is None or both is None:
        return None
    total = one.variance + other.variance - both.variance
    return RobustVariance(
        max(one.variance, other.variance, total),
        min(one.degrees_of_freedom, other.degrees_of_freedom),
        min(one.clusters, other.clusters),
    )


def crossing(first: Integers, second: Integers) -> Integers:
    """Number (n,) of the pair of clusters that each row is in."""
    pair = first * (int(second.max()) + 1) + second
    return np.asarray(np.unique(pair, return_inverse=True)[1], dtype=np.int64)


def _sums(fit: WhitenedFit, cluster: Integers) -> Floats:
    return np.stack([np.bincount(cluster, line * fit.residual) for line in fit.matrix]).astype(np.float64)


# For clusters j of a batch: v_j'r_j (g,), |v_j|^2 (g,), L'X_j'v_j (g, p), with v_j = (I - H_j)^(-1/2) X_j M contrast; and how much of the contrast's
# variance lies where a cluster leaves no residual.
Pulls = tuple[Floats, Floats, Floats, float]


def _pulls(fit: WhitenedFit, cluster: Integers, root: Floats, along: Floats) -> Iterator[Pulls]:
    order = np.argsort(cluster, kind="stable")
    sizes = np.bincount(cluster)
    sizes = sizes[sizes > 0]
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    terms = len(along)
    for size in np.unique(sizes):
        first = starts[sizes == size]
        if size > terms:
            for start in first:
                yield _large(fit, order[start : start + size], root, along)
            continue
        batch = max(1, NUMBERS_AT_ONCE // (terms * int(size)))
        for begin in range(0, len(first), batch):
            yield _small(fit, order[first[begin : begin + batch, None] + np.arange(size)], root, along)


def _small(fit: WhitenedFit, rows: Integers, root: Floats, along: Floats) -> Pulls:
    """Clusters of one size, at most p: `rows` (g, size). The (size, size) blocks are decomposed together."""
    turned = np.ascontiguousarray(np.tensordot(fit.matrix[:, rows], root, axes=(0, 0)))  # (g, size, p)
    room, axes = np.linalg.eigh(np.eye(rows.shape[1]) - turned @ turned.transpose(0, 2, 1))
    spun = np.einsum("gst,gs->gt", axes, turned @ along)
    pulled = np.einsum("gst,gt->gs", axes, spun * _inverse_root(room))
    return (
        (pulled * fit.residual[rows]).sum(axis=1),
        (pulled**2).sum(axis=1),
        np.einsum("gsp,gs->gp", turned, pulled),
        float((spun[room <= NO_ROOM] ** 2).sum()),
    )


def _large(fit: WhitenedFit, rows: Integers, root: Floats, along: Floats) -> Pulls:
    """One cluster of more than p lesions, by (p, p) matrices alone."""
    block = fit.matrix[:, rows]
    gram = root.T @ (block @ block.T) @ root
    taken, axes = np.linalg.eigh(gram)
    spun = axes.T @ along
    lift = axes @ (_inverse_root(1.0 - taken) * spun)
    score = root.T @ (block @ fit.residual[rows])
    drift = gram @ lift
    hidden = float((spun[1.0 - taken <= NO_ROOM] ** 2).sum())
    return np.array([lift @ score]), np.array([lift @ drift]), drift[None, :], hidden


def _inverse_root(room: Floats) -> Floats:
    return np.where(room > NO_ROOM, 1.0 / np.sqrt(np.maximum(room, NO_ROOM)), 0.0)
