"""All that the methods report shows, as one frozen value: plain numbers and words, no patient rows.

Risks, shares and differences are fractions (0-1); differences are retrograde minus antegrade. Counts are given as they are: hiding small ones is
the first thing that the report does. A part that is empty or None should have its reason in `absent`.
"""

from __future__ import annotations

from dataclasses import dataclass

from models.adjustment_results import (
    BootstrapInterval,
    CovariateForm,
    Estimand,
    MethodEstimate,
    RefusedColumn,
    ScoreQuality,
    Simulation,
    TermBalance,
    TraitRow,
    TrialElement,
    WeightSummary,
)
from models.causal_diagram import CausalDiagram
from models.departure_results import Departure
from models.results import FlowStep, Gate
from models.sensitivity_results import (
    AbsentPart,
    EndpointSelfCheck,
    HiddenConfounding,
    Influence,
    LookSeries,
    MissingData,
)


@dataclass(frozen=True, slots=True)
class Seed:
    """One seed of the run, by what it was used for."""

    purpose: str
    seed: int


@dataclass(frozen=True, slots=True)
class Version:
    """One program or library that the run used."""

    name: str
    version: str


@dataclass(frozen=True, slots=True)
class RunFacts:
    """What identifies the run. Periods are months, "2023-01"; hashes are SHA-256 in hex; `level` is that of every interval.

    `settings` are further choices of the plan, each as a name and a value in words, for the methods paragraph and the reader; `eligibility` says in a
    sentence which lesions are compared. `patients` and `operators` are those of the lesions compared.
    """

    service: str
    invented: bool
    period_start: str
    period_end: str
    first_quarter: str
    latest_quarter: str
    primary_endpoint: str
    endpoint_labels: tuple[tuple[str, str], ...]
    primary_label: str
    level: float
    smallest_count_shown: int
    plan_hash: str
    data_hash: str
    version: str
    seeds: tuple[Seed, ...]
    versions: tuple[Version, ...]
    settings: tuple[tuple[str, str], ...]
    eligibility: str
    patients: int
    operators: int
    reports_seen: int


@dataclass(frozen=True, slots=True)
class Absent:
    """Why one part of the report is empty, in a sentence; `endpoint` is "" when it is so for all."""

    part: AbsentPart
    reason: str
    endpoint: str = ""


@dataclass(frozen=True, slots=True)
class MethodsReport:
    """The whole page. Endpoints come in the order of `run.endpoint_labels`."""

    run: RunFacts
    question: str
    trial: tuple[TrialElement, ...]
    estimands: tuple[Estimand, ...]
    flow: tuple[FlowStep, ...]
    diagram: CausalDiagram | None
    forms: tuple[CovariateForm, ...]
    refused: tuple[RefusedColumn, ...]
    table_one: tuple[TraitRow, ...]
    balance: tuple[TermBalance, ...]
    score: ScoreQuality | None
    weights: tuple[WeightSummary, ...]
    gates: tuple[Gate, ...]
    estimates: tuple[MethodEstimate, ...]
    bootstrap: tuple[BootstrapInterval, ...]
    simulation: Simulation | None
    missing: MissingData | None
    hidden: tuple[HiddenConfounding, ...]
    influence: tuple[Influence, ...]
    looks: tuple[LookSeries, ...]
    self_checks: tuple[EndpointSelfCheck, ...]
    departures: tuple[Departure, ...]
    absent: tuple[Absent, ...]

    def why_absent(self, part: AbsentPart, endpoint: str = "") -> str:
        """The reason given for an empty part, for the endpoint or for all; a plain sentence when none was given."""
        for a in self.absent:
            if a.part == part and a.endpoint in ("", endpoint):
                return a.reason
        return "Not worked out in this run."
