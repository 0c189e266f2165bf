"""What acts on what, declared once: the causal diagram, and what may never be adjusted for and why.

The diagram is drawn in the report and in docs/causal_diagram.md. To place a new feature, add its name to a `Group`; a column that is
recorded after the first puncture goes into REFUSED (a test asks for both).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from models.causal_diagram import AdjustedTrait, CausalArrow, CausalDiagram, CausalNode
from pipeline.covariates import adjusted_features
from pipeline.features import FEATURES
from pipeline.plan import Plan

SOURCES = "Hernán & Robins, What If, ch. 18; VanderWeele 2019"


@dataclass(frozen=True, slots=True)
class Group:
    """Features that act alike: known before the first puncture, on the approach as on crossing."""

    name: str
    label: str
    why: str
    features: tuple[str, ...]


GROUPS: tuple[Group, ...] = (
    Group(
        "lesion",
        "The lesion",
        "How long, calcified and capped the occlusion is decides where an operator starts and whether a wire crosses.",
        (
            *("length_mm", "length_band", "calcium", "proximal_cap", "distal_cap", "prior_bypass", "segment", "below_knee"),
            *("in_stent", "runoff_vessels", "glass_stage", "pedal_grade", "target_angiosome", "direct"),
        ),
    ),
    Group(
        "patient",
        "The limb and the patient",
        "The threat to the limb and the patient's diseases move the choice, and go with arteries that are hard to cross.",
        (
            *("rutherford", "tissue_loss", "wifi_stage", "renal", "diabetes", "age_years", "age_band", "sex", "smoking"),
            *("coronary_disease", "heart_failure", "ambulatory", "prior_revascularization", "urgency"),
        ),
    ),
    Group(
        "operator",
        "The operator",
        "Operators differ in how often they start from below and in how often they cross, and both change with practice.",
        ("operator_id", "operator_retrograde_before", "site_id"),
    ),
    Group(
        "time",
        "The calendar",
        "Habits and wires change over the years: the choice with them, and so does the share that is crossed.",
        ("calendar_years",),
    ),
)  # fmt: skip

_OTHERS: tuple[CausalNode, ...] = (
    CausalNode(
        "unmeasured",
        "unmeasured",
        "The look of the angiogram that no column records",
        "What the operator saw and nobody wrote down acts on the choice and on crossing: this path stays open, and the report says how strong it would have to be.",
    ),
    CausalNode(
        "leaning",
        "instrument",
        "The operator's leaning to one approach",
        "Beyond skill it acts on the approach alone: adjusting for it cannot take bias away and makes what is unmeasured weigh more. It serves as an instrument instead.",
    ),
    CausalNode(
        "selection",
        "selection",
        "Being in these tables",
        "Only occlusions that someone tried to cross are in the tables: the answer is about such lesions, and no others.",
    ),
    CausalNode("approach", "exposure", "First approach: from below or from above", "What is compared."),
    CausalNode(
        "course",
        "mediator",
        "Plane, devices, minutes, bailout",
        "What happens between puncture and end is how the approach works: adjusting for it would take part of its effect away.",
    ),
    CausalNode("crossing", "outcome", "The wire crosses", "What is compared on."),
    CausalNode(
        "price",
        "collider",
        "Radiation, contrast, complications",
        "The approach and what is unmeasured both act on it: adjusting for it would tie one to the other, and make a difference where there is none.",
    ),
)


def _arrows() -> tuple[CausalArrow, ...]:
    before = tuple(group.name for group in GROUPS)
    drawn = (
        *((name, end) for name in before for end in ("approach", "crossing", "selection")),
        *(("unmeasured", end) for end in ("approach", "crossing", "price", "selection")),
        *(("leaning", "approach"), ("approach", "crossing"), ("approach", "course")),
        *(("course", "crossing"), ("course", "price"), ("crossing", "price")),
    )
    not_drawn = (
        *((name, end) for name in before for end in ("course", "price")),
        *(("patient", "lesion"), ("time", "operator"), ("operator", "leaning"), ("unmeasured", "course")),
    )
    return (*(CausalArrow(*one) for one in drawn), *(CausalArrow(*one, drawn=False) for one in not_drawn))


def causal_diagram(plan: Plan) -> CausalDiagram:
    """The diagram with the plan's adjustment set in it.

    A trait that the plan does not adjust for although the features page has a reason to stands as left open in its group.
    """
    adjusted = adjustment_set(plan)
    labels = {one.feature: one.label for one in adjusted}
    groups = tuple(
        CausalNode(
            group.name,
            "confounder",
            group.label,
            group.why,
            tuple(label for name, label in labels.items() if name in group.features),
            tuple(
                f.label
                for f in FEATURES
                if f.name in group.features and f.adjust_because is not None and f.name not in labels
            ),
        )
        for group in GROUPS
    )
    return CausalDiagram((*groups, *_OTHERS), _arrows(), adjusted)


def adjustment_set(plan: Plan) -> tuple[AdjustedTrait, ...]:
    """The plan's adjustment set in its order, each feature with the reason that the plan gives, or else the features page.

    "" where neither has one: pipeline.plan_names stops such a plan.
    """
    return tuple(
        AdjustedTrait(
            f.name,
            f.label,
            plan.adjust_because.get(f.name, f.adjust_because or ""),
            own=f.name in plan.adjust_because,
        )
        for f in adjusted_features(plan)
    )


Reason = Literal["exposure", "mediator", "outcome", "collider", "instrument"]

# What it is, and what adjusting for it does.
KINDS: Mapping[Reason, tuple[str, str]] = {
    "exposure": ("the approach itself", "leaves nothing to compare"),
    "mediator": ("a mediator", "takes away part of the effect that is asked for"),
    "outcome": ("the outcome or a consequence of it", "lets the answer choose its own lesions"),
    "collider": ("a collider", "ties the approach to what is unmeasured, and makes a difference where there is none"),
    "instrument": ("an instrument", "takes no bias away and makes what is unmeasured weigh more"),
}


@dataclass(frozen=True, slots=True)
class Refused:
    """Names that no plan may adjust for: what they are on the way from approach to crossing."""

    names: tuple[str, ...]
    reason: Reason
    what: str

    def told(self, name: str, doing: str) -> str:
        """Why `doing` ("adjusting for it") is refused, in one line."""
        kind, bias = KINDS[self.reason]
        return f"{name!r} is {kind}: {self.what}; {doing} {bias} ({SOURCES}); take it out"

    def told_of_balance(self, name: str) -> str:
        """Why balance in it says nothing, in one line."""
        kind, _ = KINDS[self.reason]
        return f"{name!r} is {kind}: {self.what}; a fair comparison is not balanced in it ({SOURCES}); take it out"


REFUSED: tuple[Refused, ...] = (
    Refused(
        ("approach", "first_approach", "planned_approach", "session_first_approach"),
        "exposure",
        "it says which approach was chosen",
    ),
    Refused(
        ("plane", "route", "access_site", "guidance", "sheath", "access_gained", "rendezvous"),
        "mediator",
        "it is set after the first puncture, by the approach, and decides whether the wire crosses",
    ),
    Refused(
        ("device", "devices", "wire", "wires", "catheter", "catheters", "balloon", "atherectomy", "reentry_device"),
        "mediator",
        "what is used is chosen after the first puncture, by the approach and by how it goes",
    ),
    Refused(
        ("minutes", "first_attempt_minutes", "attempt_minutes", "minutes_before"),
        "mediator",
        "time spent follows from the approach and decides whether the wire crosses",
    ),
    Refused(
        ("bailout", "then", "attempts", "attempt_no", "attempts_on_lesion", "failed_above_before", "failed_below_before"),
        "mediator",
        "what was tried next follows from the first approach and its failure, and leads to the end of the session",
    ),
    Refused(
        ("crossed", "crossed_before", "first_approach_crossed", "crossed_in_session", "attempt_crossed", "stopped_because"),
        "outcome",
        "it says whether the wire crossed",
    ),
    Refused(
        ("event", "event_date", "follow_up", "healed", "amputation"),
        "outcome",
        "what became of the limb and the patient follows from whether the wire crossed",
    ),
    Refused(
        ("duration_min", "fluoroscopy_min", "air_kerma_mgy", "contrast_ml"),
        "collider",
        "time, radiation and contrast follow from the approach and from how hard the lesion turned out to be",
    ),
    Refused(
        ("lesions_in_procedure",),
        "collider",
        "how many lesions were taken on follows from how the first went and from what the operator saw",
    ),
    Refused(
        ("complication", "complications", "kind", "severity", "complication_date"),
        "collider",
        "a complication follows from the approach and from how hard the lesion turned out to be",
    ),
    Refused(
        ("operator_preference", "operator_leaning", "operator_retrograde_share", "preference", "site_preference"),
        "instrument",
        "the share that an operator starts from below acts on the approach alone; the operator is adjusted for, and the share serves as an instrument",
    ),
)  # fmt: skip


def refused(name: str) -> Refused | None:
    """What stands against adjusting for `name`, whatever its case; None when nothing here does."""
    wanted = name.casefold()
    return next((one for one in REFUSED if wanted in one.names), None)
