"""The case flow drawn as boxes: lesions that remain to the left, those left out and why to the right, the two groups at the foot."""

from __future__ import annotations

from markupsafe import Markup

from reports import drawn, palette
from reports.methods_shown import ShownMethods
from reports.notation import HIDDEN, capital, count
from reports.row_chart import Size

LINE, PAD = 16, 9  # px


def lesion_flow(m: ShownMethods, size: Size) -> Markup:
    """The picture at this size."""
    wide = not size.narrow
    main = 300.0 if wide else 330.0
    aside_x, aside = (352.0, 344.0) if wide else (34.0, 300.0)
    marks: list[str] = []
    y = 2.0
    middle = main / 2 if wide else 14.0
    for i, step in enumerate(m.flow):
        if i:
            reason = f": {step.reason}" if step.reason else ""
            left = HIDDEN if step.left_out is None else count(step.left_out)
            lines = drawn.wrapped(f"{left} left out{reason}", aside - 2 * PAD, size=11.5)
            height = len(lines) * LINE + 2 * PAD - 4
            gap = 10
            nothing = step.left_out == 0
            if not nothing:
                marks.append(
                    drawn.box(aside_x, y + gap, aside, height, fill=palette.PANEL, edge=palette.LINE, round_by=4)
                )
                marks += [
                    drawn.words(aside_x + PAD, y + gap + PAD + 9 + n * LINE, text, size=11.5)
                    for n, text in enumerate(lines)
                ]
                marks.append(drawn.arrow(middle, y + gap + height / 2, aside_x, y + gap + height / 2))
            end = y + (2 * gap + height if not nothing else 22)
            marks.append(drawn.arrow(middle, y, middle, end))
            y = end
        y = _box(marks, 2, y, main - 2, f"{capital(step.label)}: {count(step.count)}")
    return _groups(m, marks, y, size, middle)


def _box(marks: list[str], x: float, y: float, width: float, text: str, *, color: str = palette.INK) -> float:
    lines = drawn.wrapped(text, width - 2 * PAD, size=12.5)
    height = len(lines) * LINE + 2 * PAD - 3
    marks.append(drawn.box(x, y, width, height, edge=color, thick=1.4, round_by=4))
    marks += [
        drawn.words(x + PAD, y + PAD + 10 + n * LINE, line, size=12.5, bold=True, color=color)
        for n, line in enumerate(lines)
    ]
    return y + height


def _groups(m: ShownMethods, marks: list[str], y: float, size: Size, middle: float) -> Markup:
    crude = m.crude(m.run.primary_endpoint)
    width = size.total - 4.0
    if crude is None:
        return drawn.picture(size.total, y + 4, marks)
    half = (width - 16) / 2
    top = y + 34
    ends = []
    for i, (arm, name, color) in enumerate(
        (
            (crude.comparison.retrograde, "\u25b2 Started from below", palette.BELOW),
            (crude.comparison.antegrade, "\u25bc Started from above", palette.ABOVE),
        )
    ):
        x = 2 + i * (half + 16)
        center = x + half / 2
        marks.append(drawn.line(middle, y, middle, y + 14, color=palette.QUIET, width=1.2))
        marks.append(drawn.line(middle, y + 14, center, y + 14, color=palette.QUIET, width=1.2))
        marks.append(drawn.arrow(center, y + 14, center, top))
        ends.append(_box(marks, x, top, half, f"{name}: {count(arm.n)}", color=color))
    return drawn.picture(size.total, max(ends) + 4, marks)
