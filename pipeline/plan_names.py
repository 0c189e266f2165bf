"""Whether every name in a plan is known: the plan's fields are checked in plan.py, the names in them here."""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.case_tables import table
from pipeline.endpoints import ENDPOINTS
from pipeline.faults import NeedsMending
from pipeline.features import FEATURES
from pipeline.plan import Plan
from pipeline.profiles import PROFILES


def check_names(plan: Plan) -> None:
    """Raises NeedsMending with a line for each name in the plan that is not known, and for dates in the wrong order."""
    features = tuple(f.name for f in FEATURES)
    wanted = plan.eligibility
    lines = [
        *_unknown("adjust_for", "a feature", plan.adjust_for, features),
        *_unknown("left_out", "a feature", plan.left_out, features),
        *_unknown("endpoints", "an endpoint", plan.endpoints, (e.name for e in ENDPOINTS if e.compared)),
        *_unknown("profiles", "a lesion profile", plan.profiles, (p.feature for p in PROFILES)),
        *_unknown("eligibility.segments", "a segment", wanted.segments, table("lesions").column("segment").codes),
    ]
    if wanted.first_date is not None and wanted.last_date is not None and wanted.first_date > wanted.last_date:
        lines.append("plan: eligibility: first_date is after last_date; put the earlier date first")
    if lines:
        raise NeedsMending(*lines)


def _unknown(field: str, what: str, names: Iterable[str], known: Iterable[str]) -> list[str]:
    choices = tuple(known)
    return [
        f"plan: {field}: {name!r} is not {what}; choose among {', '.join(choices)}"
        for name in names
        if name not in choices
    ]
