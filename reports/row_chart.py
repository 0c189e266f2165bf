"""One kind of chart that most of the report uses: named rows with marks and intervals on a shared scale.

Wide, the name stands to the left and the numbers to the right of the plot. Narrow (a phone), they stand above the marks,
so that no label is cut and nothing scrolls sideways.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import altair as alt

from reports import palette

Spec = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Size:
    """The room a chart has, in CSS pixels."""

    name: Literal["wide", "narrow"]
    total: int

    @property
    def narrow(self) -> bool:
        """True for a phone."""
        return self.name == "narrow"


WIDE = Size("wide", 700)
NARROW = Size("narrow", 340)
SIZES = (WIDE, NARROW)
NARROWEST_PLOT = 190  # pixels
WIDEST_LETTER = 6.3  # pixels of an average letter at 12 px, measured on our labels


@dataclass(frozen=True, slots=True)
class Mark:
    """A point on a row, with its interval where there is one. `lower` and `upper` are None for a bare point."""

    value: float
    color: str
    shape: str
    filled: bool = True
    lower: float | None = None
    upper: float | None = None
    tip: str = ""
    thick: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One row. A `heading` has a label only. `note` is printed where the marks would be. `text` and `counts` are columns."""

    label: str
    marks: tuple[Mark, ...] = ()
    text: str = ""
    counts: str = ""
    note: str = ""
    heading: bool = False
    joined: bool = False  # a line between the marks


@dataclass(frozen=True, slots=True)
class Scale:
    """The shared x scale. `ends` name the two directions; `line` is drawn across (no difference, a threshold)."""

    domain: tuple[float, float]
    title: str
    ends: tuple[str, str] = ("", "")
    line: float | None = None
    unit: str = ""
    signed: bool = False
    text_title: str = ""
    counts_title: str = ""
    axis: bool = True
    ticks: tuple[float, ...] = ()  # where the axis is labeled; empty: where it suits
    log: bool = False  # for ratios; every value above 0


def finish(chart: Any, *, padding: dict[str, int]) -> Spec:
    """The Vega-Lite specification with the report's own look and exact outer padding."""
    spec: Spec = chart.to_dict(
        validate=False
    )  # the tests hold every chart against the schema; here it is half the time
    del spec["$schema"]  # the page names no address
    spec["autosize"] = {"type": "none"}
    spec["padding"] = padding
    spec["config"] = {
        "aria": False,  # the figure carries one text alternative; a label on every mark would be read out one by one
        "background": palette.PAGE,
        "font": palette.FONT,
        "view": {"stroke": None},
        "text": {"font": palette.FONT, "fontSize": 12, "color": palette.INK},
        "axis": {
            "labelFontSize": 12,
            "titleFontSize": 12,
            "titleFontWeight": "normal",
            "labelColor": palette.QUIET,
            "titleColor": palette.QUIET,
            "gridColor": palette.LINE,
            "domainColor": palette.LINE,
            "tickColor": palette.LINE,
        },
    }
    return spec


def inline(values: list[dict[str, Any]]) -> alt.InlineData:
    """Plain rows as chart data: no data frame library is needed."""
    return alt.InlineData(values=values)


def row_chart(rows: tuple[Row, ...], scale: Scale, size: Size) -> Spec:
    """The chart of these rows at this size."""
    right = 4 if size.narrow else 8 + 142 * bool(scale.text_title) + 76 * bool(scale.counts_title)
    left = 4 if size.narrow else min(_room_for_names(rows), size.total - right - NARROWEST_PLOT)
    width = size.total - left - right
    tops: list[int] = []
    y = 0
    for row in rows:
        tops.append(y)
        y += (26 if row.heading else 44) if size.narrow else (28 if row.heading else 24)
    height = max(y, 24)
    place = _Place(scale, size, width, height, left)
    layers: list[Any] = [*_rulers(place), *_labels(rows, tops, place), *_marks(rows, tops, place)]
    chart = alt.layer(*layers, width=width, height=height)
    top = 24 if any(scale.ends) or (not size.narrow and (scale.text_title or scale.counts_title)) else 6
    return finish(chart, padding={"left": left, "right": right, "top": top, "bottom": 42 if scale.axis else 6})


