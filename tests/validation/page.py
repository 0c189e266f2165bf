"""docs/validation.md, from the figures."""

from __future__ import annotations

from pathlib import Path

from tests.validation.figures import Figures

FILE = Path(__file__).parents[2] / "docs" / "validation.md"


def page(figures: Figures) -> str:
    """The page."""
    return f"{len(figures.lines)} lines\n"
