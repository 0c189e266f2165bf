"""Pictures of the methods page that are no rows of marks: calibration, chains of the imputation, the surface of a hidden trait."""

from __future__ import annotations

from itertools import pairwise

from markupsafe import Markup

from models.bias_surface import BiasSurface
from models.sensitivity_results import ChainTrace, HiddenConfounding
from reports import drawn, palette
from reports.charts import map_color
from reports.methods_shown import ShownScore
from reports.notation import MINUS, points
from reports.row_chart import Size

CHAIN_COLORS = (palette.FAIR, palette.BELOW, palette.ABOVE, palette.CROSSED, palette.PLAIN)
MOST_CHAINS = 5


def calibration(score: ShownScore, size: Size) -> Markup:
    """Share started from below in each tenth of the score, with its interval, against the mean score; the diagonal is perfect."""
    side = 310.0 if size.narrow else 340.0
    left, top = 48.0, 8.0
    marks: list[str] = []

    def x(value: float) -> float:
        return left + value * (side - left)

    def y(value: float) -> float:
        return top + (1 - value) * (side - left)

    for value in (0.0, 0.25, 0.5, 0.75, 1.0):
        marks.append(drawn.line(x(value), y(0), x(value), y(1)))
        marks.append(drawn.line(x(0), y(value), x(1), y(value)))
        marks.append(drawn.words(x(value), y(0) + 16, f"{value:.0%}", size=11.5, color=palette.QUIET, anchor="middle"))
        marks.append(drawn.words(x(0) - 6, y(value) + 4, f"{value:.0%}", size=11.5, color=palette.QUIET, anchor="end"))
    marks.append(drawn.line(x(0), y(0), x(1), y(1), color=palette.INK, width=1.2, dash="5 4"))
    for g in score.groups:
        if g.share is None or g.share_lower is None or g.share_upper is None:
            continue
        at = x(g.mean_score)
        marks.append(drawn.line(at, y(g.share_lower), at, y(min(g.share_upper, 1.0)), color=palette.FAIR, width=2))
        marks.append(f'<circle cx="{at:.1f}" cy="{y(g.share):.1f}" r="4.5" fill="{palette.FAIR}"/>')
    marks.append(drawn.words(x(0.5), y(0) + 36, "Mean score of the group", color=palette.QUIET, anchor="middle"))
    marks.append(drawn.upright(10, y(0.5), "Share started from below"))
    return drawn.picture(side + 24, side + top, marks)


