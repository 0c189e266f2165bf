"""The eligible lesions as the models take them, and one way from a method's numbers to comparisons that are pooled and held to their gates."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.augmented import augmented_within
from models.comparison import risks_within
from models.gates import Thresholds
from models.pooling import Moments, PooledComparison, moments_of, pooled_comparison
from models.results import ArmRisk, Comparison, Population
from models.weights import balancing_weights
from pipeline.endpoints import endpoint
from pipeline.plan import Plan
from pipeline.profiles import Cell
from pipeline.score_model import Models, ScoreModel

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

SMALL_CELLS = "small cells: Newcombe, recovered-ratio and Firth intervals on effective counts"


@dataclass(frozen=True, slots=True)
class Study:
    """The eligible lesions as arrays of n: `treated` 1 for a first approach from below; `patient` numbered from 0, `operator` too, -1 unknown.

    `model` is None where there is none to be had, for the reason in `withheld_because`.
    """

    lesions: pl.DataFrame = field(repr=False)
    treated: Floats
    patient: Integers
    operator: Integers
    limits: Thresholds
    plan: Plan
    model: ScoreModel | None
    withheld_because: str | None

    def outcome(self, name: str) -> Floats:
        """The endpoint `name`, (n,) of 0 and 1."""
        return self.lesions[endpoint(name).column].cast(pl.Float64).to_numpy()

    @property
    def everyone(self) -> Mask:
        """All lesions, (n,)."""
        return np.ones(len(self.treated), dtype=bool)


@dataclass(frozen=True, slots=True)
class Asked:
    """A comparison to make: within which lesions, why it is withheld or None, and what stands beside it whatever the endpoint."""

    cell: Cell
    withheld_because: str | None
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Question:
    """One method in one population, asked of each endpoint within the cells of `asked`."""

    method: str
    population: Population
    asked: tuple[Asked, ...]

    @property
    def members(self) -> list[Mask]:
        """The lesions of each cell that is not withheld, in order."""
        return [one.cell.member for one in self.asked if one.withheld_because is None]


@dataclass(frozen=True, slots=True)
class Answers:
    """Comparisons of one question and endpoint in the order of its cells, and what was pooled for each that is given."""

    comparisons: tuple[Comparison, ...]
    pooled: tuple[PooledComparison | None, ...]


def answer(study: Study, questions: Sequence[Question]) -> dict[tuple[str, str, Population], Answers]:
    """By endpoint, method and population: every question answered on each completed data set in turn, and pooled.

    Methods: "crude" (no weights), "weighting" (the plain score, HC2) and "doubly_robust" (augmented, the score with chosen pairs, jackknife).
    """
    gathered: dict[tuple[int, str], list[list[Moments]]] = {}
    sets: Iterable[Models | None] = study.model.each() if study.model is not None else (None,)
    for number, models in enumerate(sets):
        for at, question in enumerate(questions):
            if question.method == "crude" and number:
                continue
            for name in study.plan.endpoints:
                found = list(_moments(study, models, question, name))
                gathered.setdefault((at, name), []).append(found)
    made = {}
    for at, question in enumerate(questions):
        for name in study.plan.endpoints:
            made[name, question.method, question.population] = _pooled(study, question, name, gathered[at, name])
    return made


def _moments(study: Study, models: Models | None, question: Question, name: str) -> Iterator[Moments]:
    members = question.members
    if not members:
        return
    treated, patient, outcome = study.treated, study.patient, study.outcome(name)
    if question.method == "crude" or models is None:
        weights = balancing_weights(np.full(len(treated), 0.5), treated, "observed")
        found = risks_within(treated, outcome, patient, weights, None, members, "leverage")
    elif question.method == "weighting":
        weights = balancing_weights(models.plain.probability, treated, question.population)
        found = risks_within(treated, outcome, patient, weights, models.plain, members, "leverage")
    else:
        weights = balancing_weights(models.score.probability, treated, question.population)
        model = models.outcomes[name]
        found = augmented_within(treated, outcome, patient, question.population, models.score, model, members)
    for one, member in zip(found, members, strict=True):
        yield moments_of(one, treated, outcome, patient, weights.weight, member)


def _pooled(study: Study, question: Question, name: str, sets: Sequence[Sequence[Moments]]) -> Answers:
    plan = study.plan
    by_cell = iter(zip(*sets, strict=True)) if sets and sets[0] else iter(())
    comparisons: list[Comparison] = []
    pooled: list[PooledComparison | None] = []
    for one in question.asked:
        if one.withheld_because is not None:
            comparisons.append(withheld(study, name, question, one.cell, one.withheld_because, one.remarks))
            pooled.append(None)
            continue
        here = pooled_comparison(list(next(by_cell)), plan.level, plan.gates.sparse_cell)
        remarks = (*one.remarks, SMALL_CELLS) if here.estimated.sparse else one.remarks
        comparisons.append(
            Comparison(
                name,
                question.population,
                question.method,
                one.cell.key,
                plan.level,
                here.estimated.retrograde,
                here.estimated.antegrade,
                here.estimated.effects,
                None,
                "; ".join(remarks),
            )
        )
        pooled.append(here)
    return Answers(tuple(comparisons), tuple(pooled))


def withheld(
    study: Study, name: str, question: Question, cell: Cell, because: str, remarks: Sequence[str] = ()
) -> Comparison:
    """The comparison with its counts alone and the reason why there is no estimate."""
    below, above = (bare_arm(study, study.outcome(name), cell.member, arm) for arm in (1, 0))
    note = "; ".join(remarks)
    return Comparison(
        name, question.population, question.method, cell.key, study.plan.level, below, above, (), because, note
    )


def bare_arm(study: Study, outcome: Floats, member: Mask, arm: int) -> ArmRisk:
    """The counts of one approach within `member`, without a risk."""
    chosen = member & (study.treated == arm)
    return ArmRisk(
        "retrograde" if arm else "antegrade", None, None, None, int(chosen.sum()), int(outcome[chosen].sum()), None
    )


def numbered(ids: pl.Series) -> Integers:
    """Clusters numbered by first appearance, (n,), -1 for none: sums over them must not depend on the key of the pseudonyms."""
    known = ids.is_not_null().to_numpy()
    found = np.full(len(ids), -1, dtype=np.int64)
    rank = ids.rank("dense").fill_null(0).to_numpy()[known]
    _, first, inverse = np.unique(rank, return_index=True, return_inverse=True)
    found[known] = np.argsort(np.argsort(first))[inverse]
    return found
