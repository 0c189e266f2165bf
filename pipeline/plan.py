"""The analysis plan: every choice that could change a number, checked whole before any work starts.

A plan is written before results are seen; its hash is printed on every report. `Plan()` is the default and needs no file.
"""

from __future__ import annotations

import hashlib
import tomllib
from datetime import date
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from pipeline.faults import NeedsMending


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Eligibility(_Part):
    """Which lesions are compared. Dates are inclusive; an empty `segments` means all."""

    first_date: date | None = None
    last_date: date | None = None
    segments: tuple[str, ...] = ()


class Gates(_Part):
    """Thresholds that withhold an estimate or put a caution beside it."""

    caution_imbalance: Annotated[float, Field(gt=0)] = 0.1  # SD; Austin 2009
    largest_imbalance: Annotated[float, Field(gt=0)] = 0.25  # SD; Stuart 2010, after Rubin 2001
    fewest_in_arm: Annotated[int, Field(ge=2)] = 20  # lesions by each approach; our choice, common practice, no source
    fewest_effective_in_arm: Annotated[float, Field(ge=1)] = 10.0  # Kish; our choice, common practice, no source
    sparse_cell: Annotated[float, Field(ge=1)] = 5.0  # expected count below which Wald intervals are left (Cochran 1954)


class Plan(_Part):
    """The whole plan. Field names are the keys of the TOML file."""

    service: str = "The service"
    eligibility: Eligibility = Eligibility()
    primary_endpoint: str = "first_approach_crossed"
    endpoints: tuple[str, ...] = ("first_approach_crossed", "crossed_in_session")
    adjust_for: tuple[str, ...] = ()  # empty: every feature that features.py marks as a confounder
    left_out: tuple[str, ...] = ()  # features whose balance is looked at though they are not adjusted for
    profiles: tuple[str, ...] = ()  # empty: every profile in profiles.py
    length_bands_mm: tuple[float, ...] = (100.0, 200.0)  # band limits; a limit belongs to the longer band
    age_bands_years: tuple[int, ...] = (65, 75, 85)
    level: Annotated[float, Field(gt=0.5, lt=1)] = 0.95
    gates: Gates = Gates()
    smallest_count_shown: Annotated[int, Field(ge=2, le=50)] = 5  # counts from 1 to one below are hidden
    seed: int = 20260101

    @model_validator(mode="after")
    def _bands_rise(self) -> Plan:
        for name in ("length_bands_mm", "age_bands_years"):
            bands = getattr(self, name)
            if not bands or list(bands) != sorted(set(bands)):
                raise ValueError(f"{name} must rise and hold at least one limit")
        if self.primary_endpoint not in self.endpoints:
            raise ValueError("primary_endpoint must be one of endpoints")
        return self

    @property
    def hash(self) -> str:
        """SHA-256 of the plan's content, 64 hex digits: two plans with the same choices have the same hash."""
        return hashlib.sha256(self.model_dump_json().encode()).hexdigest()


def load_plan(path: Path | None) -> Plan:
    """The plan in a TOML file, or the default for None.

    Raises NeedsMending with one line per fault: the file, the field, what is wrong.
    """
    if path is None:
        return Plan()
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise NeedsMending(f"{path.name}: the plan cannot be read ({error.strerror}); check --plan") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise NeedsMending(f"{path.name}: not a TOML file ({error}); mend that line") from None
    try:
        # Strict for numbers, lax for arrays: TOML has lists where the plan has tuples.
        return Plan.model_validate(_as_tuples(content))
    except ValidationError as error:
        raise NeedsMending(
            *(f"{path.name}: {'.'.join(map(str, e['loc'])) or 'plan'}: {e['msg']}" for e in error.errors())
        ) from None


def _as_tuples(value: object) -> object:
    if isinstance(value, list):
        return tuple(_as_tuples(v) for v in value)
    if isinstance(value, dict):
        return {k: _as_tuples(v) for k, v in value.items()}
    return value
