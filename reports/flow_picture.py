"""What happened on the table, drawn as a flow: first approach, what came next, how the session ended.

The layout is worked out here (pure functions of shares) and only then drawn, so that no label can fall on another.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import altair as alt

from models.results import Approach
from reports import palette
from reports.notation import count, share_of
from reports.row_chart import Size, Spec, finish, inline
from reports.shown import ShownEdition, ShownSequence

PANEL = 176  # pixels of height that stand for all lesions of one first approach
UNKNOWN_SHARE = 0.02  # drawn thickness where the count is hidden: marked, and not to be measured
APPROACHES: tuple[Approach, ...] = ("retrograde", "antegrade")
START = {"retrograde": "Started from below", "antegrade": "Started from above"}
OTHER = {"retrograde": "above", "antegrade": "below"}
OWN = {"retrograde": "below", "antegrade": "above"}


@dataclass(frozen=True, slots=True)
class Node:
    """A block of the picture: `top` and `height` in pixels, `column` 0 to 2, `count` None when hidden."""

    name: str
    column: int
    top: float
    height: float
    color: str
    count: int | None


@dataclass(frozen=True, slots=True)
class Link:
    """A band between two blocks; `start` and `end` are the pixels of its upper edge at either side."""

    column: int
    to_column: int
    start: float
    end: float
    height: float
    color: str
    hidden: bool
    tip: str


@dataclass(frozen=True, slots=True)
class Panel:
    """The flow of one first approach."""

    approach: Approach
    total: int | None
    nodes: tuple[Node, ...]
    links: tuple[Link, ...]
    height: float


def panel(sequences: tuple[ShownSequence, ...], approach: Approach, gap: float) -> Panel | None:
    """The layout for one first approach; None when there is no lesion to draw or every count is hidden."""
    own = [s for s in sequences if s.first_approach == approach and s.count != 0]
    known = [s.count for s in own if s.count is not None]
    if not known:
        return None
    whole = sum(known) / max(1 - UNKNOWN_SHARE * (len(own) - len(known)), 0.1)

    def size(s: ShownSequence) -> float:
        return PANEL * (UNKNOWN_SHARE if s.count is None else s.count / whole)

    def total(group: list[ShownSequence]) -> int | None:
        return None if any(s.count is None for s in group) else sum(s.count or 0 for s in group)

    straight = [s for s in own if s.first_crossed]
    failed = [s for s in own if not s.first_crossed]
    same_color, other_color = (
        (palette.BELOW, palette.ABOVE) if approach == "retrograde" else (palette.ABOVE, palette.BELOW)
    )
    steps = (
        ("bailout", f"Switched to {OTHER[approach]}", other_color),
        ("same", f"Again from {OWN[approach]}", same_color),
        ("none", "Stopped", palette.NOT_CROSSED),
    )
    nodes: list[Node] = []
    through = sum(map(size, straight))
    top = 0.0
    for name, group, color in (("Crossed", straight, palette.CROSSED), ("Not crossed", failed, palette.NOT_CROSSED)):
        if group:
            height = sum(map(size, group))
            nodes.append(Node(name, 0, top, height, color, total(group)))
            top += max(height, gap) + gap * 0.4
    second_top = max(through + gap * 0.4, gap) if straight else 0.0
    middle: dict[str, Node] = {}
    for then, name, color in steps:
        group = [s for s in failed if s.then == then]
        if group:
            height = sum(map(size, group))
            middle[then] = Node(name, 1, second_top, height, color, total(group))
            second_top += max(height, gap) + gap * 0.4
    nodes += middle.values()
    ends: dict[bool, Node] = {}
    third_top = 0.0
    for end, name, color in (
        (True, "Crossed at the end", palette.CROSSED),
        (False, "Not crossed", palette.NOT_CROSSED),
    ):
        group = [s for s in own if s.session_crossed is end]
        if group:
            height = sum(map(size, group))
            ends[end] = Node(name, 2, third_top, height, color, total(group))
            third_top += max(height, gap) + gap
    nodes += ends.values()
    links = _links(own, nodes, middle, ends, size, [then for then, _, _ in steps])
    everything = total(own)
    return Panel(approach, everything, tuple(nodes), links, max(top, second_top, third_top, PANEL))


def _links(
    own: list[ShownSequence],
    nodes: list[Node],
    middle: dict[str, Node],
    ends: dict[bool, Node],
    size: Any,
    order: list[str],
) -> tuple[Link, ...]:
    used: dict[tuple[str, int], float] = {}  # how much of each block's side is taken

    def take(node: Node, side: str, height: float) -> float:
        at = used.get((side, id(node)), 0.0)
        used[side, id(node)] = at + height
        return node.top + at

    links: list[Link] = []
    failed_node = next((n for n in nodes if n.column == 0 and n.name == "Not crossed"), None)
    for s in own:
        if s.first_crossed:
            block = next(n for n in nodes if n.column == 0 and n.name == "Crossed")
            links.append(_link(block, ends[s.session_crossed], s, size(s), take, palette.CROSSED))
    for then in order:
        for end in (True, False):
            for s in own:
                if s.first_crossed or s.then != then or s.session_crossed is not end or failed_node is None:
                    continue
                links.append(_link(failed_node, middle[then], s, size(s), take, middle[then].color))
                color = palette.CROSSED if end else palette.NOT_CROSSED
                links.append(_link(middle[then], ends[end], s, size(s), take, color))
    return tuple(links)


def _link(a: Node, b: Node, s: ShownSequence, height: float, take: Any, color: str) -> Link:
    tip = f"{a.name} \u2192 {b.name}: {count(s.count)} lesions"
    return Link(a.column, b.column, take(a, "out", height), take(b, "in", height), height, color, s.count is None, tip)


def on_the_table(e: ShownEdition, size: Size) -> Spec:
    """The flow picture: one panel for each first approach, both on the same scale of shares."""
    gap = 34.0 if size.narrow else 22.0
    panels = [p for a in APPROACHES if (p := panel(e.sequences, a, gap)) is not None]
    columns = (0.0, 112.0, 224.0) if size.narrow else (0.0, 250.0, 500.0)
    bands: list[dict[str, Any]] = []
    blocks: list[dict[str, Any]] = []
    words: list[dict[str, Any]] = []
    top = 0.0
    heads: list[dict[str, Any]] = []
    for p in panels:
        lesions = f": {count(p.total)} lesions" if p.total is not None else ""
        mark = "\u25b2" if p.approach == "retrograde" else "\u25bc"
        color = palette.BELOW if p.approach == "retrograde" else palette.ABOVE
        heads.append({"x": 0, "y": top + 10, "text": f"{mark} {START[p.approach]}{lesions}", "color": color})
        titles = ("First approach", "Next step", "End of session")
        words += [{"x": columns[i], "y": top + 31, "text": t, "color": palette.QUIET} for i, t in enumerate(titles)]
        inner = top + 44
        for n, link in enumerate(p.links):
            bands += _band(link, f"{p.approach}{n:02d}", columns, inner)
        for node in p.nodes:
            x = columns[node.column]
            y = inner + node.top
            blocks.append({"x": x, "x2": x + 10, "y": y, "y2": y + max(node.height, 1.5), "color": node.color})
            words += _node_words(node, x + 15, y, p.total, size)
        top = inner + p.height + 30
    width, height = size.total - 8, max(top - 24, 40)
    x_scale = alt.Scale(domain=[0, width], nice=False, zero=False)
    y_scale = alt.Scale(domain=[height, 0], nice=False, zero=False)
    across, down = alt.X("x:Q", scale=x_scale, axis=None), alt.Y("y:Q", scale=y_scale, axis=None)
    own_color = alt.Color("color:N", scale=None)
    tooltip = alt.Tooltip("tip:N", title=" ")
    words_chart = alt.Chart(inline(words))
    style: dict[str, Any] = {"align": "left", "baseline": "middle", "fontSize": 11.5 if size.narrow else 12}
    chart = alt.layer(
        alt.Chart(inline(bands))
        .mark_area(opacity=0.32, line=False)
        .encode(x=across, y=down, y2="y2:Q", detail="link:N", fill=alt.Fill("color:N", scale=None), tooltip=tooltip),
        alt.Chart(inline(blocks))
        .mark_rect(opacity=1)
        .encode(x=across, x2="x2:Q", y=down, y2="y2:Q", fill=alt.Fill("color:N", scale=None)),
        # a pale edge keeps a label readable where a band runs behind it
        words_chart.mark_text(
            **style, color=palette.PAGE, stroke=palette.PAGE, strokeWidth=3.5, strokeJoin="round", opacity=0.85
        ).encode(x=across, y=down, text="text:N"),
        words_chart.mark_text(**style).encode(x=across, y=down, text="text:N", color=own_color),
        alt.Chart(inline(heads))
        .mark_text(align="left", baseline="middle", fontWeight="bold", fontSize=13)
        .encode(x=across, y=down, text="text:N", color=own_color),
        width=width,
        height=height,
    )
    return finish(chart, padding={"left": 4, "right": 4, "top": 4, "bottom": 4})


def _band(link: Link, name: str, columns: tuple[float, ...], inner: float) -> list[dict[str, Any]]:
    """The points of a band's two edges along a smooth step."""
    steps = 16
    x0, x1 = columns[link.column] + 10, columns[link.to_column]
    rows = []
    for i in range(steps + 1):
        t = i / steps
        bend = (1 - math.cos(math.pi * t)) / 2
        y = inner + link.start + (link.end - link.start) * bend
        rows.append(
            {
                "link": name,
                "x": round(x0 + (x1 - x0) * t, 2),
                "y": round(y, 2),
                "y2": round(y + link.height, 2),
                "color": palette.PLAIN if link.hidden else link.color,
                "tip": link.tip,
            }
        )
    return rows


def _node_words(node: Node, x: float, y: float, total: int | None, size: Size) -> list[dict[str, Any]]:
    figures = f"{count(node.count)} ({share_of(node.count, total)})" if total is not None else count(node.count)
    if not size.narrow:
        middle = y + max(node.height / 2, 7)
        return [{"x": x, "y": middle, "text": f"{node.name} {figures}", "color": palette.INK}]
    middle = y + max(node.height / 2, 14)
    short = "Crossed" if node.name == "Crossed at the end" else node.name
    return [
        {"x": x, "y": middle - 7, "text": short, "color": palette.INK},
        {"x": x, "y": middle + 8, "text": figures, "color": palette.INK},
    ]
