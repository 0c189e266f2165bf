"""The propensity score: the probability that a lesion's first approach was from below, given what was known before it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.logistic import CHUNK_ROWS, LogisticFit, fit_logistic
from models.spline import KNOT_QUANTILES, natural_spline

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A level seen in fewer lesions by either approach is pooled: with none by one approach the score would separate.
FEWEST_IN_LEVEL = 5


@dataclass(frozen=True, slots=True)
class Covariate:
    """One baseline characteristic, as numbers.

    kind "number": `values` (n,) float, NaN where missing; entered as a natural cubic spline, or a straight line when
    `straight`. kind "category": `values` (n,) level index as float, NaN where missing; `levels` names them. A flag is a category of
    two levels, "no" and "yes".
    """

    name: str
    label: str
    kind: Literal["number", "category"]
    values: Floats
    levels: tuple[str, ...] = ()
    level_labels: tuple[str, ...] = ()
    straight: bool = False


@dataclass(frozen=True, slots=True)
class Term:
    """One row of the design: `of` names the covariate (or the two, joined with " x ")."""

    name: str
    label: str
    of: str


@dataclass(frozen=True, slots=True)
class Design:
    """The score model's terms and matrix (p, n), constant first; `pooled` tells in words which levels were put together."""

    terms: tuple[Term, ...]
    matrix: Floats
    pooled: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Score:
    """A fitted propensity score. `probability` (n,); `design` and `fit` are kept for the sandwich and the balance.

    `leverage` (n,): how much each lesion's own row moved the fitted score, s' (sum e(1-e)xx')^-1 s with s = (a - e)x its score
    contribution; between 0 and about 1, zero when the fit failed.
    """

    design: Design
    fit: LogisticFit
    leverage: Floats

    @property
    def probability(self) -> Floats:
        """Fitted probability of a first approach from below, (n,)."""
        return self.fit.probability

    def residual(self, treated: Floats) -> Floats:
        """What each lesion adds to the equations that the coefficients solve, per unit of its row: a - e for maximum likelihood, (n,)."""
        return treated - self.probability


def build_design(
    covariates: tuple[Covariate, ...],
    treated: Floats,
    interactions: tuple[tuple[str, str], ...] = (),
    only_in_pairs: tuple[Covariate, ...] = (),
) -> Design:
    """The design of the score model: constant, main terms, indicators of "not recorded", interactions.

    A missing number is set to the median and flagged by an indicator; a missing category is a level of its own (the
    missing-indicator method, which assumes that the operator, too, decided without the value: Rosenbaum & Rubin 1984, appendix B).
    Terms are scaled to unit SD so that Newton's steps are well conditioned. Interactions are products of the main terms (straight
    part of a number); `only_in_pairs` are covariates that the main terms already tell and that enter only there. `treated` (n,) of 0 and 1
    decides which sparse levels are pooled.
    """
    # Room for the most terms there can be: memory that no line is written to costs nothing, and no line is held twice.
    matrix = np.empty((_most_terms(covariates, interactions, only_in_pairs), len(treated)))
    matrix[0] = 1.0
    terms: list[Term] = [Term("constant", "constant", "constant")]
    pooled: list[str] = []
    mains: dict[str, list[tuple[Term, Floats]]] = {}
    for covariate in covariates:
        made, remark = _main_terms(covariate, treated)
        pooled += remark
        mains[covariate.name] = []
        for term, line in made:
            matrix[len(terms)] = line
            if not term.name.endswith("(curve)") and "not recorded" not in term.name:
                mains[covariate.name].append((term, matrix[len(terms)]))
            terms.append(term)
    for covariate in only_in_pairs:
        mains[covariate.name] = list(_main_terms(covariate, treated)[0])
    for first, second in interactions:
        for a, line_a in mains.get(first, []):
            for b, line_b in mains.get(second, []):
                product = line_a * line_b
                if usable(product, treated):
                    matrix[len(terms)] = scaled(product)
                    terms.append(Term(f"{a.name} x {b.name}", f"{a.label} x {b.label}", f"{first} x {second}"))
    return independent(Design(tuple(terms), matrix[: len(terms)], tuple(pooled)))


def _most_terms(
    covariates: tuple[Covariate, ...], interactions: tuple[tuple[str, str], ...], only_in_pairs: tuple[Covariate, ...]
) -> int:
    """A bound on the terms of a design: a number's straight and curved parts, a category's levels, "not recorded", products."""
    of = {
        c.name: 1 + (max(KNOT_QUANTILES) if c.kind == "number" else len(c.levels)) for c in covariates + only_in_pairs
    }
    return 1 + sum(of.values()) + sum(of.get(first, 0) * of.get(second, 0) for first, second in interactions)


def fit_score(design: Design, treated: Floats, ridge: Floats | None = None) -> Score:
    """The score by maximum likelihood (Rosenbaum & Rubin 1983, Biometrika 70:41-55), `ridge` (p,) on its terms if given."""
    fit = fit_logistic(design.matrix, treated, ridge)
    return Score(design, fit, _leverage(design.matrix, treated, fit))


def _leverage(matrix: Floats, treated: Floats, fit: LogisticFit) -> Floats:
    if fit.failed_because is not None:
        return np.zeros(len(treated))
    root = np.linalg.inv(np.linalg.cholesky(fit.information))
    found = np.empty(len(treated))
    for start in range(0, len(treated), CHUNK_ROWS):
        part = slice(start, start + CHUNK_ROWS)
        found[part] = ((root @ matrix[:, part]) ** 2).sum(axis=0)
    return np.asarray((treated - fit.probability) ** 2 * found, dtype=np.float64)


