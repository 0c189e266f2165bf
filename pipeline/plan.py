"""The analysis plan: every choice that could change a number, checked whole before any work starts.

A plan is written before results are seen; its hash is printed on every report. `Plan()` is the default and needs no file.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from pipeline.bands import OLDEST_AGE_YEARS
from pipeline.faults import NeedsMending
from pipeline.plan_faults import faults_in_words

MOST_BAND_LIMIT = 1000.0  # longer than any artery of the leg


class _Part(BaseModel):
    # The docstring under a field is its description in the schema, and so in docs/plan_reference.md.
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, use_attribute_docstrings=True)


class Eligibility(_Part):
    """Which lesions are compared."""

    first_date: date | None = None
    """The first day of procedures that count, inclusive; without it from the start of the tables."""
    last_date: date | None = None
    """The last day of procedures that count, inclusive; without it to the end of the tables."""
    segments: tuple[str, ...] = ()
    """Only lesions in these segments; empty means all."""


class Gates(_Part):
    """Thresholds that withhold an estimate or put a caution beside it."""

    caution_imbalance: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 0.1
    """Standardized difference after weighting above which a caution is printed, in SD (Austin 2009)."""
    largest_imbalance: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 0.25
    """Standardized difference after weighting above which the estimate is withheld, in SD (Stuart 2010, after Rubin 2001)."""
    fewest_in_arm: Annotated[int, Field(ge=2)] = 20
    """Lesions that each approach must have at least (our choice; common practice, no source)."""
    fewest_effective_in_arm: Annotated[float, Field(ge=1, allow_inf_nan=False)] = 10.0
    """Kish's effective size that each approach must keep after weighting (our choice; common practice, no source)."""
    sparse_cell: Annotated[float, Field(ge=1, allow_inf_nan=False)] = 5.0
    """Effective count of events or non-events below which small-cell intervals replace Wald's (Cochran 1954)."""

    @model_validator(mode="after")
    def _caution_comes_first(self) -> Gates:
        if self.caution_imbalance > self.largest_imbalance:
            raise ValueError("caution_imbalance must not be above largest_imbalance")
        return self


class Plan(_Part):
    """The whole plan. Field names are the keys of the TOML file."""

    service: str = "The service"
    """The service's name, printed at the head of the report."""
    eligibility: Eligibility = Eligibility()
    """Which lesions are compared."""
    primary_endpoint: str = "first_approach_crossed"
    """The endpoint that the report leads with; one of `endpoints`."""
    endpoints: tuple[str, ...] = ("first_approach_crossed", "crossed_in_session")
    """What the approaches are compared on."""
    adjust_for: tuple[str, ...] = ()
    """The adjustment set, by feature; empty means every feature that the features page lists as adjusted for."""
    left_out: tuple[str, ...] = ()
    """Features whose balance is looked at though they are not adjusted for; empty means those that the features page lists."""
    profiles: tuple[str, ...] = ()
    """The lesion profiles compared, by feature; empty means all of them."""
    length_bands_mm: tuple[float, ...] = (100.0, 200.0)
    """Limits of the bands of length, rising, in mm; a limit belongs to the longer band."""
    age_bands_years: tuple[int, ...] = (65, 75, 85)
    """Limits of the bands of age, rising, in years, the last 90 at the most; a limit belongs to the older band."""
    level: Annotated[float, Field(gt=0.5, lt=1)] = 0.95
    """Level of every interval, as a fraction."""
    gates: Gates = Gates()
    """Thresholds that withhold an estimate or put a caution beside it."""
    smallest_count_shown: Annotated[int, Field(ge=2, le=50)] = 5
    """The smallest count that is printed: counts from 1 to one below it are hidden; 0 is shown."""
    withdrawn_rows: Literal["ask", "keep", "drop"] = "ask"
    """Rows that a new export no longer holds: keep (it holds only what is new), drop (it is the whole history), ask (stop and count them)."""
    seed: int = 20260101
    """Seed of the draws for traits that are not recorded; another seed moves estimates by a little (docs/methods.md)."""

    @model_validator(mode="after")
    def _fields_agree(self) -> Plan:
        faults = list(self._disagreements())
        if faults:
            raise ValueError("\n".join(faults))
        return self

    def _disagreements(self) -> Iterator[str]:
        """One sentence for each fault that a field alone does not show; each begins with a field and names all that it is about."""
        for name in ("length_bands_mm", "age_bands_years"):
            bands = getattr(self, name)
            if not bands or list(bands) != sorted(set(bands)):
                yield f"{name} must rise and hold at least one limit"
            elif not all(0 < limit < MOST_BAND_LIMIT and round(limit, 2) == limit for limit in bands):
                yield f"{name} must be above 0, below {MOST_BAND_LIMIT:g} and of two decimals at most"
        if self.age_bands_years and self.age_bands_years[-1] > OLDEST_AGE_YEARS:
            yield f"age_bands_years must end at {OLDEST_AGE_YEARS} at the latest: older patients are one group"
        for name in ("endpoints", "adjust_for", "left_out", "profiles"):
            named = getattr(self, name)
            if len(set(named)) < len(named):
                yield f"{name} names something twice"
        if self.primary_endpoint not in self.endpoints:
            yield "primary_endpoint must be one of endpoints"

    @property
    def hash(self) -> str:
        """SHA-256 of the plan's content, 64 hex digits: two plans with the same choices have the same hash."""
        return hashlib.sha256(self.model_dump_json().encode()).hexdigest()


