"""Charts that are not rows of marks: the length x calcium map, the score histogram, volumes by quarter."""

from __future__ import annotations

from typing import Any

import altair as alt

from reports import palette
from reports.charts import map_color, withheld_word
from reports.notation import HIDDEN, count, points, points_interval
from reports.row_chart import Size, Spec, finish, inline
from reports.shown import ScoreBar, ShownCell, ShownEdition
from reports.wording import direction

STANDARD_BIN = 0.05  # score; bars of other widths are drawn as the share of lesions per this width


def length_calcium(e: ShownEdition, size: Size) -> Spec:
    """The map: calcium down, length across, the like-for-like difference in each cell."""
    bands = list(dict.fromkeys(c.length_band for c in e.length_calcium))
    grades = list(dict.fromkeys(c.calcium for c in e.length_calcium))
    left, cell_height, top = (66 if size.narrow else 110), 46, 26
    cell_width = (size.total - left - 4) // max(len(bands), 1)
    cell_width = min(cell_width, 160)
    cells = [_cell(c, bands, grades, cell_width, cell_height) for c in e.length_calcium]
    width, height = cell_width * len(bands), cell_height * len(grades)
    x_scale, y_scale = alt.Scale(domain=[0, width], nice=False), alt.Scale(domain=[height, 0], nice=False)
    x, y = alt.X("x:Q", scale=x_scale, axis=None), alt.Y("y:Q", scale=y_scale, axis=None)
    layers: list[Any] = [
        *(
            alt.Chart(inline([c for c in cells if c["given"] is given]))
            .mark_rect(opacity=1, strokeDash=[1, 0] if given else [4, 3])
            .encode(
                x=x,
                x2="x2:Q",
                y=y,
                y2="y2:Q",
                fill=alt.Fill("fill:N", scale=None),
                stroke=alt.Stroke("edge:N", scale=None),
                strokeWidth=alt.StrokeWidth("edge_width:Q", scale=None),
                tooltip=alt.Tooltip("tip:N", title=" "),
            )
            for given in (True, False)
        ),
        *(
            _cell_text([c for c in cells if c["weight"] == weight], x_scale, y_scale, line, size)
            for weight in ("bold", "normal")
            for line in ("first", "second")
        ),
        *_names(bands, grades, cell_width, cell_height),
    ]
    chart = alt.layer(*layers, width=width, height=height)
    return finish(
        chart,
        padding={
            "left": left,
            "right": max(size.total - left - width, 4),
            "top": top + 18 + (13 if size.narrow else 0),
            "bottom": 6,
        },
    )


def _cell(c: ShownCell, bands: list[str], grades: list[str], width: int, height: int) -> dict[str, Any]:
    i, j = bands.index(c.length_band), grades.index(c.calcium)
    d = c.comparison.effect("risk_difference")
    clear = direction(d) in ("below", "above")
    shown = d.estimate is not None
    fill = map_color(d.estimate) if d.estimate is not None else palette.PAGE
    first = points(d.estimate) if shown else withheld_word(c.comparison)
    second = points_interval(d) if shown else ""
    gap = 2
    return {
        "x": i * width + gap,
        "x2": (i + 1) * width - gap,
        "y": j * height + gap,
        "y2": (j + 1) * height - gap,
        "mid": (i + 0.5) * width,
        "mid_y": (j + 0.5) * height + (0 if shown else 8),
        "fill": fill,
        "edge": palette.INK if clear else palette.QUIET,
        "edge_width": 2.5 if clear else 0.8,
        "given": shown,
        "weight": "bold" if clear else "normal",
        "ink": palette.text_on(fill) if shown else palette.QUIET,
        "first": first,
        "second": second,
        "tip": f"{c.length_band}, calcium {c.calcium}: {first} {second}".strip(),
    }


def _cell_text(cells: list[dict[str, Any]], x_scale: alt.Scale, y_scale: alt.Scale, line: str, size: Size) -> Any:
    """The difference (first line, bold where clear of zero) or its interval (second line)."""
    bold = line == "first" and bool(cells) and cells[0]["weight"] == "bold"
    small = 10.5 if size.narrow else 11.5
    return (
        alt.Chart(inline(cells))
        .mark_text(
            fontSize=13 if line == "first" else small,
            dy=-8 if line == "first" else 9,
            fontWeight="bold" if bold else "normal",
            baseline="middle",
        )
        .encode(
            x=alt.X("mid:Q", scale=x_scale, axis=None),
            y=alt.Y("mid_y:Q", scale=y_scale, axis=None),
            text=f"{line}:N",
            color=alt.Color("ink:N", scale=None),
        )
    )


