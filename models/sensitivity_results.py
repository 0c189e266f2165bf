"""What the methods report shows of what could still be wrong: gaps, hidden traits, single patients and operators, repeated looks.

No patient rows. Shares and differences are fractions (0-1), retrograde minus antegrade. Counts are given as they are: the report hides
small ones itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from models.bias_surface import BiasSurface
from models.instrument import InstrumentResult
from models.measured_strengths import MeasuredStrength
from models.negative_control import NegativeControl
from models.omitted_bias import BoundedInterval, RobustnessValue
from models.repeated_looks import LookInterval
from models.results import Measure
from models.rosenbaum import RosenbaumBounds
from models.self_check import SelfCheck


@dataclass(frozen=True, slots=True)
class MissingTrait:
    """Lesions compared without the trait recorded, by first approach, of `n_...` in all."""

    label: str
    missing_retrograde: int
    missing_antegrade: int
    n_retrograde: int
    n_antegrade: int


@dataclass(frozen=True, slots=True)
class MissingPattern:
    """Lesions that lack exactly these traits; an empty tuple for those that lack none."""

    traits: tuple[str, ...]
    count: int


@dataclass(frozen=True, slots=True)
class PooledVariance:
    """Rubin's rules around the primary estimate (risk difference) of one endpoint.

    Variances in squared fractions; `missing_information` (0-1) and `degrees_of_freedom` by Barnard & Rubin (1999);
    `imputation_error` is the Monte Carlo standard error of the pooled estimate, sqrt(between / datasets).
    """

    endpoint: str
    within: float
    between: float
    missing_information: float
    degrees_of_freedom: float
    imputation_error: float


@dataclass(frozen=True, slots=True)
class ChainTrace:
    """A statistic of one trait's imputed values along the iterations, one line for each data set drawn (at least two).

    `r_hat` compares the spread between chains with that within (Gelman & Rubin 1992), near 1 when they mix; None when not worked out.
    """

    trait: str
    statistic: str
    chains: tuple[tuple[float, ...], ...]
    r_hat: float | None


@dataclass(frozen=True, slots=True)
class Plausibility:
    """Recorded against imputed values of one trait: means with SD, or shares (0-1, `unit` "share", SD None) of one level.

    `recorded_n` lesions have the trait recorded; of them `recorded_count` have the level (for a number: all). `imputed_n` lesions have it imputed.
    """

    trait: str
    level: str
    unit: str
    recorded_n: int
    recorded_count: int
    imputed_n: int
    recorded: float
    recorded_sd: float | None
    imputed: float
    imputed_sd: float | None


@dataclass(frozen=True, slots=True)
class TippingCell:
    """The primary estimate (risk difference) with unrecorded values of `trait` shifted after imputation, by first approach.

    Shifts in SD for a number, in log odds for a category. `trait` is "all" when all are shifted together.
    """

    endpoint: str
    trait: str
    shift_retrograde: float
    shift_antegrade: float
    estimate: float | None
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True)
class MissingData:
    """Gaps, how they were filled, and what follows if they are not missing at random. `method` is printed as it stands."""

    traits: tuple[MissingTrait, ...]
    patterns: tuple[MissingPattern, ...]
    method: str
    datasets: int
    iterations: int
    pooled: tuple[PooledVariance, ...]
    traces: tuple[ChainTrace, ...]
    plausibility: tuple[Plausibility, ...]
    tipping: tuple[TippingCell, ...]


@dataclass(frozen=True, slots=True)
class EValueLine:
    """E-value of one measure's estimate and of its limit nearer to no difference, both at least 1. None with a reason."""

    measure: Measure
    point: float | None
    limit: float | None
    reason: str | None


@dataclass(frozen=True, slots=True)
class HiddenConfounding:
    """One endpoint's answer under an unmeasured trait.

    `surface` on the scale of the risk difference: rows a hidden yes/no trait's gap of prevalence, columns its risk difference.
    `strengths` carry the traits' printed names. `weakest_f`: first-stage F below which the instrument is called weak. What is None has its reason in
    the report's `absent`.
    """

    endpoint: str
    e_values: tuple[EValueLine, ...]
    surface: BiasSurface | None
    strengths: tuple[MeasuredStrength, ...]
    rosenbaum: RosenbaumBounds | None
    controls: tuple[NegativeControl, ...]
    instrument: InstrumentResult | None
    weakest_f: float
    bounded: BoundedInterval | None
    bounded_because: str  # how the stated strength was chosen, in a sentence
    robustness: RobustnessValue | None


@dataclass(frozen=True, slots=True)
class LeftOutOperator:
    """The primary risk difference without one operator's lesions. `number` is pseudonymous and has no meaning beyond this report."""

    number: int
    lesions: int
    estimate: float | None
    lower: float | None
    upper: float | None
    withheld_because: str | None


@dataclass(frozen=True, slots=True)
class Influence:
    """How much one endpoint's answer rests on single operators and patients.

    `patient_shift`: by how much the risk difference moves when the most influential patient is left out; `few_patients` and `few_shift`: the same for that many of them
    together, those that pull one way. `standard_error` of the primary estimate, to measure them by.
    """

    endpoint: str
    estimate: float | None
    lower: float | None
    upper: float | None
    standard_error: float | None
    operators: tuple[LeftOutOperator, ...]
    patients: int
    patient_shift: float | None
    few_patients: int
    few_shift: float | None


@dataclass(frozen=True, slots=True)
class LookLine:
    """One report so far: its number from 1, its name as printed ("2024 Q3") and both intervals."""

    number: int
    name: str
    interval: LookInterval


@dataclass(frozen=True, slots=True)
class LookSeries:
    """All looks at one endpoint's primary risk difference. `method` as printed; `error` is held over `planned` looks, or over any number."""

    endpoint: str
    method: str
    planned: int | None
    error: float
    lines: tuple[LookLine, ...]


@dataclass(frozen=True, slots=True)
class EndpointSelfCheck:
    """The self-check of one endpoint's primary comparison. `held_back`: whether the report withholds the verdict because of it."""

    endpoint: str
    check: SelfCheck
    held_back: bool


AbsentPart = Literal[
    "flow", "diagram", "table_one", "balance", "score", "weights", "gates", "estimates", "bootstrap", "simulation", "missing",
    "imputation", "traces", "tipping", "e_values", "surface", "rosenbaum", "controls", "instrument", "bounded", "operators", "patients", "looks",
    "self_check", "departures",
]  # fmt: skip
