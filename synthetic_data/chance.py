"""Seeded draws: every part of the invented service has its own stream, so that changing one part leaves the others' draws alone."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Reals: TypeAlias = NDArray[np.float64]
Ints: TypeAlias = NDArray[np.int64]
Flags: TypeAlias = NDArray[np.bool_]


def stream(seed: int, part: str) -> np.random.Generator:
    """The random stream of one named part of the service for a seed."""
    return np.random.default_rng([seed, zlib.crc32(part.encode())])


def expit(logit: Reals) -> Reals:
    """Logit to probability."""
    return 1.0 / (1.0 + np.exp(-logit))


def flags(rng: np.random.Generator, probability: float | Reals, size: int) -> Flags:
    """`size` independent yes/no draws with the given probability (one, or one each)."""
    return np.asarray(rng.random(size) < probability)


def pick(rng: np.random.Generator, weights: Sequence[float], size: int) -> Ints:
    """`size` positions drawn with the same weights, which need not sum to one."""
    edges = np.cumsum(np.asarray(weights, dtype=float))
    return np.asarray(np.searchsorted(edges / edges[-1], rng.random(size), side="right"), dtype=np.int64)


def pick_each(rng: np.random.Generator, weights: Reals) -> Ints:
    """One position a row of `weights` (rows, positions), drawn in proportion to that row."""
    edges = np.cumsum(weights, axis=1)
    drawn = rng.random(len(weights)) * edges[:, -1]
    return np.asarray((drawn[:, None] >= edges).sum(axis=1), dtype=np.int64)


def within(rng: np.random.Generator, median: float | Reals, spread: float, low: float, high: float, size: int) -> Reals:
    """Lognormal draws with a median and a log standard deviation, clipped to [low, high]."""
    drawn = np.asarray(median) * np.exp(spread * rng.standard_normal(size))
    return np.asarray(np.clip(drawn, low, high), dtype=np.float64)
