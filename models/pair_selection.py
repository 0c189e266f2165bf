"""Which combinations of traits enter the models: those that the choice of approach or the outcome follows beyond the single traits.

A score of single traits, however curved, misses an operator who starts from below in the *long and* calcified lesion. All pairs of some
forty terms are hundreds, too many to fit. They are looked at one by one (score tests: Rao 1948), in the model of the approach and in that of
each outcome, and the strongest enter *both* models, step by step: double selection (Belloni, Chernozhukov & Hansen 2014, Rev Econ Stud
81:608-650). Looking at both sides matters: a pair left out biases the comparison by the product of what it does to the choice
and to the outcome, so two middling pulls count as much as one strong one.

The thresholds were chosen by simulation (docs/validation.md). Pairs that enter by chance cost a little precision and no bias; that they were looked
for is paid by the jackknife form of the interval (`models.augmented`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.logistic import LogisticFit, fit_logistic
from models.propensity import Covariate, Design, Term, independent, scaled, usable

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

ALONE = 3.2  # |z| in one model that lets a pair in
TOGETHER = 2.2  # geometric mean of |z| in the choice and in an outcome that lets a pair in
AT_ONCE = 3  # pairs that enter in one step
ALIKE = 0.3  # correlation above which two pairs do not enter in one step: the first may explain the second
FEWEST_BOTH = 5  # lesions by either approach in which both of two yes/no traits are there; fewer separate the models
LOOKED_AT_AGAIN = (
    0.5  # of the threshold: pairs weaker than that at the first step are not looked at in the later ones, for speed
)
LEAST_OWN = 0.05  # share of a pair's variance that the terms already there must leave to it
BANDS = 4  # a number also enters pairs in quarters, so that a step in it is found
MOST_LESIONS = (
    50_000  # beyond, pairs are looked for in this many lesions, taken evenly; what they decide is seen in so many
)
RIDGE = 1.0  # of the outcome models, as in models.augmented
_CHUNK = 2048


@dataclass(frozen=True, slots=True)
class Part:
    """One side of a pair: a line of the design, a number in quarters or an ordered category as a number. `of` names the covariate."""

    name: str
    label: str
    of: str
    line: Floats


@dataclass(frozen=True, slots=True)
class ChosenPair:
    """A pair that entered, with its |z| in the model of the approach and the largest in a model of an outcome at that step."""

    name: str
    label: str
    z_choice: float
    z_outcome: float


@dataclass(frozen=True, slots=True)
class PairSelection:
    """The design with the pairs that entered (the same design when none did), and what they are. `looked_at`: how many pairs there were."""

    design: Design
    chosen: tuple[ChosenPair, ...]
    looked_at: int


def parts_of(
    design: Design, covariates: Sequence[Covariate], ordered: frozenset[str], never: frozenset[str]
) -> list[Part]:
    """The sides of pairs: the design's own lines of single traits, numbers in quarters, and ordered categories as numbers.

    `covariates` are complete or have their gaps marked in the design; `ordered` names the categories whose levels rise; `never` those that enter no
    pair (who operated: too many levels).
    """
    found = [
        Part(term.name, term.label, term.of, line)
        for term, line in zip(design.terms, design.matrix, strict=True)
        if term.of not in never | {"constant"} and " x " not in term.of and "not recorded" not in term.name
    ]
    for covariate in covariates:
        values, known = covariate.values, ~np.isnan(covariate.values)
        if covariate.name in never or not known.any():
            continue
        filled = np.where(known, values, np.median(values[known]))
        if covariate.kind == "number" and not covariate.straight:
            band = np.searchsorted(np.quantile(filled, np.arange(1, BANDS) / BANDS), filled, side="right")
            for j in range(BANDS):
                line = (band == j).astype(np.float64)
                label = f"{covariate.label}, quarter {j + 1} of {BANDS}"
                found.append(Part(f"{covariate.name} quarter {j + 1}", label, covariate.name, line))
        elif covariate.name in ordered:
            found.append(Part(f"{covariate.name} as number", f"{covariate.label} as number", covariate.name, filled))
    return [part for part in found if part.line.std() > 0]


def select_pairs(
    design: Design, parts: Sequence[Part], treated: Floats, outcomes: Sequence[Floats], room: int
) -> PairSelection:
    """The design with the pairs of `parts` that the choice or an outcome follows; at most `room` of them.

    `design` (p, n) of the score, `treated` (n,) and each of `outcomes` (n,) of 0 and 1. Deterministic. A model that cannot be fitted ends the search
    with what has entered so far.
    """
    enough = _seen_together(parts, treated)
    pairs = [
        (i, j)
        for i in range(len(parts))
        for j in range(i + 1, len(parts))
        if enough[i, j] and parts[i].of != parts[j].of
    ]
    if not pairs or room < 1:
        return PairSelection(design, (), len(pairs))
    rows = np.arange(len(treated))
    if len(rows) > MOST_LESIONS:
        rows = np.linspace(0, len(rows) - 1, MOST_LESIONS).astype(np.int64)
    sides = np.stack([part.line[rows] for part in parts])
    sides = (sides - sides.mean(axis=1, keepdims=True)) / sides.std(axis=1, keepdims=True)
    found = _searched(
        design.matrix[:, rows], sides, np.asarray(pairs), treated[rows], [y[rows] for y in outcomes], room
    )
    chosen: list[ChosenPair] = []
    terms: list[Term] = []
    lines: list[Floats] = []
    for at, z_choice, z_outcome in found:
        first, second = (parts[side] for side in pairs[at])
        line = scaled(first.line) * scaled(second.line)
        if not usable(line, treated):
            continue
        name, label = f"{first.name} x {second.name}", f"{first.label} x {second.label}"
        chosen.append(ChosenPair(name, label, z_choice, z_outcome))
        terms.append(Term(name, label, f"{first.of} x {second.of}"))
        lines.append(scaled(line))
    if not chosen:
        return PairSelection(design, (), len(pairs))
    whole = independent(Design(design.terms + tuple(terms), np.vstack([design.matrix, *lines]), ()))
    kept = {term.name for term in whole.terms}
    entered = tuple(pair for pair in chosen if pair.name in kept)
    return PairSelection(Design(whole.terms, whole.matrix, design.pooled), entered, len(pairs))


def with_pairs(design: Design, parts: Sequence[Part], chosen: Sequence[ChosenPair]) -> Design:
    """The design with pairs that were chosen elsewhere (on another imputation of the same lesions), those whose parts are here."""
    by_name = {part.name: part for part in parts}
    terms, lines = list(design.terms), []
    for pair in chosen:
        first, second = (by_name.get(name) for name in pair.name.split(" x "))
        if first is not None and second is not None:
            terms.append(Term(pair.name, pair.label, f"{first.of} x {second.of}"))
            lines.append(scaled(scaled(first.line) * scaled(second.line)))
    if not lines:
        return design
    whole = independent(Design(tuple(terms), np.vstack([design.matrix, *lines]), ()))
    return Design(whole.terms, whole.matrix, design.pooled)


def _seen_together(parts: Sequence[Part], treated: Floats) -> NDArray[np.bool_]:
    """Whether each two parts occur together in enough lesions by each approach; a number always occurs."""
    on = np.stack([part.line > part.line.mean() if _is_flag(part.line) else np.ones_like(part.line) for part in parts])
    by_arm = [(on * (treated == arm)).astype(np.float64) @ on.T for arm in (1, 0)]
    return np.asarray(np.minimum(*by_arm) >= FEWEST_BOTH)


def _is_flag(line: Floats) -> bool:
    return bool(((line == line.min()) | (line == line.max())).all())


def _searched(
    base: Floats, sides: Floats, pairs: Integers, treated: Floats, outcomes: Sequence[Floats], room: int
) -> Iterator[tuple[int, float, float]]:
    """Positions in `pairs` of those that enter, in order, with their |z|."""
    matrix, entered, place = base, 0, np.arange(len(pairs))
    while entered < room:
        choice = _score_tests(matrix, treated, sides, pairs, None)
        model = np.vstack([matrix, treated])
        ridge = np.full(len(model), RIDGE)
        ridge[[0, -1]] = 0.0
        tests = [_score_tests(model, outcome, sides, pairs, ridge) for outcome in outcomes]
        if choice is None:
            return
        known = [test for test in tests if test is not None]
        course = np.max(known, axis=0) if known else np.zeros_like(choice)
        strength = np.maximum(np.maximum(choice, course) / ALONE, np.sqrt(choice * course) / TOGETHER)
        picked = _picked(strength, sides, pairs, min(AT_ONCE, room - entered))
        if not picked:
            return
        for at in picked:
            yield int(place[at]), float(choice[at]), float(course[at])
        matrix = np.vstack([matrix, *(sides[pairs[at, 0]] * sides[pairs[at, 1]] for at in picked)])
        if not entered:
            again = strength >= LOOKED_AT_AGAIN
            pairs, place = pairs[again], place[again]
        entered += len(picked)


def _picked(strength: Floats, sides: Floats, pairs: Integers, most: int) -> list[int]:
    picked: list[int] = []
    lines: list[Floats] = []
    for at in np.argsort(-strength, kind="stable")[: 8 * most]:
        if strength[at] < 1.0 or len(picked) == most:
            break
        line = scaled(sides[pairs[at, 0]] * sides[pairs[at, 1]])
        if all(abs(float(line @ other)) / len(line) < ALIKE for other in lines):
            picked.append(int(at))
            lines.append(line)
    return picked


def _score_tests(
    matrix: Floats, outcome: Floats, sides: Floats, pairs: Integers, ridge: Floats | None
) -> Floats | None:
    """|z| of each pair added to the model of `outcome` on `matrix` (p, n); None when that model cannot be fitted.

    With residual r and w = e(1-e): z = sum(c r) / sqrt(sum(w c^2) - b' I^-1 b), b = sum(w c x), I = sum(w x x'). Zero where the model leaves the
    pair next to nothing of its own. Adding a constant to c, or scaling it, changes nothing.
    """
    fit: LogisticFit = fit_logistic(matrix, outcome, ridge)
    if fit.failed_because is not None:
        return None
    e = fit.probability
    rest, weight = outcome - e, e * (1.0 - e)
    pull, square, own_mean = np.zeros(len(pairs)), np.zeros(len(pairs)), np.zeros(len(pairs))
    shared = np.zeros((len(pairs), len(matrix)))
    weighted_matrix = matrix * weight
    for start in range(0, len(outcome), _CHUNK):
        part = slice(start, start + _CHUNK)
        line = sides[pairs[:, 0], part] * sides[pairs[:, 1], part]
        pull += line @ rest[part]
        shared += line @ weighted_matrix[:, part].T
        own_mean += line @ weight[part]
        line *= line
        square += line @ weight[part]
    spread = square - own_mean**2 / weight.sum()
    left = square - np.einsum("ij,ij->i", shared, np.linalg.solve(fit.information, shared.T).T)
    sound = left > LEAST_OWN * np.maximum(spread, 1e-12)
    return np.asarray(np.where(sound, np.abs(pull) / np.sqrt(np.where(sound, left, 1.0)), 0.0), dtype=np.float64)
