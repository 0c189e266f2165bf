"""Whether every name in a plan is known: the plan's fields are checked in plan.py, the names in them here."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from pipeline.case_tables import table
from pipeline.causal_paths import refused
from pipeline.endpoints import ENDPOINTS
from pipeline.faults import NeedsMending
from pipeline.features import FEATURES, feature
from pipeline.plan import Plan, read_plan
from pipeline.profiles import PROFILES

FEATURE_NAMES = tuple(f.name for f in FEATURES)


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
    wanted, tipping = plan.eligibility, plan.imputation.tipping_feature
    faults = [
        *_not_features("adjust_for", plan.adjust_for, "adjusting for it"),
        *_without_reason(plan),
        *_not_features("left_out", plan.left_out, None),
        *_unknown("endpoints", "an endpoint", plan.endpoints, (e.name for e in ENDPOINTS if e.compared)),
        *_unknown("margins", "one of endpoints", plan.margins, plan.endpoints),
        *_unlike_profiles(plan),
        *_not_features("imputation.tipping_feature", (tipping,) if tipping else (), "imputing it"),
        *_unknown("eligibility.segments", "a segment", wanted.segments, table("lesions").column("segment").codes),
    ]
    if wanted.first_date is not None and wanted.last_date is not None and wanted.first_date > wanted.last_date:
        faults.append("eligibility: first_date is after last_date; put the earlier date first")
    return faults


def _not_features(field: str, names: Iterable[str], doing: str | None) -> Iterator[str]:
    """A line for each name that is no feature: why it is refused where it stands after the first puncture, else what there is.

    `doing`: what the plan would do with it ("adjusting for it"), None for looking at its balance.
    """
    for name in names:
        found = refused(name)
        if found is not None:
            yield f"{field}: {found.told_of_balance(name) if doing is None else found.told(name, doing)}"
        else:
            yield from _unknown(field, "a feature", (name,), FEATURE_NAMES)


def _unlike_profiles(plan: Plan) -> Iterator[str]:
    for name in plan.profiles:
        found = refused(name)
        if found is not None:
            yield f"profiles: {found.told(name, 'comparing within its levels')}"
        else:
            yield from _unknown("profiles", "a lesion profile", (name,), (p.feature for p in PROFILES))


def _without_reason(plan: Plan) -> Iterator[str]:
    """A line for each feature without a reason to adjust for it, and for each reason without its feature."""
    known = [name for name in plan.adjust_for if name in FEATURE_NAMES]
    for name in known:
        why_not = feature(name).not_adjusted_because
        if why_not is not None and name not in plan.adjust_because:
            yield (
                f"adjust_for: {name!r} is not adjusted for by default ({why_not[0].lower()}{why_not[1:].rstrip('.')}); "
                "give your reason under [adjust_because], or take it out"
            )
    default = [f.name for f in FEATURES if f.adjust_because is not None]
    adjusted = plan.adjust_for or default
    for name in plan.adjust_because:
        if name in adjusted:
            continue
        if name in FEATURE_NAMES:
            where = "add it to adjust_for" if plan.adjust_for else "name it, and all others, in adjust_for"
            yield f"adjust_because: {name!r} is not adjusted for; {where}, or take the reason out"
        else:
            yield from _not_features("adjust_because", (name,), "adjusting for it")


def _unknown(field: str, what: str, names: Iterable[str], known: Iterable[str]) -> list[str]:
    choices = tuple(known)
    return [
        f"{field}: {name!r} is not {what}; choose among {', '.join(choices)}" for name in names if name not in choices
    ]
