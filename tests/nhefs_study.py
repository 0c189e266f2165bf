"""The follow-up study of smokers that the reference values are computed on, as a fitted propensity score."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from oracle import DATA

from models.propensity import Design, Score, Term, fit_score

COVARIATES = ("sex", "race", "age", "education", "smokeintensity", "smokeyrs", "exercise", "active", "wt71")


@dataclass(frozen=True)
class Study:
    frame: pl.DataFrame
    treated: np.ndarray
    score: Score

    def outcome(self, expression: pl.Expr) -> np.ndarray:
        return self.frame.select(expression.cast(pl.Float64)).to_series().to_numpy()

    @property
    def each_alone(self) -> np.ndarray:
        return np.arange(len(self.treated))


def nhefs(*, weighed_again: bool = True) -> Study:
    """`weighed_again` leaves out the 63 whose weight in 1982 is not known."""
    frame = pl.read_csv(DATA / "nhefs.csv")
    if weighed_again:
        frame = frame.filter(pl.col("wt82").is_not_null())
    treated = frame["qsmk"].to_numpy().astype(float)
    return Study(frame, treated, fit_score(design(frame), treated))


def columns(*more: str) -> dict[str, pl.Expr]:
    """Program 12.2 of Hernan & Robins, What If: numbers with their squares, factors by level; `more` columns besides."""
    c = pl.col
    return {
        "sex": c("sex"),
        "race": c("race"),
        "age": c("age"),
        "I(age^2)": c("age") ** 2,
        **{f"education{k}": c("education") == k for k in (2, 3, 4, 5)},
        "smokeintensity": c("smokeintensity"),
        "I(smokeintensity^2)": c("smokeintensity") ** 2,
        "smokeyrs": c("smokeyrs"),
        "I(smokeyrs^2)": c("smokeyrs") ** 2,
        **{f"exercise{k}": c("exercise") == k for k in (1, 2)},
        **{f"active{k}": c("active") == k for k in (1, 2)},
        "wt71": c("wt71"),
        "I(wt71^2)": c("wt71") ** 2,
        **{name: c(name) for name in more},
    }


def design(frame: pl.DataFrame, *more: str) -> Design:
    """The columns, a constant first, scaled to unit SD."""
    chosen = columns(*more)
    matrix = np.vstack([np.ones(frame.height), *frame.select(**chosen).to_numpy().T.astype(float)])
    matrix[1:] = (matrix[1:] - matrix[1:].mean(1, keepdims=True)) / matrix[1:].std(1, keepdims=True)
    return Design(tuple(Term(n, n, n) for n in ("constant", *chosen)), matrix, ())


def balance_lines(frame: pl.DataFrame) -> dict[str, np.ndarray]:
    """The covariates as the balance records name them: numbers as they are, every level of a factor."""
    made = {}
    for name in COVARIATES:
        values = frame[name].to_numpy().astype(float)
        if name in ("education", "exercise", "active"):
            made |= {f"{name}{int(level)}": (values == level).astype(float) for level in np.unique(values)}
        else:
            made[name] = values
    return made