def c_statistic(probability: Floats, treated: Floats) -> float:
    """Probability that a lesion started from below has the higher score, ties halved (Hanley & McNeil 1982); NaN with one arm empty."""
    _, inverse, counts = np.unique(probability, return_inverse=True, return_counts=True)
    ranks = (np.cumsum(counts) - (counts - 1) / 2.0)[inverse]
    n1 = float(treated.sum())
    n0 = len(treated) - n1
    if n1 == 0 or n0 == 0:
        return float("nan")
    return float((ranks[treated == 1].sum() - n1 * (n1 + 1) / 2) / (n1 * n0))


Made = tuple[Iterator[tuple[Term, Floats]], list[str]]  # terms with their scaled lines, one at a time, and remarks


def _main_terms(covariate: Covariate, treated: Floats) -> Made:
    missing = np.isnan(covariate.values)
    if missing.all():
        return iter(()), [f"{covariate.label}: never recorded, left out"]
    if covariate.kind == "number":
        return chain(_number_terms(covariate, missing), _missing_term(covariate, missing, treated)), []
    lines, remark = _category_terms(covariate, missing, treated)
    return chain(lines, _missing_term(covariate, missing, treated)), remark


def _number_terms(covariate: Covariate, missing: Mask) -> Iterator[tuple[Term, Floats]]:
    filled = np.where(missing, np.median(covariate.values[~missing]), covariate.values)
    basis = filled[None, :] if covariate.straight else natural_spline(filled)
    for j, line in enumerate(basis):
        if line.std() > 0:
            suffix = "" if j == 0 else f" {j} (curve)"
            yield Term(covariate.name + suffix, covariate.label + suffix, covariate.name), scaled(line)


def _category_terms(covariate: Covariate, missing: Mask, treated: Floats) -> Made:
    name, label, labels = covariate.name, covariate.label, covariate.level_labels or covariate.levels
    level = covariate.values[~missing].astype(np.int64)
    on = np.stack([np.bincount(level[treated[~missing] == a], minlength=len(labels)) for a in (0, 1)])
    off = np.array([[(treated == a).sum()] for a in (0, 1)]) - on
    enough = np.minimum(on, off).min(axis=0) >= FEWEST_IN_LEVEL
    seen = [j for j in range(len(labels)) if on[:, j].any()]
    reference = max(seen, key=lambda j: (on[:, j].sum(), -j))
    rare = [j for j in seen if j != reference and not enough[j]]
    together = np.isin(covariate.values, rare).astype(np.float64)
    pooled = bool(rare) and usable(together, treated)
    remark: list[str] = []
    if rare:
        names = ", ".join(labels[j] for j in rare)
        remark.append(f"{label}: too few of {names}; pooled" + ("" if pooled else f" with {labels[reference]}"))

    def lines() -> Iterator[tuple[Term, Floats]]:
        for j in seen:
            if j != reference and j not in rare:
                line = (covariate.values == j).astype(np.float64)
                yield Term(f"{name}={covariate.levels[j]}", f"{label}: {labels[j]}", name), scaled(line)
        if pooled:
            yield Term(f"{name}=other", f"{label}: other", name), scaled(together)

    return lines(), remark


def _missing_term(covariate: Covariate, missing: Mask, treated: Floats) -> Iterator[tuple[Term, Floats]]:
    line = missing.astype(np.float64)
    if usable(line, treated):
        yield Term(f"{covariate.name} not recorded", f"{covariate.label}: not recorded", covariate.name), scaled(line)


def usable(line: Floats, treated: Floats) -> bool:
    """Whether a 0/1 term occurs, and fails to occur, often enough by each approach; a number only has to vary."""
    some = line[: 1 << 16]
    if some.size and bool(((some != some.min()) & (some != some.max())).any()):
        return bool(line.std() > 0)
    on = line != 0
    by_arm = [int((on & (treated == arm)).sum()) for arm in (0, 1)]
    off = [int((~on & (treated == arm)).sum()) for arm in (0, 1)]
    return min(by_arm + off) >= FEWEST_IN_LEVEL


def scaled(line: Floats) -> Floats:
    """A line with mean 0 and SD 1; only centered when it does not vary."""
    spread = float(line.std())
    return np.asarray((line - line.mean()) / spread if spread > 0 else line - line.mean(), dtype=np.float64)


def independent(design: Design) -> Design:
    """The design without terms that are sums of earlier ones (a level that implies another), found by pivoted Cholesky order."""
    gram = design.matrix @ design.matrix.T / design.matrix.shape[1]
    keep: list[int] = []
    for j in range(len(design.terms)):
        if keep:
            block = gram[np.ix_(keep, keep)]
            rest = gram[j, j] - gram[j, keep] @ np.linalg.solve(block, gram[keep, j])
        else:
            rest = gram[j, j]
        if rest > 1e-8 * max(gram[j, j], 1e-300) and gram[j, j] > 0:
            keep.append(j)
    if len(keep) == len(design.terms):
        return design
    dropped = tuple(
        f"{design.terms[j].label}: told by other terms, left out" for j in range(len(design.terms)) if j not in keep
    )
    for place, j in enumerate(keep):  # in place: a copy would hold the design twice
        design.matrix[place] = design.matrix[j]
    return Design(tuple(design.terms[j] for j in keep), design.matrix[: len(keep)], design.pooled + dropped)
