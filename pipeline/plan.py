"""The analysis plan: every choice that could change a number, checked whole before any work starts.

A plan is written before results are seen; its hash is printed on every report. `Plan()` is the default and needs no file.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import AfterValidator, Field, ValidationError, model_validator

from pipeline.bands import OLDEST_AGE_YEARS
from pipeline.faults import NeedsMending
from pipeline.plan_faults import faults_in_words
from pipeline.plan_parts import (
    Bootstrap,
    Eligibility,
    Gates,
    HiddenBias,
    Imputation,
    Looks,
    Matching,
    Method,
    Part,
    Population,
    PrimaryMethod,
    SelfCheck,
    Truncation,
)

MOST_BAND_LIMIT = 1000.0  # longer than any artery of the leg
METHODS: tuple[str, ...] = get_args(Method)


def _by_name(table: dict[str, Any]) -> dict[str, Any]:
    """The same table whatever the order of its lines: they are no choice."""
    return dict(sorted(table.items()))


_Reasons = Annotated[dict[str, str], AfterValidator(_by_name)]
_Points = Annotated[dict[str, float], AfterValidator(_by_name)]


class Plan(Part):
    """The whole plan. Field names are the keys of the TOML file."""

    service: str = "The service"
    """The service's name, printed at the head of the report."""
    eligibility: Eligibility = Eligibility()
    """Which lesions are compared."""
    primary_endpoint: str = "first_approach_crossed"
    """The endpoint that the report leads with; one of `endpoints`."""
    endpoints: tuple[str, ...] = ("first_approach_crossed", "crossed_in_session")
    """What the approaches are compared on."""
    margin_points: Annotated[float, Field(gt=0, lt=100)] = 5.0
    """The smallest difference that matters, in percentage points (our choice, no source: a service should set its own)."""
    margins: _Points = Field(default={})
    """The smallest difference that matters where it is another for an endpoint, by endpoint, in percentage points."""
    adjust_for: tuple[str, ...] = ()
    """The adjustment set, by feature; empty means every feature that the features page lists as adjusted for."""
    adjust_because: _Reasons = Field(default={})
    """Why a feature is adjusted for, by feature, in a sentence; needed for one that the features page gives no reason to adjust for."""
    left_out: tuple[str, ...] = ()
    """Features whose balance is looked at though they are not adjusted for; empty means those that the features page lists."""
    populations: tuple[Population, ...] = ("overlap", "all", "treated")
    """The populations that the approaches are compared in."""
    primary_population: Population = "overlap"
    """The population that the report leads with; one of `populations`."""
    methods: tuple[Method, ...] = ()
    """The methods of adjustment set side by side; empty means all. The plain comparison and the primary method are always made."""
    primary_method: PrimaryMethod = "doubly_robust"
    """The method that the report leads with; the default was chosen by simulation (docs/methods.md)."""
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
    imputation: Imputation = Imputation()
    """Multiple imputation of traits that are not recorded, and the table of what it would take to tip the answer."""
    truncation: Truncation = Truncation()
    """Where `truncated_weighting` cuts weights off; no other method cuts any."""
    matching: Matching = Matching()
    """How lesions started from below are matched with lesions started from above."""
    bootstrap: Bootstrap = Bootstrap()
    """The cluster bootstrap: an interval that does not rest on the formulas for the first one."""
    hidden_bias: HiddenBias = HiddenBias()
    """What is supposed of an unmeasured trait when the interval is widened for it."""
    looks: Looks = Looks()
    """Repeated looks: a report each quarter tests again, and the error is held over all of them."""
    self_check: SelfCheck = SelfCheck()
    """The run's check of itself: outcomes simulated from this service's own lesions, with a known effect."""
    smallest_count_shown: Annotated[int, Field(ge=2, le=50)] = 5
    """The smallest count that is printed: counts from 1 to one below it are hidden; 0 is shown."""
    withdrawn_rows: Literal["ask", "keep", "drop"] = "ask"
    """Rows that a new export no longer holds: keep (it holds only what is new), drop (it is the whole history), ask (stop and count them)."""
    seed: int = 20260101
    """The seed from which those of all random draws are made; another seed moves estimates by a little (docs/methods.md)."""

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
        for name in ("endpoints", "adjust_for", "left_out", "populations", "methods", "profiles"):
            named = getattr(self, name)
            if len(set(named)) < len(named):
                yield f"{name} names something twice"
        if self.primary_endpoint not in self.endpoints:
            yield "primary_endpoint must be one of endpoints"
        if self.primary_population not in self.populations:
            yield "primary_population must be one of populations"
        for name, points in self.margins.items():
            if not 0 < points < 100:
                yield f"margins must be above 0 and below 100, in percentage points; that of {name} is not"
        for name, reason in self.adjust_because.items():
            if not reason.strip():
                yield f"adjust_because gives no reason for {name}"

    @property
    def hash(self) -> str:
        """SHA-256 of the plan's content, 64 hex digits: two plans with the same choices have the same hash."""
        return hashlib.sha256(self.model_dump_json().encode()).hexdigest()

    def margin(self, endpoint: str) -> float:
        """The smallest difference that matters on this endpoint, as a fraction (0-1)."""
        return self.margins.get(endpoint, self.margin_points) / 100

    def compares_by(self, method: Method) -> bool:
        """Whether the plan asks for this method; the plain comparison and the primary method are always asked for."""
        return not self.methods or method in (*self.methods, "crude", self.primary_method)

    def seed_for(self, purpose: str) -> int:
        """The seed of one kind of draw (0 to 2^63 - 1), by its name: draws of different kinds do not go together."""
        digest = hashlib.blake2b(f"{self.seed}|{purpose}".encode(), digest_size=8).digest()
        return int.from_bytes(digest, "big") >> 1


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
    inside = {name: type(field.default) for name, field in Plan.model_fields.items() if isinstance(field.default, Part)}
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
