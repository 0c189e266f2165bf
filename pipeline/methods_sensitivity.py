"""The sensitivity half of the methods report: what could still be wrong with the primary answer, and by how much.

Five parts, each in a module of its own; what could not be worked out has its reason in `absent`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
from pipeline.methods_hidden import hidden_confounding
from pipeline.methods_influence import influences
from pipeline.methods_looks import EarlierLook, look_series
from pipeline.methods_missing import missing_data
from pipeline.methods_primary import NO_MODEL, primaries
from pipeline.methods_self_check import checked

__all__ = ["EarlierLook", "Sensitivity", "sensitivity"]


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """The parts of models.methods_results.MethodsReport of the same names, and why some are empty."""

    missing: MissingData | None
    hidden: tuple[HiddenConfounding, ...]
    influence: tuple[Influence, ...]
    looks: tuple[LookSeries, ...]
    self_checks: tuple[EndpointSelfCheck, ...]
    absent: tuple[Absent, ...]


# Parts that hang on an endpoint's primary comparison.
OF_AN_ANSWER: tuple[AbsentPart, ...] = (
    "e_values", "surface", "rosenbaum", "controls", "instrument", "bounded", "operators", "patients", "looks", "self_check",
)  # fmt: skip
# All that this module answers for.
PARTS: tuple[AbsentPart, ...] = ("missing", "imputation", "traces", "tipping", *OF_AN_ANSWER)


def sensitivity(found: Estimates, earlier: Sequence[EarlierLook] = ()) -> Sensitivity:
    """All parts for the primary comparison of each endpoint; `earlier` are the reports made before, in order.

    An endpoint whose primary comparison is withheld has no entry, and the reason is told. Same inputs, same result.
    """
    study, model = found.study, found.study.model
    if model is None or study.withheld_because is not None:
        reason = _sentence(study.withheld_because or NO_MODEL)
        return Sensitivity(None, (), (), (), (), tuple(Absent(part, reason) for part in PARTS))
    given, withheld = primaries(found)
    absent = [Absent(part, _sentence(why), name) for name, why in withheld.items() for part in OF_AN_ANSWER]
    missing, reasons = missing_data(study, model, given)
    absent += _told(reasons)
    hidden = []
    for one, reasons in hidden_confounding(given):
        hidden.append(one)
        absent += _told(reasons, one.endpoint)
    influence, reasons = influences(given)
    absent += _told(reasons)
    looks: list[LookSeries] = []
    checks: list[EndpointSelfCheck] = []
    today = str(study.lesions["quarter"].max())
    for name, primary in given.items():
        series = look_series(primary, today, earlier)
        critical = None
        if isinstance(series, str):
            absent.append(Absent("looks", series, name))
        else:
            looks.append(series)
            critical = series.lines[-1].interval.critical_value
        check = checked(primary, critical)
        if isinstance(check, str):
            absent.append(Absent("self_check", check, name))
        else:
            checks.append(check)
    return Sensitivity(missing, tuple(hidden), tuple(influence), tuple(looks), tuple(checks), tuple(absent))


def _told(reasons: Mapping[AbsentPart, str], endpoint: str = "") -> list[Absent]:
    return [Absent(part, reason, endpoint) for part, reason in reasons.items()]


def _sentence(reason: str) -> str:
    return f"{reason[:1].upper()}{reason[1:].rstrip('.')}."
