"""The tables of a plan: its choices by subject, each with its default and, in the words under it, its source.

The docstring under a field is its description in docs/plan.schema.json and docs/plan_reference.md.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

Population = Literal["overlap", "all", "treated"]
Method = Literal[
    "crude",
    "weighting",
    "truncated_weighting",
    "covariate_balancing",
    "matching",
    "standardization",
    "doubly_robust",
    "conditional",
    "estimating_equations",
    "random_intercept",
    "firth",
    "complete_case",
    "missing_indicator",
    "learners",
]
PrimaryMethod = Literal["doubly_robust", "weighting"]
LooksMethod = Literal["open_ended", "confidence_sequence", "obrien_fleming", "pocock"]

_Finite = Field(allow_inf_nan=False)
_Above0 = Field(gt=0, allow_inf_nan=False)
_Fraction = Field(gt=0, lt=1)


class Part(BaseModel):
    """One table of the plan: fixed once read, no field but its own, no value of another type."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, use_attribute_docstrings=True)


class Eligibility(Part):
    """Which lesions are compared."""

    first_date: date | None = None
    """The first day of procedures that count, inclusive; without it from the start of the tables."""
    last_date: date | None = None
    """The last day of procedures that count, inclusive; without it to the end of the tables."""
    segments: tuple[str, ...] = ()
    """Only lesions in these segments; empty means all."""


class Gates(Part):
    """Thresholds that withhold an estimate or put a caution beside it."""

    caution_imbalance: Annotated[float, _Above0] = 0.1
    """Standardized difference after weighting above which a caution is printed, in SD (Austin 2009)."""
    largest_imbalance: Annotated[float, _Above0] = 0.25
    """Standardized difference after weighting above which the estimate is withheld, in SD (Stuart 2010, after Rubin 2001)."""
    fewest_in_arm: Annotated[int, Field(ge=2)] = 20
    """Lesions that each approach must have at least (our choice; common practice, no source)."""
    fewest_effective_in_arm: Annotated[float, Field(ge=1, allow_inf_nan=False)] = 10.0
    """Kish's effective size that each approach must keep after weighting (our choice; common practice, no source)."""
    sparse_cell: Annotated[float, Field(ge=1, allow_inf_nan=False)] = 5.0
    """Effective count of events or non-events below which small-cell intervals replace Wald's (Cochran 1954)."""
    largest_variance_ratio: Annotated[float, Field(gt=1, allow_inf_nan=False)] = 2.0
    """Ratio of the approaches' variances of a trait after weighting above which, or below one over which, the trait is marked (Rubin 2001)."""
    weakest_instrument_f: Annotated[float, _Above0] = 10.0
    """First-stage F statistic below which operators' preference is called a weak instrument (Staiger & Stock 1997)."""

    @model_validator(mode="after")
    def _caution_comes_first(self) -> Gates:
        if self.caution_imbalance > self.largest_imbalance:
            raise ValueError("caution_imbalance must not be above largest_imbalance")
        return self


class Imputation(Part):
    """Multiple imputation of traits that are not recorded, and the table of what it would take to tip the answer."""

    datasets: Annotated[int, Field(ge=2, le=200)] = 20
    """Completed data sets, m: about one for each per cent of lesions with a gap (White, Royston & Wood 2011), 20 as a rule (Graham 2007)."""
    sweeps: Annotated[int, Field(ge=1, le=200)] = 10
    """Sweeps of the chained equations before a data set is taken: 5 to 20 are enough as a rule (van Buuren 2018, section 4.5)."""
    tipping_feature: str = ""
    """The trait whose unrecorded values are shifted in the tipping table, by feature; empty means the adjusted trait that is missing most often."""
    tipping_deltas: tuple[float, ...] = (-1.0, -0.5, 0.0, 0.5, 1.0)
    """How far unrecorded values are shifted, rising: in SD for a number, in log odds for each level up for a category (our choice, no source)."""

    @model_validator(mode="after")
    def _deltas_rise(self) -> Imputation:
        deltas = self.tipping_deltas
        if not deltas or list(deltas) != sorted(set(deltas)) or not all(-10 <= delta <= 10 for delta in deltas):
            raise ValueError("tipping_deltas must rise, from -10 or more to 10 or less, and hold at least one number")
        return self


