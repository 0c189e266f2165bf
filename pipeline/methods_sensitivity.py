"""The sensitivity half of the methods report: what could still be wrong with the primary answer, and by how much.

Five parts, each in a module of its own; what could not be worked out has its reason in `absent`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from models.methods_results import Absent
from models.sensitivity_results import (
    AbsentPart,
    EndpointSelfCheck,
    HiddenConfounding,
    Influence,
    LookSeries,
    MissingData,
)
from pipeline.estimate import Estimates


@dataclass(frozen=True, slots=True)
class EarlierLook:
    """A report made before this one: its name as printed ("2024 Q3") and the lesions compared in it."""

    name: str
    lesions: int


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """The parts of models.methods_results.MethodsReport of the same names, and why some are empty."""

    missing: MissingData | None
    hidden: tuple[HiddenConfounding, ...]
    influence: tuple[Influence, ...]
    looks: tuple[LookSeries, ...]
    self_checks: tuple[EndpointSelfCheck, ...]
    absent: tuple[Absent, ...]


# Every part of the report that this module answers for.
PARTS: tuple[AbsentPart, ...] = (
    "missing", "imputation", "traces", "tipping", "e_values", "surface", "rosenbaum", "controls", "instrument",
    "bounded", "operators", "patients", "looks", "self_check",
)  # fmt: skip


def sensitivity(found: Estimates, earlier: Sequence[EarlierLook] = ()) -> Sensitivity:
    """All parts for the primary comparison of each endpoint; `earlier` are the reports made before, in order."""
    reason = found.study.withheld_because or "Not worked out in this run."
    return Sensitivity(None, (), (), (), (), tuple(Absent(part, reason) for part in PARTS))