def _room_for_names(rows: tuple[Row, ...]) -> int:
    """Pixels to the left of a wide plot: enough for the longest name."""
    longest = max((len(r.label) for r in rows if not r.heading), default=0)
    return round(max(longest * WIDEST_LETTER + 22, 120))


@dataclass(frozen=True, slots=True)
class _Place:
    scale: Scale
    size: Size
    width: int
    height: int
    left: int

    def x(self) -> alt.X:
        """The x channel, with its axis."""
        s = self.scale
        sign = f"(datum.value > 0 ? '+' : datum.value < 0 ? '{chr(0x2212)}' : '') + abs(datum.value)"
        label = sign if s.signed else f"{'datum.value' if s.log else 'datum.label'} + '{s.unit}'"
        axis = (
            alt.Axis(
                title=s.title,
                **({"values": list(s.ticks)} if s.ticks else {"tickCount": 5 if self.size.narrow else 7}),
                labelExpr=label,
                labelFlush=self.size.narrow,  # wide, an end label has room under its own line; a phone has none beside the plot
                grid=True,
                ticks=False,
            )
            if s.axis
            else None
        )
        kind: dict[str, Any] = {"type": "log"} if s.log else {"zero": False}
        return alt.X("x:Q", scale=alt.Scale(domain=list(s.domain), nice=False, clamp=True, **kind), axis=axis)

    def y(self, field: str = "y") -> alt.Y:
        """The y channel in pixels from the top."""
        return alt.Y(f"{field}:Q", scale=alt.Scale(domain=[self.height, 0], nice=False, zero=False), axis=None)

    def line_of(self, row: Row, top: int) -> float:
        """Pixels from the top at which a row's marks lie."""
        return top + (30 if self.size.narrow else 12)

    def name_of(self, row: Row, top: int) -> float:
        """Pixels from the top at which a row's label lies."""
        if row.heading:
            return top + 16
        return top + 12


def _text(values: list[dict[str, Any]], place: _Place, x: float, **style: Any) -> Any:
    """Text on a white edge, so that a grid line behind it does not strike it through."""
    encoding: dict[str, Any] = {"x": alt.value(x), "y": place.y(), "text": alt.Text("text:N")}
    words = alt.Chart(inline(values)).encode(**encoding)
    edge = {**style, "color": palette.PAGE, "stroke": palette.PAGE, "strokeWidth": 4, "strokeJoin": "round"}
    return alt.layer(words.mark_text(baseline="middle", **edge), words.mark_text(baseline="middle", **style))


def _rulers(place: _Place) -> list[Any]:
    """The line of no difference or the threshold, and the names of the two directions."""
    layers: list[Any] = []
    s = place.scale
    if s.line is not None:
        rule = alt.Chart(inline([{"x": s.line}])).mark_rule(color=palette.INK, strokeWidth=1.2).encode(x=place.x())
        layers.append(rule)
    for text, x, align in ((s.ends[0], 0, "left"), (s.ends[1], place.width, "right")):
        if text:
            layers.append(_text([{"y": -12, "text": text}], place, x, align=align, color=palette.QUIET, fontSize=11.5))
    if not place.size.narrow:
        for text, x, align in (
            (s.text_title, place.width + 10, "left"),
            (s.counts_title, place.width + 10 + 142 * bool(s.text_title) + 64, "right"),
        ):
            if text:
                layers.append(
                    _text([{"y": -12, "text": text}], place, x, align=align, color=palette.QUIET, fontSize=11.5)
                )
    return layers


