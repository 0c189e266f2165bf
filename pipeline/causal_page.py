"""Writes docs/causal_diagram.md and its picture from the declared diagram: `python -m pipeline.causal_page`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from models.causal_diagram import CausalDiagram
from pipeline.causal_paths import GROUPS, KINDS, REFUSED, causal_diagram
from pipeline.plan import Plan
from reports.causal_picture import causal_picture, open_paths_in_words

PAGE = Path(__file__).parent.parent / "docs" / "causal_diagram.md"
PICTURE = PAGE.parent / "images" / "causal_diagram.svg"

OPENING = """# The causal diagram

<!-- Written by `python -m pipeline.causal_page` from pipeline/causal_paths.py; change it there. -->

What we take to act on what when an occlusion is crossed, and so what the comparison adjusts for and what it must not. It is the trade's
knowledge, set down before any result; the data did not choose it.

![The lesion, limb and patient, operator and calendar act on the first approach and on crossing and are adjusted for; the look of the angiogram that no column records acts on both and is not](images/causal_diagram.svg)

An arrow runs from what acts to what it acts on. Arrows from the four groups to what happens after the puncture, and between the
groups, are not drawn: they change none of what follows. Dotted edges are never adjusted for; dashed edges and arrows are open."""

PATHS = """A path that begins with an arrow *into* the approach and ends at crossing ties the two together without the approach having any
effect. It is blocked when something on it is adjusted for that is no collider there, or when it holds a collider of which neither itself nor
a consequence is adjusted for (Pearl 2009, sections 1.2.3 and 3.3). `models/causal_diagram.py` looks at every path of the diagram; a plan
that leaves a trait out sees its path marked in the report."""

UNMEASURED = """That is the one thing that no adjustment here can mend. The report therefore says how strong such a trait would have to be, gives an
interval for a trait of the strength that the plan supposes (`hidden_bias`), and uses operators' leaning as an instrument beside the main
answer, where it is strong enough."""

REFUSAL = """A plan that names one of these is stopped, with a line that says why: in `adjust_for`, in `left_out`, where their balance
would say nothing, and in `profiles`, as comparing within a level is adjusting for it."""

SELECTION = """## Who is in the tables

Only occlusions that someone tried to cross are in a service's tables. The choice to try comes before the choice of the approach, so that
it makes no difference between approaches of its own; but what the operator saw acts on both, and the answer is about lesions that such operators
try. Lesions whose attempts were set aside at intake are counted in the case flow."""

SOURCES = """## Sources

- Hernán MA, Robins JM. Causal Inference: What If. Chapman & Hall/CRC 2020: chapter 7 (confounding), 8 (selection), 18 (variables that bring bias in or make
  it larger).
- Pearl J. Causality, 2nd ed. Cambridge University Press 2009.
- VanderWeele TJ. Principles of confounder selection. Eur J Epidemiol 2019;34:211-219.
- Myers JA, et al. Effects of adjusting for instrumental variables on bias and precision of effect estimates. Am J Epidemiol 2011;174:1213-1222.

Sections, volumes and pages are from memory. The arrows themselves are common practice without a source, but for those that
[Features](features.md) gives one for."""


def causal_page() -> str:
    """The page in Markdown, ending with a newline, for the default plan."""
    diagram = causal_diagram(Plan())
    others = [node for node in diagram.nodes if node.role not in ("confounder", "exposure", "outcome")]
    sections = (
        OPENING,
        "## What is adjusted for, and why",
        *(part for node in diagram.of_role("confounder") for part in _group(diagram, node.name)),
        "## What stays open",
        PATHS,
        open_paths_in_words(diagram),
        UNMEASURED,
        "## What is not adjusted for",
        _table(("what", "it is", "why"), ((node.label, _article(node.role), node.why) for node in others)),
        "## Names that a plan may not adjust for",
        REFUSAL,
        _table(
            ("names", "it is", "because", "adjusting for it"),
            ((", ".join(f"`{n}`" for n in one.names), KINDS[one.reason][0], one.what, KINDS[one.reason][1]) for one in REFUSED),
        ),
        SELECTION,
        SOURCES,
    )  # fmt: skip
    return "\n\n".join(sections) + "\n"


def causal_picture_file() -> str:
    """The picture of the default plan's diagram as a file, ending with a newline."""
    return causal_picture(causal_diagram(Plan()), alone=True) + "\n"


def _group(diagram: CausalDiagram, name: str) -> tuple[str, str, str]:
    node = diagram.node(name)
    (group,) = (one for one in GROUPS if one.name == name)
    reasons = ((one.label, one.reason) for one in diagram.adjustment if one.feature in group.features)
    return f"### {node.label}", node.why, _table(("trait", "why"), reasons)


def _article(role: str) -> str:
    return {"instrument": "an instrument", "mediator": "a mediator", "collider": "a collider"}.get(role, role)


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    return "\n".join((*lines, *("| " + " | ".join(row) + " |" for row in rows)))


if __name__ == "__main__":
    PAGE.write_text(causal_page(), encoding="utf-8", newline="\n")
    PICTURE.write_text(causal_picture_file(), encoding="utf-8", newline="\n")
