"""Colors and marks of the report. Our own set, checked for contrast and for red-green color blindness by the tests.

Every approach has a shape as well as a color: a triangle pointing up is "from below", one pointing down "from above".
"""

from __future__ import annotations

INK = "#1c2733"  # text
QUIET = "#51606e"  # secondary text, still 4.5:1 on the page
PAGE = "#ffffff"
PANEL = "#f4f6f5"
LINE = "#c9d1d3"  # grid and rules: decoration, carries no data

BELOW = "#125e78"  # started from below (retrograde)
ABOVE = "#b3541a"  # started from above (antegrade)
PLAIN = "#77717f"  # plain figures, not adjusted
FAIR = "#3a2a5d"  # like-for-like figures
CROSSED = "#2f5e43"
NOT_CROSSED = "#968c87"
NOT_SHOWN = "#e3e6e6"

MIDDLE = "#f6f2ea"  # no difference, on the map
TOWARD_BELOW = ("#cfe0e3", "#86b3bf", "#34768c", BELOW)
TOWARD_ABOVE = ("#f3dcc8", "#e0ae85", "#ca7a45", ABOVE)

VERDICT_COLOR = {"pass": "#2b6246", "caution": "#7a5200", "withhold": "#96233a"}
VERDICT_MARK = {"pass": "\u2713", "caution": "!", "withhold": "\u2715"}
VERDICT_WORD = {"pass": "Passed", "caution": "Caution", "withhold": "Withheld"}

SHAPE = {"retrograde": "triangle-up", "antegrade": "triangle-down"}
FONT = "Arial, Helvetica, 'Liberation Sans', sans-serif"  # one set of widths everywhere, so that no label is clipped


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two #rrggbb colors, 1 to 21 (WCAG 2.2, relative luminance)."""
    lighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def text_on(background: str) -> str:
    """Ink or white, whichever is easier to read on this color."""
    return INK if contrast(INK, background) >= contrast(PAGE, background) else PAGE


def linear(color: str) -> tuple[float, float, float]:
    """Linear-light red, green and blue (0-1) of #rrggbb."""
    r, g, b = (int(color[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return _to_linear(r), _to_linear(g), _to_linear(b)


def _to_linear(channel: float) -> float:
    return channel / 12.92 if channel <= 0.04045 else ((channel + 0.055) / 1.055) ** 2.4


def _luminance(color: str) -> float:
    r, g, b = linear(color)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b
