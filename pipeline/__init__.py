"""Crosswise's steps and declarations. `from pipeline import Plan, analyze, read_tables` is the Python interface."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.flow import Results as Results
    from pipeline.flow import analyze as analyze
    from pipeline.plan import Plan as Plan
    from pipeline.read import read_tables as read_tables

__all__ = ["Plan", "Results", "analyze", "read_tables"]

_HOME = {
    "Plan": "pipeline.plan",
    "Results": "pipeline.flow",
    "analyze": "pipeline.flow",
    "read_tables": "pipeline.read",
}


def __getattr__(name: str) -> object:
    """Fetch a public name on first use: importing a declaration must not cost the import of the whole run."""
    from importlib import import_module

    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module 'pipeline' has no attribute {name!r}")
