"""The causal diagram, drawn: what is known before the first puncture, what is not, and what the approach brings about.

Cards are laid out by role, wide or for a phone. What a card is stands on it in words and shows in its edge, so that no color is needed
to read it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from html import escape

from models.causal_diagram import CausalDiagram, CausalNode, Role, backdoor_paths_left_open
from reports import palette
from reports.row_chart import WIDE, WIDEST_LETTER, Size

TITLE, SMALL = 12.5, 11.5  # px
LINE = 15  # px from one line to the next
EDGE = 8  # px between a card's edge and its words
HEADING = 49.0  # px down to the first group

_TAGS: Mapping[Role, str] = {
    "unmeasured": "not recorded: stays open",
    "instrument": "instrument: never adjusted for",
    "selection": "whom the answer is about",
    "exposure": "compared",
    "mediator": "mediator: never adjusted for",
    "outcome": "compared on",
    "collider": "collider: never adjusted for",
}
_KINDS: Mapping[Role, str] = {"exposure": "asked", "outcome": "asked", "unmeasured": "open"}

LIGHT: Mapping[str, str] = {
    "ink": palette.INK,
    "quiet": palette.QUIET,
    "page": palette.PAGE,
    "panel": palette.PANEL,
    "fair": palette.FAIR,
    "open": palette.VERDICT_COLOR["withhold"],
}
# The same roles on a dark page, for the picture that stands by itself.
DARK: Mapping[str, str] = {
    "ink": "#e6eaed",
    "quiet": "#a9b5be",
    "page": "#14191e",
    "panel": "#1f272e",
    "fair": "#c3b2ee",
    "open": "#f2929f",
}


@dataclass(frozen=True, slots=True)
class _Line:
    text: str
    style: str  # "title", "words", "tag", "open"


@dataclass(frozen=True, slots=True)
class Card:
    """One box of the picture, in pixels from the upper left corner."""

    name: str
    kind: str
    x: float
    y: float
    width: float
    lines: tuple[_Line, ...]

    @property
    def height(self) -> float:
        """As high as its words need."""
        return LINE * len(self.lines) + 2 * EDGE - 2

    @property
    def right(self) -> float:
        """Its right edge."""
        return self.x + self.width

    @property
    def bottom(self) -> float:
        """Its lower edge."""
        return self.y + self.height

    @property
    def middle(self) -> tuple[float, float]:
        """Its middle, across and down."""
        return self.x + self.width / 2, self.y + self.height / 2


@dataclass(frozen=True, slots=True)
class _Layout:
    cards: tuple[Card, ...]
    arrows: tuple[tuple[str, str], ...]  # style and path
    width: float
    height: float
    words: tuple[tuple[float, float, str], ...] = ()


def causal_picture(diagram: CausalDiagram, size: Size = WIDE, *, alone: bool = False) -> str:
    """The diagram as one SVG element. `alone`: a file of its own, with a background and colors for a dark page."""
    drawn = _narrow(diagram) if size.narrow else _wide(diagram)
    key = f"causal-{size.name}"
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {drawn.width:g} {drawn.height:g}" width="{drawn.width:g}" '
        f'height="{drawn.height:g}" role="img" aria-labelledby="{key}-title {key}-words" class="causal" '
        f'style="max-width:100%;height:auto" font-family="{escape(palette.FONT, quote=True)}">',
        f'<title id="{key}-title">What acts on what, before and after the first puncture</title>',
        f'<desc id="{key}-words">{escape(causal_words(diagram))}</desc>',
        f"<style>{_style(LIGHT)}{_dark() if alone else ''}</style>",
        "<defs>",
        *(
            f'<marker id="{key}-{kind}" viewBox="0 0 8 8" refX="7" refY="4" markerWidth="9" markerHeight="9" '
            f'markerUnits="userSpaceOnUse" orient="auto"><path class="causal-head-{kind}" d="M0 0 8 4 0 8z"/></marker>'
            for kind in ("plain", "asked", "open")
        ),
        "</defs>",
    ]
    if alone:
        parts.append(f'<rect class="causal-page" width="{drawn.width:g}" height="{drawn.height:g}"/>')
    parts += [svg for card in drawn.cards for svg in _drawn(card)]
    parts += [f'<path class="causal-arrow-{k}" marker-end="url(#{key}-{k})" d="{d}"/>' for k, d in drawn.arrows]
    parts += [
        f'<text class="causal-tag" x="{x:g}" y="{y:g}" text-anchor="middle">{t}</text>' for x, y, t in drawn.words
    ]
    return "\n".join((*parts, "</svg>"))


def causal_words(diagram: CausalDiagram) -> str:
    """What the picture shows, in sentences, for whoever does not see it."""
    told = []
    for node in diagram.of_role("confounder"):
        traits = f"adjusted for: {', '.join(node.traits)}" if node.traits else "not adjusted for"
        left = f"; left open: {', '.join(node.left_open)}" if node.left_open and node.traits else ""
        told.append(f"From {_in_sentence(node)}, arrows run to the approach and to crossing ({traits}{left}).")
    for node in diagram.nodes:
        if node.role not in ("confounder", "exposure", "outcome"):
            told.append(f"{node.label} ({_TAGS[node.role]}): {node.why}")
    told.append(
        "The effect asked for runs from the first approach to crossing, at once and through what happens between."
    )
    return " ".join((*told, open_paths_in_words(diagram)))


def open_paths_in_words(diagram: CausalDiagram) -> str:
    """Which ways around the effect the adjustment set leaves open, in a sentence."""
    on_them = {name for path in backdoor_paths_left_open(diagram, diagram.adjusted) for name in path}
    causes = [_in_sentence(n) for n in diagram.nodes if n.name in on_them and n.role in ("confounder", "unmeasured")]
    if not causes:
        return "The adjustment set blocks every path that goes round the effect."
    named = " and ".join(filter(None, (", ".join(causes[:-1]), causes[-1])))
    return f"Left open by the adjustment set: what runs through {named}."


def _in_sentence(node: CausalNode) -> str:
    return node.label[0].lower() + node.label[1:]


# Layout


def _wide(diagram: CausalDiagram) -> _Layout:
    left, box_right = 6.0, 232.0
    groups, box_bottom = _groups(diagram, left + 8, HEADING, box_right - left - 16)
    box = Card("known", "box", left, 6, box_right - left, ())
    selection = _card(diagram, "selection", left, box_bottom + 34, box_right - left)
    unmeasured = _card(diagram, "unmeasured", left, selection.bottom + 30, box_right - left)
    instrument = _card(diagram, "instrument", 280, 52, 122)
    approach = _card(diagram, "exposure", 280, 164, 122)
    course = _card(diagram, "mediator", 416, 262, 122)
    outcome = _card(diagram, "outcome", 578, 164, 116)
    collider = _card(diagram, "collider", 578, unmeasured.y - 34, 116)
    level, far = min(approach.middle[1], outcome.middle[1]), box_right
    arrows = (
        ("plain", f"M{far} {level}H{approach.x - 2}"),
        ("plain", f"M{far} 40C390 -18 610 -6 {outcome.middle[0]} {outcome.y - 2}"),
        ("plain", _down(60, box_bottom + 8, selection.y)),
        ("plain", _down(instrument.middle[0], instrument.bottom, approach.y)),
        ("asked", f"M{approach.right} {level}H{outcome.x - 2}"),
        ("plain", f"M{approach.right - 30} {approach.bottom}Q{approach.right - 20} {course.middle[1]} {course.x - 2} {course.middle[1]}"),
        ("plain", f"M{course.right} {course.middle[1]}Q{outcome.x + 22} {course.middle[1]} {outcome.x + 30} {outcome.bottom + 2}"),
        ("plain", f"M{course.middle[0] + 20} {course.bottom}Q{course.middle[0] + 30} {collider.y + 14} {collider.x - 2} {collider.y + 14}"),
        ("plain", _down(outcome.right - 34, outcome.bottom, collider.y)),
        ("open", f"M60 {unmeasured.y}V{selection.bottom + 2}"),
        ("open", f"M{far} {unmeasured.y + 14}Q{approach.x + 24} {unmeasured.y - 40} {approach.x + 34} {approach.bottom + 2}"),
        ("open", f"M{far} {unmeasured.y + 28}C558 {unmeasured.y + 28} 564 {unmeasured.y - 30} {outcome.x + 12} {outcome.bottom + 2}"),
        ("open", f"M{far} {unmeasured.y + 42}Q480 {unmeasured.y + 48} {collider.x - 2} {collider.bottom - 16}"),
    )  # fmt: skip
    cards = (box, *groups, selection, unmeasured, instrument, approach, course, outcome, collider)
    words = ((approach.right + 88, level - 8, "the effect asked for"),)
    bottom = max(unmeasured.bottom, collider.bottom) + 8
    return _Layout(_boxed(cards, box_bottom + 8), arrows, 700, bottom, words)


def _narrow(diagram: CausalDiagram) -> _Layout:
    groups, box_bottom = _groups(diagram, 14.0, HEADING, 294.0)
    box = Card("known", "box", 6, 6, 310, ())
    low = box_bottom + 8
    x, width = 166.0, 140.0
    approach = _card(diagram, "exposure", x, low + 42, width)
    instrument = _card(diagram, "instrument", 26, low + 34, 118)
    course = _card(diagram, "mediator", x + 38, max(approach.bottom, instrument.bottom) + 38, width - 38)
    unmeasured = _card(diagram, "unmeasured", 26, course.y, 118)
    outcome = _card(diagram, "outcome", x, max(course.bottom, unmeasured.bottom - 30) + 38, width)
    collider = _card(diagram, "collider", x, outcome.bottom + 44, width)
    selection = _card(diagram, "selection", 26, collider.y, 118)
    level = selection.middle[1]
    arrows = (
        ("plain", _down(approach.middle[0], low, approach.y)),
        ("plain", f"M306 {low}C342 {low + 70} 342 {outcome.middle[1] - 60} {outcome.right + 2} {outcome.middle[1] - 4}"),
        ("plain", f"M11 {low}V{level - 8}Q11 {level} {selection.x - 2} {level}"),
        ("plain", f"M{instrument.right} {approach.middle[1]}H{approach.x - 2}"),
        ("asked", _down(x + 22, approach.bottom, outcome.y)),
        ("plain", _down(course.middle[0], approach.bottom, course.y)),
        ("plain", _down(course.middle[0], course.bottom, outcome.y)),
        ("plain", f"M{course.right} {course.bottom - 12}C332 {course.bottom + 50} 332 {collider.y} {collider.right + 2} {collider.middle[1]}"),
        ("plain", _down(outcome.middle[0], outcome.bottom, collider.y)),
        ("open", f"M{unmeasured.right} {unmeasured.y + 20}Q{x + 4} {unmeasured.y + 10} {x + 8} {approach.bottom + 2}"),
        ("open", f"M{unmeasured.right} {unmeasured.y + 50}Q{x + 4} {unmeasured.y + 56} {x + 8} {outcome.y - 2}"),
        ("open", f"M{unmeasured.right - 12} {unmeasured.bottom}Q{unmeasured.right - 8} {collider.y + 14} {collider.x - 2} {collider.y + 14}"),
        ("open", _down(70, unmeasured.bottom, selection.y)),
    )  # fmt: skip
    cards = (box, *groups, approach, instrument, course, unmeasured, outcome, collider, selection)
    return _Layout(_boxed(cards, low), arrows, 340, max(collider.bottom, selection.bottom) + 8)


def _groups(diagram: CausalDiagram, x: float, y: float, width: float) -> tuple[list[Card], float]:
    """A card for each group of what is known, one below the other, and where the last ends."""
    cards: list[Card] = []
    for node in diagram.of_role("confounder"):
        kind = "open" if node.left_open else "known"
        cards.append(Card(node.name, kind, x, y, width, tuple(_group_lines(node, width))))
        y = cards[-1].bottom + 6
    return cards, cards[-1].bottom


def _group_lines(node: CausalNode, width: float) -> Iterator[_Line]:
    yield from _wrapped(node.label, "title", width)
    yield from _wrapped(", ".join(node.traits), "words", width)
    if node.left_open:
        yield from _wrapped(f"not adjusted for: {', '.join(node.left_open)}", "open", width)


def _card(diagram: CausalDiagram, role: Role, x: float, y: float, width: float) -> Card:
    (node,) = diagram.of_role(role)
    kind = _KINDS.get(role, "never")
    tag = "open" if kind == "open" else "tag"
    return Card(
        node.name, kind, x, y, width, (*_wrapped(node.label, "title", width), *_wrapped(_TAGS[role], tag, width))
    )


def _boxed(cards: tuple[Card, ...], bottom: float) -> tuple[Card, ...]:
    """The first card is the box around the groups: its heading, and the room down to `bottom`."""
    box, *others = cards
    heading = (_Line("Known before the first puncture", "title"), _Line("adjusted for, unless marked", "tag"))
    return (_Tall(box.name, box.kind, box.x, box.y, box.width, heading, tall=bottom - box.y), *others)


@dataclass(frozen=True, slots=True)
class _Tall(Card):
    """A card that is higher than its words."""

    tall: float = 0.0

    @property
    def height(self) -> float:
        """As high as was asked for."""
        return self.tall


def _wrapped(text: str, style: str, width: float) -> Iterator[_Line]:
    letter = WIDEST_LETTER / 12 * (TITLE * 1.06 if style == "title" else SMALL)
    for line in textwrap.wrap(text, max(int((width - 2 * EDGE) / letter), 1), break_on_hyphens=False):
        yield _Line(line, style)


def _down(x: float, start: float, end: float) -> str:
    return f"M{x:g} {start:g}V{end - 2:g}"


# Drawing


def _drawn(card: Card) -> Iterator[str]:
    yield (
        f'<rect class="causal-{card.kind}" x="{card.x:g}" y="{card.y:g}" width="{card.width:g}" height="{card.height:g}" rx="5"/>'
    )
    for number, line in enumerate(card.lines):
        y = card.y + EDGE + 10 + number * LINE
        light = " causal-on" if card.kind == "asked" else ""
        yield f'<text class="causal-{line.style}{light}" x="{card.x + EDGE:g}" y="{y:g}">{escape(line.text)}</text>'


def _style(color: Mapping[str, str]) -> str:
    return (
        f".causal-page{{fill:{color['page']}}}"
        f".causal-box{{fill:{color['panel']};stroke:{color['quiet']};stroke-width:1}}"
        f".causal-known{{fill:{color['page']};stroke:{color['fair']};stroke-width:1.5}}"
        f".causal-never{{fill:{color['page']};stroke:{color['quiet']};stroke-width:1.2;stroke-dasharray:1.5 3;stroke-linecap:round}}"
        f".causal-open{{stroke-dasharray:6 4}}rect.causal-open{{fill:{color['page']};stroke:{color['open']};stroke-width:1.6}}"
        f".causal-asked{{fill:{color['ink']}}}"
        f".causal-title{{font-size:{TITLE}px;font-weight:bold;fill:{color['ink']}}}"
        f".causal-words{{font-size:{SMALL}px;fill:{color['ink']}}}.causal-tag{{font-size:{SMALL}px;fill:{color['quiet']}}}"
        f"text.causal-open{{font-size:{SMALL}px;fill:{color['open']}}}text.causal-on{{fill:{color['page']}}}"
        f".causal-arrow-plain{{fill:none;stroke:{color['quiet']};stroke-width:1.3}}"
        f".causal-arrow-asked{{fill:none;stroke:{color['fair']};stroke-width:3.2}}"
        f".causal-arrow-open{{fill:none;stroke:{color['open']};stroke-width:1.4;stroke-dasharray:6 4}}"
        f".causal-head-plain{{fill:{color['quiet']}}}.causal-head-asked{{fill:{color['fair']}}}.causal-head-open{{fill:{color['open']}}}"
    )


def _dark() -> str:
    return f"@media (prefers-color-scheme:dark){{{_style(DARK)}}}"