def _names(bands: list[str], grades: list[str], width: int, height: int) -> list[Any]:
    def words(values: list[dict[str, Any]], **style: Any) -> Any:
        return (
            alt.Chart(inline(values))
            .mark_text(baseline="middle", **style)
            .encode(
                x=alt.X("at:Q", scale=alt.Scale(domain=[0, width * len(bands)], nice=False), axis=None),
                y=alt.Y("down:Q", scale=alt.Scale(domain=[height * len(grades), 0], nice=False), axis=None),
                text="text:N",
            )
        )

    # On a phone a band's words would run into the next one's: a line for each limit.
    columns: list[dict[str, Any]] = [
        {"at": (i + 0.5) * width, "down": -10 if len(lines) == 1 else -10 - 13 * (len(lines) - 1 - j), "text": line}
        for i, lines in enumerate(_in_lines(b, narrow=width < 110) for b in bands)
        for j, line in enumerate(lines)
    ]
    rows = [{"at": -8, "down": (j + 0.5) * height, "text": g} for j, g in enumerate(grades)]
    lowest = min([c["down"] for c in columns], default=-10)
    heads = [{"at": width * len(bands) / 2, "down": lowest - 20, "text": "Length of the occlusion"}]
    side = [{"at": -8, "down": -10, "text": "Calcium"}]
    return [
        words(columns, fontSize=12),
        words(rows, align="right", fontSize=12, limit=104),
        words(heads, fontWeight="bold"),
        words(side, align="right", fontWeight="bold"),
    ]


def _in_lines(band: str, *, narrow: bool) -> tuple[str, ...]:
    """A band's label in one line, or broken before "to" and "or"."""
    if not narrow:
        return (band,)
    for word in (" to ", " or "):
        first, found, rest = band.partition(word)
        if found:
            return (first, found.strip() + " " + rest)
    return (band,)


def score_overlap(e: ShownEdition, size: Size) -> Spec:
    """Scores of lesions started from below (upward) and from above (downward), as shares of each group."""
    return score_bars(e.diagnostics.score_bars if e.diagnostics else (), size)


def score_bars(bars: tuple[ScoreBar, ...], size: Size) -> Spec:
    """The same from the bars alone."""
    totals = {a: sum(b.count for b in bars if b.approach == a) or 1 for a in ("retrograde", "antegrade")}
    values = []
    for b in bars:
        share = b.count / totals[b.approach] * STANDARD_BIN / (b.upper - b.lower) * 100
        up = b.approach == "retrograde"
        values.append(
            {
                "x": b.lower,
                "x2": b.upper,
                "y": share if up else -share,
                "zero": 0,
                "color": palette.BELOW if up else palette.ABOVE,
                "tip": f"Started from {'below' if up else 'above'}, score {b.lower:.2f} to {b.upper:.2f}: {count(b.count)} lesions",
            }
        )
    top = max([abs(v["y"]) for v in values], default=1.0) * 1.2  # type: ignore[arg-type]
    left, width = 46, size.total - 46 - 12
    y_axis = alt.Axis(title="Share of the group, %", labelExpr="abs(datum.value)", tickCount=5, ticks=False)
    x = alt.X(
        "x:Q",
        scale=alt.Scale(domain=[0, 1], nice=False),
        axis=alt.Axis(
            title="Chance of being started from below"
            if size.narrow
            else "Chance of being started from below, given the lesion and patient",
            tickCount=5,
            ticks=False,
            grid=False,
            format=".0%",
            titleFontSize=11.5 if size.narrow else 12,
        ),
    )
    y = alt.Y("y:Q", scale=alt.Scale(domain=[-top, top], nice=False), axis=y_axis)
    base = (
        alt.Chart(inline(values))
        .mark_rect(stroke=palette.PAGE, strokeWidth=0.6, opacity=1)
        .encode(
            x=x,
            x2="x2:Q",
            y=y,
            y2="zero:Q",
            fill=alt.Fill("color:N", scale=None),
            tooltip=alt.Tooltip("tip:N", title=" "),
        )
    )
    zero = alt.Chart(inline([{"y": 0}])).mark_rule(color=palette.INK).encode(y=y)
    words = alt.Chart(
        inline(
            [
                {"x": 0.01, "y": top * 0.9, "text": "\u25b2 started from below", "color": palette.BELOW},
                {
                    "x": 0.5 if size.narrow else 0.72,
                    "y": -top * 0.9,
                    "text": "\u25bc started from above",
                    "color": palette.ABOVE,
                },
            ]
        )
    )
    place = {"x": x, "y": y, "text": alt.Text("text:N")}
    style: dict[str, Any] = {"align": "left", "fontWeight": "bold"}
    edge = words.mark_text(**style, color=palette.PAGE, stroke=palette.PAGE, strokeWidth=4).encode(**place)
    names = words.mark_text(**style).encode(**place, color=alt.Color("color:N", scale=None))
    chart = alt.layer(base, zero, edge, names, width=width, height=230)
    return finish(chart, padding={"left": left, "right": 12, "top": 6, "bottom": 42})


