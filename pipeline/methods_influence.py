"""How much the primary answers rest on single operators and patients: what they would be, fitted again without them.

Left-out answers are pooled over a few of the completed data sets and set against the answer with everybody on the same ones, so that chance between data sets
does not count as a shift. No identity leaves this module: operators are numbered anew, patients are counted.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from models.influence import FitAgain, leave_one_operator_out, patient_influence
from models.pooling import PooledComparison
from models.results import Effect
from models.sensitivity_results import AbsentPart, Influence, LeftOutOperator
from pipeline.methods_primary import Primary, made_again, moved_by, restricted, weighted

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Completed data sets that left-out answers are pooled over, and lesions of all of them together (our choices, for speed).
MOST_DATA_SETS = 5
LESIONS_IN_ALL = 15_000
# Above either, the answer is not fitted again: lesions for patients' pull, which the influence function tells well there, and lesions times operators.
MOST_LESIONS = 20_000
MOST_OPERATORS = 30


@dataclass(slots=True)
class Refits:
    """The primary comparison of every endpoint without some lesions, each set of lesions fitted once."""

    primaries: Mapping[str, Primary]
    made: dict[bytes, Mapping[str, PooledComparison] | str] = field(default_factory=dict)

    def without(self, kept: Mask) -> Mapping[str, PooledComparison] | str:
        """By endpoint, of the lesions `kept` (n,); or why there is none."""
        key = kept.tobytes()
        if key not in self.made:
            study = next(iter(self.primaries.values())).study
            few = restricted(study, kept, max(1, min(MOST_DATA_SETS, LESIONS_IN_ALL // len(kept))))
            self.made[key] = few if isinstance(few, str) else made_again(*few)
        return self.made[key]

    def of(self, name: str) -> FitAgain:
        """The risk difference of one endpoint, moved by what these data sets alone would move the answer with everybody."""
        primary = self.primaries[name]
        everybody = self.without(primary.study.everyone)
        offset = 0.0
        if not isinstance(everybody, str) and name in everybody:
            offset = primary.pooled.difference.value - everybody[name].difference.value

        def fit_again(kept: Mask) -> Effect | str:
            found = self.without(kept)
            if isinstance(found, str):
                return found
            if name not in found:
                return "no estimate without these lesions"
            return moved_by(found[name].estimated.effects[0], offset)

        return fit_again


def influences(given: Mapping[str, Primary]) -> tuple[list[Influence], dict[AbsentPart, str]]:
    """One entry for each endpoint of `given`, and why operators or patients are not told of."""
    if not given:
        return [], {}
    study = next(iter(given.values())).study
    operators = study.operator[study.operator >= 0]
    count = len(np.unique(operators))
    reasons: dict[AbsentPart, str] = {}
    if count < 2:
        reasons["operators"] = "Fewer than two operators are recorded."
    elif count > MOST_OPERATORS:
        reasons["operators"] = f"With more than {MOST_OPERATORS} operators the answer is not fitted again without each."
    elif len(study.treated) > MOST_LESIONS:
        reasons["operators"] = (
            f"With more than {MOST_LESIONS:,} lesions the answer is not fitted again without each operator."
        )
    refits = Refits(given)
    made = []
    for name, primary in given.items():
        left_out = () if reasons else _without_each_operator(primary, refits.of(name))
        made.append(_influence(primary, refits, left_out))
    return made, reasons


def _without_each_operator(primary: Primary, fit_again: FitAgain) -> tuple[LeftOutOperator, ...]:
    study = primary.study
    found = leave_one_operator_out(study.operator, fit_again, study.plan.seed_for("operators"))
    # Lesions of operators who are not recorded belong to no one who could be left out.
    if (study.operator < 0).any():
        order = np.random.default_rng(study.plan.seed_for("operators")).permutation(np.unique(study.operator))
        named = [one for one, operator in zip(found, order, strict=True) if operator >= 0]
        return tuple(replace(one, number=number) for number, one in enumerate(named, start=1))
    return found


def _influence(primary: Primary, refits: Refits, operators: tuple[LeftOutOperator, ...]) -> Influence:
    study, models, name = primary.study, primary.model.first, primary.endpoint
    found = weighted(study, models, primary.model.outcomes[name], models.outcomes[name], small_sample=False)
    pull = found.influence_1 - found.influence_0
    value = primary.pooled.difference.value
    large = len(study.treated) > MOST_LESIONS
    again = _by_influence(primary, pull) if large else refits.of(name)
    patients = patient_influence(pull, study.patient, value, again)
    effect = primary.difference
    return Influence(
        name,
        effect.estimate,
        effect.lower,
        effect.upper,
        primary.pooled.difference.standard_error,
        operators,
        patients.patients,
        patients.patient_shift,
        patients.few_patients,
        patients.few_shift,
    )


def _by_influence(primary: Primary, pull: Floats) -> FitAgain:
    """The answer without some patients to first order: exact to rounding in a service so large."""
    patient = primary.study.patient
    present = np.bincount(patient, minlength=len(pull)) > 0

    def fit_again(kept: Mask) -> Effect:
        gone = present & (np.bincount(patient[kept], minlength=len(pull)) == 0)
        return replace(primary.difference, estimate=primary.pooled.difference.value - float(pull[gone].sum()))

    return fit_again
