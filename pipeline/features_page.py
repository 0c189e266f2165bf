"""docs/features.md, written from FEATURES and the published grades: `python -m pipeline.features_page > docs/features.md`."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence

from pipeline.features import FEATURES, Feature
from pipeline.plan import Plan
from pipeline.published_grades import (
    CALCIUM_CAVEAT,
    CALCIUM_GRADES,
    GLASS_STAGE,
    SOURCE_ARTERY,
    SOURCE_ARTERY_OF_SEGMENT,
    WIFI_STAGE,
)

OPENING = """# Features

What is known of a lesion, limb, patient and operator before the first puncture. This page is written from
`pipeline/features.py`; to add a characteristic, add one entry there and write the page again with
`python -m pipeline.features_page > docs/features.md`.

What happens after the first puncture (plane, devices, minutes, access site, anything crossed) is never a feature: adjusting
for it would adjust away part of the approach's effect, or make a difference where there is none. What is not recorded stays
unknown; it is never read as "none" or "no".

The reasons under "why" are common practice, without a source, but for these: length, severe calcium and cap shape go with
changing the approach in Saab and colleagues, J Endovasc Ther 2018;25:284-291.

Age is the year of the procedure less the year of birth, and 90 stands for 90 or older: ages over 89 are told as one group
(45 CFR 164.514(b)(2)(i)(C))."""

CALCIUM = "## Calcium on one scale"

DIRECT = """## Whether the target angiosome is fed directly

Six angiosomes of the foot and ankle and their source arteries: Taylor and Palmer, Br J Plast Surg 1987;40:113-141; Attinger and
colleagues, Plast Reconstr Surg 2006;117(7 Suppl):261S-293S. The treated artery feeds the target angiosome directly when it
is, or continues, that angiosome's source artery. For an occlusion in the femoral or popliteal artery or the tibioperoneal
trunk the answer is left unknown: these are inflow to more than one source artery, and the tables do not say which of them
the procedure opened. The heel has two sources; the angiosome recorded says which of its two territories is meant. The best
vessel is often the one that could be crossed, so direct against indirect is itself confounded by success."""

WIFI = """## WIfI clinical stage

Stage of one-year amputation risk, 1 very low to 4 high: Society for Vascular Surgery, J Vasc Surg 2014;59:220-234. The four
numbers in a cell are for foot infection 0, 1, 2 and 3. Any grade missing leaves the stage unknown."""

GLASS = """## GLASS stage

Global vascular guidelines, J Vasc Surg 2019;69(6S):3S-125S. Severe calcium has already raised the grades that a service
records. Both grades 0 is "not applicable", not stage I, and is left unknown, as is the stage when a grade is missing."""


def features_page(plan: Plan) -> str:
    """The page in Markdown, with the bands of `plan`."""
    adjusted = [f for f in FEATURES if f.adjust_because is not None]
    looked_at = [f for f in FEATURES if f.balance_looked_at]
    followed = [f for f in FEATURES if f.adjust_because is None and not f.balance_looked_at]
    return "\n\n".join(
        (
            OPENING,
            "## Adjusted for, unless the plan says otherwise",
            _feature_table(adjusted, plan),
            "## Not adjusted for, but their balance is looked at",
            _feature_table(looked_at, plan),
            "## Follow from others",
            _feature_table(followed, plan),
            CALCIUM,
            CALCIUM_CAVEAT,
            _table(
                ("scale", "grade", "sides calcified", "extent", "level"),
                ((g.scale, g.grade, "" if g.sides is None else g.sides, g.extent, g.level) for g in CALCIUM_GRADES),
            ),
            DIRECT,
            _table(
                ("target angiosome", "source artery", "segments that are or continue it"),
                ((_words(a), _words(source), _segments_of(source)) for a, source in SOURCE_ARTERY.items()),
            ),
            WIFI,
            _table(
                ("", *(f"ischemia {i}" for i in range(4))),
                (
                    (f"wound {w}", *(" ".join(str(WIFI_STAGE[w, i, f]) for f in range(4)) for i in range(4)))
                    for w in range(4)
                ),
            ),
            GLASS,
            _table(
                ("", *(f"infrapopliteal {ip}" for ip in range(5))),
                ((f"femoropopliteal {fp}", *(GLASS_STAGE[fp, ip] or "" for ip in range(5))) for fp in range(5)),
            ),
        )
    )


def _feature_table(features: Sequence[Feature], plan: Plan) -> str:
    return _table(
        ("name", "what it is", "values", "why"),
        ((f"`{f.name}`", f.label, _values(f, plan), f.adjust_because or f.not_adjusted_because) for f in features),
    )


def _values(shown: Feature, plan: Plan) -> str:
    if shown.kind == "number":
        return f"number, {shown.unit}"
    if shown.kind == "flag":
        return "yes or no"
    return "as recorded" if shown.levels is None else "; ".join(level.label for level in shown.levels(plan))


def _segments_of(source: str) -> str:
    return ", ".join(_words(segment) for segment, artery in SOURCE_ARTERY_OF_SEGMENT.items() if artery == source)


def _words(code: str) -> str:
    return code.replace("_", " ")


def _table(heads: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join("| " + " | ".join(str(cell) for cell in line) + " |" for line in lines)


if __name__ == "__main__":
    sys.stdout.write(features_page(Plan()) + "\n")