def _labels(rows: tuple[Row, ...], tops: list[int], place: _Place) -> list[Any]:
    pairs = list(zip(rows, tops, strict=True))

    def column(pick: Any) -> list[dict[str, Any]]:
        return [{"y": place.name_of(r, t), "text": pick(r)} for r, t in pairs if pick(r)]

    narrow = place.size.narrow
    name_x, name_align, limit = (0, "left", 330) if narrow else (-12, "right", place.left - 12)
    layers: list[Any] = []

    def name(row: Row) -> str:
        if row.heading:
            return ""
        return f"{row.label} \u00b7 {row.counts}" if narrow and row.counts else row.label

    headings = column(lambda r: r.label if r.heading else "")
    if headings:
        layers.append(
            _text(
                headings,
                place,
                0 if narrow else 8 - place.left,
                align="left",
                fontWeight="bold",
                limit=place.size.total - 12,
            )
        )
    layers.append(_text(column(name), place, name_x, align=name_align, limit=limit))
    texts = column(lambda r: r.text)
    if texts:
        x, align = (place.width, "right") if narrow else (place.width + 10, "left")
        layers.append(_text(texts, place, x, align=align, fontSize=11.5 if narrow else 12))
    counts = column(lambda r: r.counts)
    if counts and not narrow:
        x = place.width + 10 + 142 * bool(place.scale.text_title) + 64
        layers.append(_text(counts, place, x, align="right", color=palette.QUIET))
    notes = [{"y": place.line_of(r, t), "text": r.note} for r, t in pairs if r.note]
    if notes:
        layers.append(
            _text(
                notes,
                place,
                2,
                align="left",
                color=palette.QUIET,
                fontStyle="italic",
                fontSize=11.5,
                limit=size_limit(place),
            )
        )
    return layers


def size_limit(place: _Place) -> int:
    """Pixels that a note in the plot may take."""
    return place.size.total - (8 if place.size.narrow else place.left + 4)


def _marks(rows: tuple[Row, ...], tops: list[int], place: _Place) -> list[Any]:
    points: list[dict[str, Any]] = []
    spans: list[dict[str, Any]] = []
    joins: list[dict[str, Any]] = []
    low, high = place.scale.domain
    for row, top in zip(rows, tops, strict=True):
        y = place.line_of(row, top)
        for m in row.marks:
            points.append(
                {
                    "x": min(max(m.value, low), high),
                    "y": y,
                    "color": m.color,
                    "fill": m.color if m.filled else palette.PAGE,
                    "shape": m.shape,
                    "tip": m.tip or row.label,
                }
            )
            if m.lower is not None and m.upper is not None:
                spans.append(
                    {
                        "x": max(m.lower, low),
                        "x2": min(m.upper, high),
                        "y": y,
                        "color": m.color,
                        "wide": 7 if m.thick else 2,
                    }
                )
        if row.joined and len(row.marks) > 1:
            xs = sorted(m.value for m in row.marks)
            joins.append({"x": xs[0], "x2": xs[-1], "y": y})
    layers: list[Any] = []
    if joins:
        layers.append(
            alt.Chart(inline(joins))
            .mark_rule(color=palette.QUIET, strokeWidth=1)
            .encode(x=place.x(), x2="x2:Q", y=place.y())
        )
    if spans:
        layers.append(
            alt.Chart(inline(spans))
            .mark_rule()
            .encode(
                x=place.x(),
                x2="x2:Q",
                y=place.y(),
                color=alt.Color("color:N", scale=None),
                strokeWidth=alt.StrokeWidth("wide:Q", scale=None),
            )
        )
    if points:
        layers.append(
            alt.Chart(inline(points))
            .mark_point(size=90, strokeWidth=1.6, opacity=1)
            .encode(
                x=place.x(),
                y=place.y(),
                stroke=alt.Stroke("color:N", scale=None),
                fill=alt.Fill("fill:N", scale=None),
                shape=alt.Shape("shape:N", scale=None),
                tooltip=alt.Tooltip("tip:N", title=" "),
            )
        )
    return layers
