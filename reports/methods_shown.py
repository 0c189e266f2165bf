"""What the methods page may show: the results with every hidden number None. Only `reports.methods_disclosure` makes these."""

from __future__ import annotations

from dataclasses import dataclass

from models.adjustment_results import (
    BootstrapInterval,
    CovariateForm,
    Estimand,
    LearnerShare,
    RefusedColumn,
    Simulation,
    TrialElement,
)
from models.causal_diagram import CausalDiagram
from models.departure_results import Departure
from models.methods_results import Absent, RunFacts
from models.results import Approach, TermKind
from models.sensitivity_results import (
    AbsentPart,
    ChainTrace,
    EndpointSelfCheck,
    HiddenConfounding,
    LookLine,
    PooledVariance,
    TippingCell,
)
from reports.shown import ScoreBar, ShownComparison, ShownGate, ShownStep


@dataclass(frozen=True, slots=True)
class ShownTrait:
    """One line of Table 1. Where `hidden`, counts, plain values and the difference before weighting are None, weighted ones too."""

    name: str
    trait: str
    level: str
    unit: str
    count_retrograde: int | None
    count_antegrade: int | None
    retrograde: float | None
    antegrade: float | None
    retrograde_sd: float | None
    antegrade_sd: float | None
    smd_before: float | None
    weighted_retrograde: float | None
    weighted_antegrade: float | None
    weighted_retrograde_sd: float | None
    weighted_antegrade_sd: float | None
    smd_after: float | None
    hidden: bool


@dataclass(frozen=True, slots=True)
class ShownBalance:
    """Balance of one term; what belongs to before weighting is None where it would give a count away (`hidden`)."""

    label: str
    kind: TermKind
    smd_before: float | None
    smd_after: float
    variance_ratio_before: float | None
    variance_ratio_after: float | None
    ks_before: float | None
    ks_after: float | None
    hidden: bool


@dataclass(frozen=True, slots=True)
class ShownGroup:
    """One tenth of the score; `share` and its interval are None when a count behind them is hidden."""

    lower: float
    upper: float
    n: int | None
    mean_score: float
    share: float | None
    share_lower: float | None
    share_upper: float | None


@dataclass(frozen=True, slots=True)
class ShownScore:
    """The score's quality."""

    bars: tuple[ScoreBar, ...]
    c_statistic: float
    slope: float | None
    slope_lower: float | None
    slope_upper: float | None
    intercept: float | None
    groups: tuple[ShownGroup, ...]
    learners: tuple[LearnerShare, ...]
    cross_fitted: bool
    remark: str


@dataclass(frozen=True, slots=True)
class ShownWeights:
    """Weights of one approach under one weighting; sizes are None when the counts behind them are hidden."""

    method: str
    approach: Approach
    n: int | None
    effective_n: float | None
    effective_patients: float | None
    low: float
    median: float
    high: float
    largest: float
    largest_share: float
    truncated: int | None


@dataclass(frozen=True, slots=True)
class ShownMethod:
    """One method's answer."""

    comparison: ShownComparison
    label: str
    assumes: str
    odds_ratio: str
    primary: bool


@dataclass(frozen=True, slots=True)
class ShownMissingTrait:
    """Lesions without the trait recorded, as counts and shares (0-1) by approach."""

    label: str
    missing_retrograde: int | None
    missing_antegrade: int | None
    share_retrograde: float | None
    share_antegrade: float | None


@dataclass(frozen=True, slots=True)
class ShownPattern:
    """Lesions that lack exactly these traits; `others` patterns with small counts are one line."""

    traits: tuple[str, ...]
    count: int | None
    others: int = 0


@dataclass(frozen=True, slots=True)
class ShownPlausibility:
    """Recorded against imputed values of one trait or level."""

    trait: str
    level: str
    unit: str
    recorded: float | None
    recorded_sd: float | None
    imputed: float | None
    imputed_sd: float | None
    imputed_n: int | None


