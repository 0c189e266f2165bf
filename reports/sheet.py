"""The templates and the style that every page is made of."""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template

TEMPLATES = Path(__file__).parent / "templates"


def template(name: str) -> Template:
    """A template that escapes all it is given and fails on what it is not given."""
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template(name)


def style(*names: str) -> str:
    """The style sheets of these names, one after the other."""
    return "\n".join((TEMPLATES / name).read_text(encoding="utf-8") for name in names)
