"""Writes docs/plan_reference.md and docs/plan.schema.json from the schema of the plan: `python -m pipeline.plan_page`."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from pipeline.case_tables import table
from pipeline.endpoints import ENDPOINTS
from pipeline.features import FEATURES
from pipeline.plan import Plan
from pipeline.profiles import PROFILES

PAGE = Path(__file__).parent.parent / "docs" / "plan_reference.md"
SCHEMA = PAGE.with_name("plan.schema.json")
DIALECT = "https://json-schema.org/draft/2020-12/schema"

# How the schema's types are written in TOML.
_TYPES = {"string": "text", "integer": "whole number", "number": "number", "boolean": "true or false"}
_LISTS = {"string": "list of texts", "integer": "list of whole numbers", "number": "list of numbers"}
_TABLES = {"string": "table: `name = text`", "number": "table: `name = number`"}
_LIMITS = {
    "minimum": "{:g} or more",
    "exclusiveMinimum": "above {:g}",
    "maximum": "{:g} or less",
    "exclusiveMaximum": "below {:g}",
}

OPENING = """# Plan reference

<!-- Written by `python -m pipeline.plan_page` from pipeline/plan.py; change it there. -->

The analysis plan holds every choice that could change a number. It is a text file in TOML, given with `--plan plan.toml`, and
every part of it is optional: what is left out has the default below, and without a file the whole default plan is used. Write
it before you see results. Its SHA-256 stands at the foot of the report (first 16 digits) and whole in `manifest.json`.

The plan is checked whole before any work starts. A field that is not on this page, a value of the wrong type or out of its limits,
and a name that is not known each give one line that says which, and the run ends with status 1. Lists that name band limits must
rise, `primary_endpoint` must be one of `endpoints` and `primary_population` one of `populations`, and `first_date` must not come after
`last_date`.

**What may be adjusted for.** Only what is known before the first puncture. A plan that names the plane, a device, minutes, attempts,
bailout, radiation, a complication, crossing itself or an operator's preference, in `adjust_for`, `left_out` or `profiles`, is stopped
with a line that says what it is on the way from approach to crossing, and why adjusting for it would bias:
[The causal diagram](causal_diagram.md). A feature that has no reason to be adjusted for on the [features](features.md) page needs
one of yours under `[adjust_because]`.

**A change after results were seen** is a departure. The plan of every run is kept with its delivery in `service.duckdb`; each report
lists what was changed since the first one, field by field, and with which delivery the change came.

The same as a JSON schema, for an editor that checks TOML as it is written: [plan.schema.json](plan.schema.json). Sources that are
named here by author and year are listed in [Methods](methods.md#references)."""

EXAMPLE = """## An example

Plain fields first, then the tables:

```toml
service = "Vascular service, north site"
primary_endpoint = "crossed_in_session"
profiles = ["length_band", "calcium", "segment"]
length_bands_mm = [50, 150, 250]
smallest_count_shown = 10
margin_points = 4
adjust_for = [
  "length_mm", "calcium", "proximal_cap", "distal_cap", "prior_bypass", "segment", "in_stent", "runoff_vessels",
  "rutherford", "renal", "diabetes", "age_years", "sex", "operator_id", "operator_retrograde_before", "calendar_years", "smoking",
]

[adjust_because]
smoking = "Here smokers have been started from below for years, whatever their anatomy."

[margins]
crossed_in_session = 3

[eligibility]
first_date = 2024-01-01
last_date = 2025-12-31
segments = ["anterior_tibial", "posterior_tibial", "peroneal"]

[gates]
fewest_in_arm = 30

[hidden_bias]
strength = 1.5
```"""


def plan_schema() -> str:
    """The plan's JSON schema as a file holds it: every field with its type, limits, default and meaning."""
    return json.dumps({"$schema": DIALECT} | Plan.model_json_schema(), indent=2, ensure_ascii=False) + "\n"


def plan_page() -> str:
    """The page in Markdown, ending with a newline."""
    schema = Plan.model_json_schema()
    parts = {name: part for name, part in schema["properties"].items() if "$ref" in part}
    plain = {name: part for name, part in schema["properties"].items() if name not in parts}
    sections = [OPENING, "## Fields", _fields(plain)]
    for name, part in parts.items():
        described = schema["$defs"][part["$ref"].rpartition("/")[2]]
        sections += [f"## `[{name}]`", described["description"], _fields(described["properties"])]
    sections += ["## Names that the plan may use", "\n".join(_names()), EXAMPLE]
    return "\n\n".join(sections) + "\n"


def _fields(properties: Mapping[str, Mapping[str, Any]]) -> str:
    lines = ["| field | type | limits | default | meaning |", "| --- | --- | --- | --- | --- |"]
    for name, field in properties.items():
        cells = (f"`{name}`", _type(field), _limits(field), _default(field["default"]), field["description"])
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _type(field: Mapping[str, Any]) -> str:
    """The field's type as one writes it; a KeyError for a type that this page has no word for."""
    kind = _kind(field)
    if kind["type"] == "array":
        return _LISTS[kind["items"]["type"]]
    if kind["type"] == "object":
        return _TABLES[kind["additionalProperties"]["type"]]
    return "date, unquoted" if kind.get("format") == "date" else _TYPES[kind["type"]]


def _kind(field: Mapping[str, Any]) -> Mapping[str, Any]:
    """What a field holds when it holds something."""
    if "anyOf" not in field:
        return field
    (kind,) = (choice for choice in field["anyOf"] if choice["type"] != "null")
    found: Mapping[str, Any] = kind
    return found


def _limits(field: Mapping[str, Any]) -> str:
    field = _kind(field)
    choices = field.get("items", field).get("enum")
    if choices is not None:
        each = "each one of " if field["type"] == "array" else "one of "
        return each + ", ".join(f"`{json.dumps(choice)}`" for choice in choices)
    return ", ".join(words.format(field[key]) for key, words in _LIMITS.items() if key in field)


def _default(value: object) -> str:
    """The default as TOML writes it; TOML has no word for none."""
    return "none" if value is None or value == {} else f"`{json.dumps(value)}`"


def _names() -> Iterator[str]:
    yield f"- **Endpoints**, for `endpoints`, `primary_endpoint` and `margins`: {_listed(e.name for e in ENDPOINTS if e.compared)}."
    yield f"- **Profiles**, by the feature that parts the lesions: {_listed(p.feature for p in PROFILES)}."
    yield f"- **Segments**: {_listed(table('lesions').column('segment').codes)}."
    yield (
        f"- **Features**, for `adjust_for`, `adjust_because`, `left_out` and `tipping_feature`: {_listed(f.name for f in FEATURES)}."
        " What each is, and which are adjusted for by default: [Features](features.md)."
    )


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f"`{name}`" for name in names)


if __name__ == "__main__":
    PAGE.write_text(plan_page(), encoding="utf-8", newline="\n")
    SCHEMA.write_text(plan_schema(), encoding="utf-8", newline="\n")