@dataclass(frozen=True, slots=True)
class ShownMissing:
    """Gaps and how they were filled."""

    traits: tuple[ShownMissingTrait, ...]
    patterns: tuple[ShownPattern, ...]
    method: str
    datasets: int
    iterations: int
    pooled: tuple[PooledVariance, ...]
    traces: tuple[ChainTrace, ...]
    plausibility: tuple[ShownPlausibility, ...]
    tipping: tuple[TippingCell, ...]


@dataclass(frozen=True, slots=True)
class ShownHidden:
    """One endpoint's answer under an unmeasured trait; of the pairs behind Rosenbaum's bounds the counts are None when small."""

    found: HiddenConfounding
    discordant: int | None
    with_outcome: int | None


@dataclass(frozen=True, slots=True)
class ShownOperator:
    """The answer without one operator; all None but the number where the operator has very few lesions."""

    number: int
    lesions: int | None
    estimate: float | None
    lower: float | None
    upper: float | None
    withheld_because: str | None


@dataclass(frozen=True, slots=True)
class ShownInfluence:
    """How much one endpoint's answer rests on single operators and patients."""

    endpoint: str
    estimate: float | None
    lower: float | None
    upper: float | None
    standard_error: float | None
    operators: tuple[ShownOperator, ...]
    patient_shift: float | None
    few_patients: int
    few_shift: float | None


@dataclass(frozen=True, slots=True)
class ShownLook:
    """One look; `n` None where it would give a small quarter away."""

    line: LookLine
    n: int | None


@dataclass(frozen=True, slots=True)
class ShownLooks:
    """All looks at one endpoint."""

    endpoint: str
    method: str
    planned: int | None
    error: float
    lines: tuple[ShownLook, ...]


@dataclass(frozen=True, slots=True)
class ShownMethods:
    """The methods report after disclosure control."""

    run: RunFacts
    patients: int | None
    question: str
    trial: tuple[TrialElement, ...]
    estimands: tuple[Estimand, ...]
    flow: tuple[ShownStep, ...]
    diagram: CausalDiagram | None
    forms: tuple[CovariateForm, ...]
    refused: tuple[RefusedColumn, ...]
    table_one: tuple[ShownTrait, ...]
    balance: tuple[ShownBalance, ...]
    score: ShownScore | None
    weights: tuple[ShownWeights, ...]
    gates: tuple[ShownGate, ...]
    estimates: tuple[ShownMethod, ...]
    bootstrap: tuple[BootstrapInterval, ...]
    simulation: Simulation | None
    missing: ShownMissing | None
    hidden: tuple[ShownHidden, ...]
    influence: tuple[ShownInfluence, ...]
    looks: tuple[ShownLooks, ...]
    self_checks: tuple[EndpointSelfCheck, ...]
    departures: tuple[Departure, ...]
    absent: tuple[Absent, ...]

    def why_absent(self, part: AbsentPart, endpoint: str = "") -> str:
        """The reason given for an empty part, for the endpoint or for all; a plain sentence when none was given."""
        for a in self.absent:
            if a.part == part and a.endpoint in ("", endpoint):
                return a.reason
        return "Not worked out in this run."

    def endpoint_label(self, endpoint: str) -> str:
        """The endpoint as printed."""
        label = dict(self.run.endpoint_labels).get(endpoint, endpoint.replace("_", " "))
        return label[:1].upper() + label[1:]

    def primary(self, endpoint: str) -> ShownMethod | None:
        """The primary method's answer on this endpoint; None when there is none."""
        return next((m for m in self.estimates if m.primary and m.comparison.endpoint == endpoint), None)

    def crude(self, endpoint: str) -> ShownMethod | None:
        """The plain comparison on this endpoint."""
        return next(
            (m for m in self.estimates if m.comparison.method == "crude" and m.comparison.endpoint == endpoint), None
        )
