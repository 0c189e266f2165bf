"""The propensity score: the probability that a lesion's first approach was from below, given what was known before it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.logistic import CHUNK_ROWS, LogisticFit, fit_logistic
from models.spline import natural_spline

Floats = NDArray[np.float64]

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
    rows = len(treated)
    terms: list[Term] = [Term("constant", "constant", "constant")]
    lines: list[Floats] = [np.ones(rows)]
    pooled: list[str] = []
    mains: dict[str, list[tuple[Term, Floats]]] = {}
    for covariate in covariates:
        made, remark = _main_terms(covariate, treated)
        pooled += remark
        mains[covariate.name] = [
            m for m in made if not m[0].name.endswith("(curve)") and "not recorded" not in m[0].name
        ]
        for term, line in made:
            terms.append(term)
            lines.append(line)
    for covariate in only_in_pairs:
        mains[covariate.name] = _main_terms(covariate, treated)[0]
    for first, second in interactions:
        for a, line_a in mains.get(first, []):
            for b, line_b in mains.get(second, []):
                product = line_a * line_b
                if _usable(product, treated):
                    terms.append(Term(f"{a.name} x {b.name}", f"{a.label} x {b.label}", f"{first} x {second}"))
                    lines.append(_scaled(product))
    return _independent(Design(tuple(terms), np.stack(lines), tuple(pooled)))


def fit_score(design: Design, treated: Floats) -> Score:
    """The score by maximum likelihood (Rosenbaum & Rubin 1983, Biometrika 70:41-55)."""
    fit = fit_logistic(design.matrix, treated)
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


def _main_terms(covariate: Covariate, treated: Floats) -> tuple[list[tuple[Term, Floats]], list[str]]:
    return _number_terms(covariate, treated) if covariate.kind == "number" else _category_terms(covariate, treated)


def _number_terms(covariate: Covariate, treated: Floats) -> tuple[list[tuple[Term, Floats]], list[str]]:
    missing = np.isnan(covariate.values)
    if missing.all():
        return [], [f"{covariate.label}: never recorded, left out"]
    filled = np.where(missing, np.median(covariate.values[~missing]), covariate.values)
    basis = filled[None, :] if covariate.straight else natural_spline(filled)
    made: list[tuple[Term, Floats]] = []
    for j, line in enumerate(basis):
        if line.std() > 0:
            suffix = "" if j == 0 else f" {j} (curve)"
            made.append((Term(covariate.name + suffix, covariate.label + suffix, covariate.name), _scaled(line)))
    made += _missing_term(covariate, missing, treated)
    return made, []


def _category_terms(covariate: Covariate, treated: Floats) -> tuple[list[tuple[Term, Floats]], list[str]]:
    missing = np.isnan(covariate.values)
    labels = covariate.level_labels or covariate.levels
    lines = {j: (covariate.values == j).astype(np.float64) for j in range(len(covariate.levels))}
    seen = {j: line for j, line in lines.items() if line.any()}
    if not seen:
        return [], [f"{covariate.label}: never recorded, left out"]
    reference = max(seen, key=lambda j: (seen[j].sum(), -j))
    made: list[tuple[Term, Floats]] = []
    rare = [j for j, line in seen.items() if j != reference and not _usable(line, treated)]
    remark: list[str] = []
    if rare:
        together = np.sum([seen[j] for j in rare], axis=0)
        names = ", ".join(labels[j] for j in rare)
        remark.append(
            f"{covariate.label}: too few of {names}; pooled"
            + ("" if _usable(together, treated) else f" with {labels[reference]}")
        )
    for j, line in seen.items():
        if j != reference and j not in rare:
            made.append(
                (
                    Term(f"{covariate.name}={covariate.levels[j]}", f"{covariate.label}: {labels[j]}", covariate.name),
                    _scaled(line),
                )
            )
    if rare and _usable(together, treated):
        made.append((Term(f"{covariate.name}=other", f"{covariate.label}: other", covariate.name), _scaled(together)))
    made += _missing_term(covariate, missing, treated)
    return made, remark


def _missing_term(covariate: Covariate, missing: NDArray[np.bool_], treated: Floats) -> list[tuple[Term, Floats]]:
    line = missing.astype(np.float64)
    if not _usable(line, treated):
        return []
    return [(Term(f"{covariate.name} not recorded", f"{covariate.label}: not recorded", covariate.name), _scaled(line))]


def _usable(line: Floats, treated: Floats) -> bool:
    """Whether a 0/1 term occurs, and fails to occur, often enough by each approach; a number only has to vary."""
    if len(np.unique(line[: 1 << 16])) > 2:
        return bool(line.std() > 0)
    on = line != 0
    by_arm = [int((on & (treated == arm)).sum()) for arm in (0, 1)]
    off = [int((~on & (treated == arm)).sum()) for arm in (0, 1)]
    return min(by_arm + off) >= FEWEST_IN_LEVEL


def _scaled(line: Floats) -> Floats:
    spread = float(line.std())
    return np.asarray((line - line.mean()) / spread if spread > 0 else line - line.mean(), dtype=np.float64)


def _independent(design: Design) -> Design:
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
    return Design(tuple(design.terms[j] for j in keep), design.matrix[keep], design.pooled + dropped)