def load_plan(path: Path | None) -> Plan:
    """The plan in a TOML file, or the default for None; names in it are checked in plan_names.py.

    Raises NeedsMending with one line per fault: the file, the field, what is wrong.
    """
    plan, faults = read_plan(path)
    if faults:
        raise NeedsMending(*faults)
    return plan


def read_plan(path: Path | None) -> tuple[Plan, tuple[str, ...]]:
    """The plan as far as it can be read, with the default in place of each field at fault, and one line per fault.

    Raises NeedsMending when there is no TOML file to read at all.
    """
    if path is None:
        return Plan(), ()
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise NeedsMending(f"{path.name}: the plan cannot be read ({error.strerror}); check --plan") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise NeedsMending(f"{path.name}: not a TOML file ({error}); mend that line") from None
    plan, faults = _as_far_as_it_goes({key: _as_tuples(value) for key, value in content.items()})
    return plan, tuple(f"{path.name}: {fault}" for fault in faults)


def _as_far_as_it_goes(content: dict[str, Any]) -> tuple[Plan, list[str]]:
    """Takes out what is at fault until the rest can be checked as a whole: fields are only compared when each is sound."""
    faults: list[str] = []
    out: set[str] = set()
    while True:
        try:
            # Strict for numbers, lax for arrays: TOML has lists where the plan has tuples.
            return Plan.model_validate(content), faults
        except ValidationError as error:
            errors = error.errors(include_url=False)
        # A field that was taken out has its default, which nobody has chosen: it is compared with nothing.
        faults += [
            fault
            for fault in faults_in_words(Plan, errors)
            if not out & set(re.findall(r"\w+", fault.partition(": ")[2]))
        ]
        places = [tuple(str(part) for part in one["loc"] if isinstance(part, str)) for one in errors]
        if not all(places):
            # Fields that disagree are read for their names all the same.
            return Plan.model_construct(**_parts_of(content)), faults
        for place, one in zip(places, errors, strict=True):
            content = _without(content, place)
            if one["type"] != "extra_forbidden":
                out.add(place[-1])


def _parts_of(content: Mapping[str, Any]) -> dict[str, Any]:
    """Sound fields as the plan holds them."""
    inside: dict[str, type[_Part]] = {"eligibility": Eligibility, "gates": Gates}
    return {name: inside[name].model_validate(part) if name in inside else part for name, part in content.items()}


def _without(content: dict[str, Any], place: Sequence[str]) -> dict[str, Any]:
    first, *further = place
    inside = content.get(first)
    if further and isinstance(inside, dict):
        return content | {first: _without(inside, further)}
    return {name: part for name, part in content.items() if name != first}


def _as_tuples(value: object) -> object:
    if isinstance(value, list):
        return tuple(_as_tuples(v) for v in value)
    if isinstance(value, dict):
        return {k: _as_tuples(v) for k, v in value.items()}
    return value