def traces(found: tuple[ChainTrace, ...], size: Size) -> Markup:
    """One small panel for each trait and statistic, a line for each data set along the iterations; the first few data sets are drawn."""
    columns = 1 if size.narrow else 2
    gap, height = 24.0, 132.0
    width = (size.total - gap * (columns - 1)) / columns
    marks: list[str] = []
    for i, trace in enumerate(found):
        marks += _panel(trace, (i % columns) * (width + gap), (i // columns) * height, width, height - 16)
    rows = -(-len(found) // columns)
    return drawn.picture(size.total, max(rows * height, 20), marks)


def _panel(trace: ChainTrace, left: float, top: float, width: float, height: float) -> list[str]:
    chains = trace.chains[:MOST_CHAINS]
    values = [v for chain in chains for v in chain]
    low, high = min(values, default=0.0), max(values, default=1.0)
    pad = (high - low) * 0.08 or abs(high) * 0.05 or 1.0
    low, high = low - pad, high + pad
    longest = max((len(c) for c in chains), default=1)
    x0, x1, y0, y1 = left + 48, left + width - 6, top + height - 20, top + 24
    r_hat = f", R-hat {trace.r_hat:.2f}" if trace.r_hat is not None else ""
    marks = [drawn.words(left, top + 13, f"{trace.trait}: {trace.statistic}{r_hat}", size=11.5, bold=True)]
    for value in drawn.ticks(low, high, 2):
        y = y0 + (value - low) / (high - low) * (y1 - y0)
        marks.append(drawn.line(x0, y, x1, y))
        marks.append(
            drawn.words(x0 - 6, y + 4, f"{value:g}".replace("-", MINUS), size=11, color=palette.QUIET, anchor="end")
        )

    def x(iteration: int) -> float:
        return x0 + iteration / max(longest - 1, 1) * (x1 - x0)

    for number in sorted({0, (longest - 1) // 2, longest - 1}):
        marks.append(drawn.words(x(number), y0 + 15, f"{number + 1}", size=11, color=palette.QUIET, anchor="middle"))
    for i, chain in enumerate(chains):
        points_ = [(x(n), y0 + (v - low) / (high - low) * (y1 - y0)) for n, v in enumerate(chain)]
        marks.append(drawn.course(points_, color=CHAIN_COLORS[i % len(CHAIN_COLORS)]))
    return marks


def surface(h: HiddenConfounding, size: Size) -> Markup:
    """Corrected difference for each strength of a hidden trait, with the measured traits' own strengths as numbered marks."""
    s = h.surface
    if s is None or not s.approach or not s.outcome:
        raise ValueError("there is no surface to draw")
    rows = sorted(range(len(s.approach)), key=lambda i: -s.approach[i])  # commoner below at the top
    columns = sorted(range(len(s.outcome)), key=lambda j: s.outcome[j])
    left, top = (52.0, 8.0) if size.narrow else (70.0, 8.0)
    width = (size.total - left - 6) / len(columns)
    height = 28.0 if size.narrow else 30.0
    small = 10.0 if size.narrow else 12.0
    marks: list[str] = []
    bold: list[str] = []
    for r, i in enumerate(rows):
        for c, j in enumerate(columns):
            cell = s.cells[i][j]
            x, y = left + c * width, top + r * height
            fill = palette.PAGE if cell.estimate is None else map_color(cell.estimate)
            marks.append(drawn.box(x + 1, y + 1, width - 2, height - 2, fill=fill, edge=palette.LINE, thick=0.6))
            text = "\u2013" if cell.estimate is None else points(cell.estimate)
            marks.append(
                drawn.words(
                    x + width / 2, y + height / 2 + 4, text, size=small, color=palette.text_on(fill), anchor="middle"
                )
            )
            if cell.lower is not None and cell.upper is not None and (cell.lower > 0 or cell.upper < 0):
                bold.append(
                    f'<rect x="{x + 2:g}" y="{y + 2:g}" width="{width - 4:g}" height="{height - 4:g}" fill="none" stroke="{palette.INK}" stroke-width="2"/>'
                )
        marks.append(
            drawn.words(
                left - 8,
                top + r * height + height / 2 + 4,
                _signed(s.approach[i]),
                size=11.5,
                color=palette.QUIET,
                anchor="end",
            )
        )
    foot = top + len(rows) * height
    for c, j in enumerate(columns):
        marks.append(
            drawn.words(
                left + (c + 0.5) * width,
                foot + 16,
                _signed(s.outcome[j]),
                size=11.5,
                color=palette.QUIET,
                anchor="middle",
            )
        )
    for number, (across, down) in enumerate(_benchmarks(h, s), start=1):
        x, y = left + across * width, top + down * height
        bold.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="8.5" fill="{palette.INK}" stroke="{palette.PAGE}" stroke-width="1.5"/>'
        )
        bold.append(drawn.words(x, y + 4, str(number), size=11, color=palette.PAGE, anchor="middle", bold=True))
    marks.append(
        drawn.words(left + len(columns) * width / 2, foot + 36, "Change of the chance of crossing, points" if size.narrow else "Change of the chance of crossing that the trait makes, points", size=11.5, color=palette.QUIET, anchor="middle")
    )  # fmt: skip
    marks.append(drawn.upright(11, top + len(rows) * height / 2, "Commoner from below by, points", size=11.5))
    return drawn.picture(size.total, foot + 44, [*marks, *bold])


def _signed(value: float) -> str:
    whole = round(value * 100)
    return f"{MINUS if whole < 0 else '+' if whole > 0 else ''}{abs(whole)}"


def _benchmarks(h: HiddenConfounding, s: BiasSurface) -> list[tuple[float, float]]:
    """Where the measured traits lie, in cells from the left and from the top; one beyond the grid lies on its edge."""
    rows, columns = sorted(s.approach, reverse=True), sorted(s.outcome)
    return [(_place(abs(m.effect), columns), _place(abs(m.gap), rows)) for m in h.strengths]


def _place(value: float, grid: list[float]) -> float:
    """Cells from the first edge to `value`, on a grid of cell middles that rises or falls."""
    if len(grid) < 2:
        return 0.5
    for n, (a, b) in enumerate(pairwise(grid)):
        if min(a, b) <= value <= max(a, b):
            return n + 0.5 + (value - a) / (b - a)
    beyond = value > max(grid)
    return len(grid) - 0.25 if beyond == (grid[-1] > grid[0]) else 0.25