def quarters(e: ShownEdition, size: Size) -> Spec:
    """Lesions by quarter, stacked by first approach; gray where the split is hidden."""
    values: list[dict[str, Any]] = []
    labels: list[dict[str, Any]] = []
    order = [q.quarter for q in e.quarters]
    for i, q in enumerate(e.quarters):
        if q.lesions is None:
            labels.append({"i": i + 0.5, "y": 0, "text": HIDDEN})
            continue
        labels.append({"i": i + 0.5, "y": q.lesions, "text": count(q.lesions)})
        if q.retrograde_first is None:
            parts = [(0, q.lesions, palette.PLAIN, "either approach")]
        else:
            parts = [
                (0, q.retrograde_first, palette.BELOW, "started from below"),
                (q.retrograde_first, q.lesions, palette.ABOVE, "started from above"),
            ]
        for low, high, color, name in parts:
            values.append(
                {
                    "i": i + 0.1,
                    "i2": i + 0.9,
                    "y": low,
                    "y2": high,
                    "color": color,
                    "tip": f"{q.quarter}: {high - low} {name}",
                }
            )
    left, width = 46, size.total - 46 - 8
    top = max([row["y"] for row in labels], default=0) * 1.12 or 1.0
    x = alt.X("i:Q", scale=alt.Scale(domain=[0, max(len(order), 1)], nice=False), axis=None)
    y = alt.Y(
        "y:Q", scale=alt.Scale(domain=[0, top], nice=False), axis=alt.Axis(title="Lesions", tickCount=4, ticks=False)
    )
    bars = (
        alt.Chart(inline(values))
        .mark_rect(opacity=1, stroke=palette.PAGE, strokeWidth=1)
        .encode(
            x=x,
            x2="i2:Q",
            y=y,
            y2="y2:Q",
            fill=alt.Fill("color:N", scale=None),
            tooltip=alt.Tooltip("tip:N", title=" "),
        )
    )
    every = max(1, -(-len(order) * 30 // width))
    kept = [row for n, row in enumerate(labels) if (len(labels) - 1 - n) % every == 0]
    numbers = alt.Chart(inline(kept)).mark_text(dy=-8, fontSize=11).encode(x=x, y=y, text="text:N")
    ticks = [
        {"i": i + 0.5, "text": name.split()[-1], "year": name.split()[0] if name.endswith("Q1") or i == 0 else ""}
        for i, name in enumerate(order)
    ]
    shown_ticks = [t for n, t in enumerate(ticks) if (len(ticks) - 1 - n) % every == 0]
    below = [
        alt.Chart(inline(rows))
        .mark_text(baseline="top", color=palette.QUIET, fontSize=11)
        .encode(x=x, y=alt.value(230 + dy), text=f"{field}:N")
        for rows, field, dy in ((shown_ticks, "text", 6), ([t for t in ticks if t["year"]], "year", 21))
    ]
    chart = alt.layer(bars, numbers, *below, width=width, height=230)
    return finish(chart, padding={"left": left, "right": 8, "top": 6, "bottom": 38})
