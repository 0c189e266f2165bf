"""Random numbers that belong to a lesion's content: the same in whatever order the rows come.

A counter-based generator (Salmon, Moraes, Dror & Shaw 2011, SC11) keeps no state: a number is a mixed function of where it is used and for whom. Here
"where" is a key made of words (seed, data set, sweep, trait) and "for whom" a 64-bit number made of what is recorded of the lesion, so neither the
order of the rows nor the pseudonyms' key changes a draw. The mixing function is the finalizer of SplitMix64 (Steele, Lea & Flood 2014, OOPSLA).
"""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Words = NDArray[np.uint64]

ODD_STEP = np.uint64(0x9E3779B97F4A7C15)  # 2^64 over the golden ratio, made odd: multiples of it are well spread


def mixed(words: Words) -> Words:
    """SplitMix64's finalizer of each word: a one-to-one map that changes half of the bits, on average, when one bit changes."""
    x = words ^ (words >> np.uint64(30))
    x = x * np.uint64(0xBF58476D1CE4E5B9)
    x ^= x >> np.uint64(27)
    x *= np.uint64(0x94D049BB133111EB)
    x ^= x >> np.uint64(31)
    return x


def content_words(columns: Floats) -> Words:
    """A 64-bit number a lesion, made of the numbers in `columns` (k, n) in their order, NaN included. The same on every machine."""
    found = np.full(columns.shape[1], ODD_STEP, dtype=np.uint64)
    for column in columns:
        plain = np.where(np.isnan(column), np.nan, column + 0.0)  # one NaN, and no zero of either sign beside the other
        found = mixed(found * ODD_STEP + plain.view(np.uint64))
    return found


def told_apart(content: Words) -> Words:
    """`content` with lesions that are alike in everything numbered: two that look the same must not draw the same."""
    order = np.argsort(content, kind="stable")
    inline = content[order]
    first = np.r_[True, inline[1:] != inline[:-1]] if len(content) else np.zeros(0, dtype=bool)
    place = np.arange(len(content))
    rank = place - np.maximum.accumulate(np.where(first, place, 0))
    found = content.copy()
    found[order] = inline + rank.astype(np.uint64) * ODD_STEP
    return found


def summed_words(content: Words, unit: Integers, units: int) -> Words:
    """A word for each unit (patient, procedure) from its lesions' words, in whatever order they come. `unit` (n,) from 0 to `units` - 1."""
    found = np.zeros(units, dtype=np.uint64)
    np.add.at(found, unit, mixed(content))
    return mixed(found)


def key(*parts: str | int) -> np.uint64:
    """The word of a place where numbers are drawn, made of its name."""
    digest = hashlib.blake2b("|".join(map(str, parts)).encode(), digest_size=8).digest()
    return np.uint64(int.from_bytes(digest, "big"))


def uniforms(content: Words, at: np.uint64) -> Floats:
    """A number in (0, 1), both ends left out, for each word of `content` at the place `at`."""
    bits = mixed(content + at) >> np.uint64(12)
    return np.asarray((bits.astype(np.float64) + 0.5) * 2.0**-52, dtype=np.float64)
