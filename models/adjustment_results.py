"""What the methods report shows of the adjustment: who was compared, how alike they became, and what every method says.

No patient rows. Risks, shares and differences are fractions (0-1); differences are retrograde minus antegrade. Counts are given as they are:
the report hides small ones itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from models.results import Approach, BalanceTerm, Comparison, Measure, ScoreOverlap

RefusedRole = Literal["exposure", "mediator", "outcome", "collider", "instrument"]
OddsRatioKind = Literal["marginal", "conditional"]
SimulationRole = Literal["primary", "plain", "comparator"]


@dataclass(frozen=True, slots=True)
class TrialElement:
    """One row of the target-trial table: `target` what the trial would do, `emulation` how the tables stand in for it."""

    element: str
    target: str
    emulation: str


@dataclass(frozen=True, slots=True)
class Estimand:
    """What one endpoint's answer is a number for. `population` as printed; `margin` is the smallest difference that matters, a fraction."""

    endpoint: str
    population: str
    measure: Measure
    margin: float


@dataclass(frozen=True, slots=True)
class RefusedColumn:
    """A column, or some of a kind, that is never adjusted for, its role on the causal diagram, and why. `name` as in the plan."""

    name: str
    role: RefusedRole
    reason: str


@dataclass(frozen=True, slots=True)
class CovariateForm:
    """How one adjusted-for trait enters the models, as printed ("restricted cubic spline, 4 knots"), and in how many terms."""

    label: str
    form: str
    terms: int


@dataclass(frozen=True, slots=True)
class TraitRow:
    """One line of Table 1: one level of a category (`unit` "share"), or one number (its unit: "mm", "years").

    `retrograde` and the other values are shares (0-1), or means with `..._sd` beside them (None for a share). `count_...` are the lesions
    with the level, `recorded_...` those with the trait recorded; for a number both are the recorded. Weighted values are those of
    the primary analysis. Standardized differences as in `BalanceTerm`, and `name` as its `name`: "calcium=severe", "length_mm". `level` is "" for a number and
    for a yes/no trait.
    """

    name: str
    trait: str
    level: str
    unit: str
    count_retrograde: int
    count_antegrade: int
    recorded_retrograde: int
    recorded_antegrade: int
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


@dataclass(frozen=True, slots=True)
class TermBalance:
    """A balance term with its Kolmogorov-Smirnov distances (0-1); None for a term of 0 and 1, where it is the difference of shares."""

    term: BalanceTerm
    ks_before: float | None
    ks_after: float | None


@dataclass(frozen=True, slots=True)
class CalibrationGroup:
    """Lesions with a score from `lower` to `upper`: mean score and share started from below, with its interval."""

    lower: float
    upper: float
    n: int
    retrograde: int
    mean_score: float
    share: float
    share_lower: float
    share_upper: float


@dataclass(frozen=True, slots=True)
class LearnerShare:
    """One learner of the stack: its weight (0-1) in the score or in an outcome model, and its cross-validated loss."""

    nuisance: str
    learner: str
    weight: float
    loss: float
    loss_name: str


@dataclass(frozen=True, slots=True)
class ScoreQuality:
    """How good the score is as a probability. Slope 1 and intercept 0 are perfect (Cox 1958); None with a reason in `remark`.

    `cross_fitted`: whether each lesion's score comes from a model that did not see its patient. `groups`: tenths of the score.
    """

    overlap: ScoreOverlap
    c_statistic: float
    slope: float | None
    slope_lower: float | None
    slope_upper: float | None
    intercept: float | None
    groups: tuple[CalibrationGroup, ...]
    learners: tuple[LearnerShare, ...]
    cross_fitted: bool
    remark: str


@dataclass(frozen=True, slots=True)
class WeightSummary:
    """Weights of one approach under one weighting, scaled to mean 1 within it.

    `effective_n` (lesions) and `effective_patients` are Kish's sizes; `largest_share` is the largest single weight as a share (0-1) of the approach's total;
    `truncated` lesions had theirs cut off.
    """

    method: str
    approach: Approach
    n: int
    effective_n: float
    effective_patients: float | None
    low: float  # 1st percentile
    median: float
    high: float  # 99th percentile
    largest: float
    largest_share: float
    truncated: int


@dataclass(frozen=True, slots=True)
class MethodEstimate:
    """One method's answer on one endpoint.

    `label` as printed ("Overlap weighting, logistic score"); `assumes` says in one sentence what it takes for granted. `comparison` holds the three effects,
    each None where the method has none. `odds_ratio` says whether its odds ratio is of the population or at given covariates.
    """

    comparison: Comparison
    label: str
    assumes: str
    odds_ratio: OddsRatioKind
    primary: bool


@dataclass(frozen=True, slots=True)
class BootstrapInterval:
    """The cluster bootstrap's interval for one measure of the primary method (or of that named in `method`). `failed` replicates had no answer."""

    endpoint: str
    method: str
    measure: Measure
    lower: float | None
    upper: float | None
    standard_error: float | None
    replicates: int
    failed: int
    withheld_because: str | None


@dataclass(frozen=True, slots=True)
class SimulationLine:
    """One method in one simulated scenario: differences as fractions, `bias_error` the simulation error of the bias."""

    scenario: str
    lesions: int
    services: int
    endpoint: str
    method: str
    role: SimulationRole
    bias: float
    bias_error: float
    empirical_se: float
    mean_se: float
    coverage: float
    coverage_lower: float
    coverage_upper: float
    width: float
    withheld: int


@dataclass(frozen=True, slots=True)
class Simulation:
    """The simulations by which the primary method was chosen. `made` says when and with what command; `why_primary` why it is the primary one."""

    lines: tuple[SimulationLine, ...]
    made: str
    why_primary: str
