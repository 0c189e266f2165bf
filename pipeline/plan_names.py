"""Whether every name in a plan is known: the plan's fields are checked in plan.py, the names in them here."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from pipeline.case_tables import table
from pipeline.endpoints import ENDPOINTS
from pipeline.faults import NeedsMending
from pipeline.features import FEATURES
from pipeline.plan import Plan, read_plan
from pipeline.profiles import PROFILES


def load_checked_plan(path: Path | None) -> Plan:
    """The plan in a TOML file, or the default for None, its names checked too.

    Raises NeedsMending with one line per fault, those of fields and of names together.
    """
    plan, faults = read_plan(path)
    lines = [*faults, *(f"{path.name}: {fault}" for fault in _name_faults(plan) if path is not None)]
    if lines:
        raise NeedsMending(*lines)
    return plan


def check_names(plan: Plan) -> None:
    """Raises NeedsMending with a line for each name in the plan that is not known, and for dates in the wrong order."""
    lines = [f"plan: {fault}" for fault in _name_faults(plan)]
    if lines:
        raise NeedsMending(*lines)


def _name_faults(plan: Plan) -> list[str]:
    features = tuple(f.name for f in FEATURES)
    wanted = plan.eligibility
    faults = [
        *_unknown("adjust_for", "a feature", plan.adjust_for, features),
        *_unknown("left_out", "a feature", plan.left_out, features),
        *_unknown("endpoints", "an endpoint", plan.endpoints, (e.name for e in ENDPOINTS if e.compared)),
        *_unknown("profiles", "a lesion profile", plan.profiles, (p.feature for p in PROFILES)),
        *_unknown("eligibility.segments", "a segment", wanted.segments, table("lesions").column("segment").codes),
    ]
    if wanted.first_date is not None and wanted.last_date is not None and wanted.first_date > wanted.last_date:
        faults.append("eligibility: first_date is after last_date; put the earlier date first")
    return faults


def _unknown(field: str, what: str, names: Iterable[str], known: Iterable[str]) -> list[str]:
    choices = tuple(known)
    return [
        f"{field}: {name!r} is not {what}; choose among {', '.join(choices)}" for name in names if name not in choices
    ]
