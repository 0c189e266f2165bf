"""Repeated looks: intervals that stay right although a report was made before and will be made again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

import polars as pl

from models.repeated_looks import Look, looks_made_before, valid_over_looks
from models.sensitivity_results import LookLine, LookSeries
from models.weights import balancing_weights, effective_clusters
from pipeline.endpoints import endpoint
from pipeline.methods_primary import Primary
from pipeline.plan_parts import LooksMethod

DAYS_A_QUARTER = 365.25 / 4

IN_WORDS: dict[LooksMethod, str] = {
    "open_ended": "error spent as lesions come in, half of it by the looks planned and some left for ever (Lan & DeMets 1983)",
    "confidence_sequence": "asymptotic confidence sequence (Waudby-Smith et al. 2024)",
    "obrien_fleming": "O'Brien and Fleming's spending of the error (Lan & DeMets 1983)",
    "pocock": "Pocock's spending of the error (Lan & DeMets 1983)",
}
# These two go on after the looks planned.
WITHOUT_END = ("open_ended", "confidence_sequence")


@dataclass(frozen=True, slots=True)
class EarlierLook:
    """A report made before this one: its name as printed ("2024 Q3") and the lesions compared in it."""

    name: str
    lesions: int


def look_series(primary: Primary, name: str, earlier: Sequence[EarlierLook]) -> LookSeries | str:
    """This look, printed as `name`, after the `earlier` ones, or why it cannot be placed among them.

    Of earlier looks only their sizes are known: enough for today's interval, whose width depends on when looks were made and not on what they
    showed. The planned number of lesions is what the first look had and, for each look after it, the lesions a quarter up to it.
    """
    plan, pooled = primary.study.plan, primary.pooled
    n = primary.study.lesions.height
    error = pooled.difference.standard_error
    if not error > 0:
        return "The primary difference has no standard error to place this look by."
    degrees = pooled.difference.degrees_of_freedom
    today = Look(n, _effective_patients(primary), pooled.difference.value, error, inf if degrees is None else degrees)
    before = _placed(earlier, plan.looks.earlier, n)
    looks = (*looks_made_before(today, [one.lesions for one in before]), today)
    found = valid_over_looks(
        looks,
        1.0 - plan.looks.error,
        _planned_lesions(primary.study.lesions, looks[0].n, plan.looks.planned),
        plan.looks.method,
        positive_favors="retrograde" if endpoint(primary.endpoint).success else "antegrade",
    )
    names = [*(one.name for one in before), name]
    lines = tuple(LookLine(j, *line) for j, line in enumerate(zip(names, found, strict=True), start=1))
    planned = None if plan.looks.method in WITHOUT_END else plan.looks.planned
    return LookSeries(primary.endpoint, IN_WORDS[plan.looks.method], planned, plan.looks.error, lines)


def _effective_patients(primary: Primary) -> float:
    """Kish's size, in patients, of the smaller arm under the primary weights."""
    study, models = primary.study, primary.model.first
    score = models.plain if study.plan.primary_method == "weighting" else models.score
    weight = balancing_weights(score.probability, study.treated, study.plan.primary_population).weight
    arms = [study.treated == arm for arm in (1, 0)]
    return min(effective_clusters(weight[arm], study.patient[arm]) for arm in arms)


def _placed(earlier: Sequence[EarlierLook], count: int | None, n: int) -> list[EarlierLook]:
    """Earlier looks of fewer than `n` lesions, as many as the plan says; those that left no trace are spread evenly below the first."""
    kept = [one for one in earlier if 0 < one.lesions < n]
    if count is None:
        return kept
    kept = kept[len(kept) - count :] if 0 < count < len(kept) else kept if count else []
    unknown = count - len(kept)
    first = kept[0].lesions if kept else n
    sizes = [first * j // (unknown + 1) for j in range(1, unknown + 1)]
    spread = [EarlierLook(f"earlier look {j}", size) for j, size in enumerate(sizes, start=1) if size > 0]
    return [*spread, *kept]


def _planned_lesions(lesions: pl.DataFrame, first: int, planned: int) -> int:
    """The first look's lesions and, for each quarterly look after it, those of a quarter up to then."""
    dates = lesions["procedure_date"].sort()[:first]
    days = int(dates.to_physical()[-1] - dates.to_physical()[0]) + 1
    return round(first + (planned - 1) * first / max(1.0, days / DAYS_A_QUARTER))
