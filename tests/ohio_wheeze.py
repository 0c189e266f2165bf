"""The wheeze of 537 children at four ages (Fitzmaurice & Laird 1993), a row a child and age."""

from __future__ import annotations

import numpy as np
import polars as pl
from oracle import DATA


def ohio() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Design (4, 2148): constant, age less 9, mother smokes, their product; wheeze (2148,); child (2148,)."""
    counts = pl.read_csv(DATA / "ohio.csv")
    children = counts.select(pl.all().repeat_by("children").explode())
    wheeze = children.select(pl.col("^wheeze.*$")).to_numpy().astype(float)
    n = len(wheeze)
    age = np.tile([-2.0, -1.0, 0.0, 1.0], n)
    smoke = np.repeat(children["smoke"].to_numpy().astype(float), 4)
    design = np.vstack([np.ones(4 * n), age, smoke, age * smoke])
    return design, wheeze.reshape(-1), np.repeat(np.arange(n), 4)