class Truncation(Part):
    """Where `truncated_weighting` cuts weights off; no other method cuts any."""

    lower_quantile: Annotated[float, Field(ge=0, lt=0.5)] = 0.01
    """Weights below this quantile are raised to it (Cole & Hernán 2008)."""
    upper_quantile: Annotated[float, Field(gt=0.5, le=1)] = 0.99
    """Weights above this quantile are lowered to it (Cole & Hernán 2008)."""


class Matching(Part):
    """How lesions started from below are matched with lesions started from above."""

    ratio: Annotated[int, Field(ge=1, le=10)] = 1
    """Lesions from above that are matched with each one from below, at the most."""
    caliper: Annotated[float, _Above0] = 0.2
    """Largest distance of a match, in SD of the score's logit (Austin 2011)."""
    replacement: bool = False
    """Whether a lesion from above may be matched more than once."""


class Bootstrap(Part):
    """The cluster bootstrap: an interval that does not rest on the formulas for the first one."""

    replicates: Annotated[int, Field(ge=0, le=100_000)] = 1_000
    """Draws of patients, with replacement; 0 means no bootstrap (1,000 for percentile intervals: Efron & Tibshirani 1993)."""


class HiddenBias(Part):
    """What is supposed of an unmeasured trait when the interval is widened for it."""

    strength: Annotated[float, Field(ge=0, le=10)] = 1.0
    """An unmeasured trait this many times as strong, on approach and on crossing, as the strongest measured one (after Cinelli & Hazlett 2020; our choice of 1)."""


class Looks(Part):
    """Repeated looks: a report each quarter tests again, and the error is held over all of them."""

    earlier: Annotated[int | None, Field(ge=0, le=1_000)] = None
    """Looks before this one; without it one for each earlier delivery kept in the folder of the outputs."""
    planned: Annotated[int, Field(ge=1, le=1_000)] = 12
    """Looks planned in all, this and earlier ones included, one a quarter; by then `open_ended` has spent half of the error, and the confidence sequence is at its tightest (12 are three years; our choice, no source)."""
    method: LooksMethod = "open_ended"
    """How the error is held. `open_ended` spends it as lesions come in (Lan & DeMets 1983) and never runs out: over twelve looks it found a true effect in 64 % of simulated services, `confidence_sequence` (Waudby-Smith et al. 2024), which needs no record of earlier looks, in 48 %. `obrien_fleming` and `pocock` found more (79 %, 70 %), but after the planned lesions can claim nothing any more."""
    error: Annotated[float, Field(gt=0, lt=0.5)] = 0.05
    """Chance, over all looks, that any of them claims a difference where there is none (0.05 is common practice, no source)."""


class SelfCheck(Part):
    """The run's check of itself: outcomes simulated from this service's own lesions, with a known effect."""

    replicates: Annotated[int, Field(ge=0, le=10_000)] = 200
    """Simulated services for each endpoint, at least 15; 0 means no self-check (our choice: 200 tell coverage of 95 % to about 3 points)."""
    lowest_coverage: Annotated[float, _Fraction] = 0.9
    """Share of simulated services whose interval holds the truth below which, simulation error allowed for, the verdict is held back (our choice, no source)."""
    largest_standardized_bias: Annotated[float, _Above0] = 0.4
    """Bias, in standard errors, above which the verdict is held back: beyond 0.4 coverage suffers (Collins, Schafer & Kam 2001)."""
    power: Annotated[float, _Fraction] = 0.8
    """Chance with which the smallest difference that this history could show would be found (common practice, no source)."""
