"""Every frozen type that one folder hands to another. No patient rows: counts, estimates, words.

Risks and differences are fractions (0-1), never per cent. Differences are retrograde minus antegrade and ratios
retrograde over antegrade, so a positive difference on a success endpoint favours starting from below.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from models.departure_results import Departure

Approach = Literal["retrograde", "antegrade"]
Population = Literal["observed", "overlap", "all", "treated"]
Measure = Literal["risk_difference", "risk_ratio", "odds_ratio"]
GateVerdict = Literal["pass", "caution", "withhold"]
TermKind = Literal["fitted", "square", "interaction", "left_out"]

CONTRAST = "retrograde_vs_antegrade"


@dataclass(frozen=True, slots=True)
class ArmRisk:
    """One approach's risk (proportion with the event), with its interval.

    `n` lesions and `events` are plain counts; `effective_n` is Kish's (1965) effective sample size under the weights.
    """

    approach: Approach
    risk: float | None
    lower: float | None
    upper: float | None
    n: int
    events: int
    effective_n: float | None


@dataclass(frozen=True, slots=True)
class Effect:
    """One measure of the contrast. All None when withheld; intervals are finite whenever `estimate` is given."""

    measure: Measure
    estimate: float | None
    lower: float | None
    upper: float | None
    p_value: float | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """One endpoint, in one population, by one method, within one profile.

    `profile` is "all" or `feature=level` pairs joined with ";". `effects` holds risk difference, risk ratio, odds ratio.
    `withheld_because` says in a sentence why there is no estimate, None when there is one. `note` is a remark (interval
    method, pooled levels ...), "" when there is none.
    """

    endpoint: str
    population: Population
    method: str
    profile: str
    level: float
    retrograde: ArmRisk
    antegrade: ArmRisk
    effects: tuple[Effect, ...]
    withheld_because: str | None
    note: str

    @property
    def n(self) -> int:
        """Lesions compared, both approaches."""
        return self.retrograde.n + self.antegrade.n

    def effect(self, measure: Measure) -> Effect:
        """The named measure; KeyError when absent."""
        for effect in self.effects:
            if effect.measure == measure:
                return effect
        raise KeyError(measure)


@dataclass(frozen=True, slots=True)
class BalanceTerm:
    """Balance of one covariate term between the approaches, before and after weighting.

    Standardized mean differences in pooled unadjusted SD (Austin 2009), retrograde minus antegrade; variance ratios are
    retrograde over antegrade and None for a binary term.
    """

    name: str
    label: str
    kind: TermKind
    mean_retrograde: float
    mean_antegrade: float
    smd_before: float
    smd_after: float
    variance_ratio_before: float | None
    variance_ratio_after: float | None


@dataclass(frozen=True, slots=True)
class Gate:
    """One diagnostic held against its threshold. `sentence` is what the report prints; `source` is where the threshold is from."""

    name: str
    sentence: str
    value: float
    threshold: float
    verdict: GateVerdict
    source: str


@dataclass(frozen=True, slots=True)
class ScoreOverlap:
    """Histogram of the propensity score by approach: `edges` has one more entry than the counts."""

    edges: tuple[float, ...]
    retrograde: tuple[int, ...]
    antegrade: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Diagnostics:
    """How far the primary comparison can be trusted."""

    balance: tuple[BalanceTerm, ...]
    overlap: ScoreOverlap
    effective_n_retrograde: float
    effective_n_antegrade: float
    c_statistic: float
    gates: tuple[Gate, ...]


@dataclass(frozen=True, slots=True)
class TableCount:
    """rows read = rows used + rows set aside."""

    table: str
    read: int
    used: int
    set_aside: int


@dataclass(frozen=True, slots=True)
class ReasonCount:
    """Rows set aside (`what` = "row"), single values blanked ("value") or rows used that are odd ("warning"), for one reason."""

    table: str
    what: Literal["row", "value", "warning"]
    reason: str
    count: int


@dataclass(frozen=True, slots=True)
class FlowStep:
    """One step of the case flow from lesions read to lesions compared. `left_out` leave at this step, `count` remain."""

    label: str
    count: int
    left_out: int
    reason: str


@dataclass(frozen=True, slots=True)
class MissingShare:
    """Share (0-1) of eligible lesions in which a feature is not recorded."""

    feature: str
    label: str
    share: float


@dataclass(frozen=True, slots=True)
class SequenceCount:
    """What happened on the table: lesions whose first attempt, next step and end were these.

    `then` is "none" (no further attempt), "same" (again by the first approach only) or "bailout" (at least one
    attempt by the other approach).
    """

    first_approach: Approach
    first_crossed: bool
    then: Literal["none", "same", "bailout"]
    session_crossed: bool
    count: int


@dataclass(frozen=True, slots=True)
class QuarterCount:
    """One calendar quarter, `quarter` as "2024 Q3"."""

    quarter: str
    lesions: int
    retrograde_first: int
    first_approach_crossed: int
    crossed_in_session: int


@dataclass(frozen=True, slots=True)
class Price:
    """What a session cost by first approach: plain medians and quartiles, not adjusted. `unit` as printed ("min", "mGy", "mL")."""

    name: str
    label: str
    unit: str
    approach: Approach
    n: int
    median: float
    lower_quartile: float
    upper_quartile: float


@dataclass(frozen=True, slots=True)
class CaseMix:
    """One line of "why crude and adjusted differ": a lesion trait by first approach, as the report prints it."""

    label: str
    retrograde: float
    antegrade: float
    unit: Literal["share", "mm", "years", "count"]
    smd: float


@dataclass(frozen=True, slots=True)
class MapCell:
    """One cell of the length x calcium map: the adjusted comparison there."""

    length_band: str
    calcium: str
    comparison: Comparison


@dataclass(frozen=True, slots=True)
class ProfileLabel:
    """How a profile (`feature=level`) is printed."""

    profile: str
    feature_label: str
    level_label: str


@dataclass(frozen=True, slots=True)
class MethodNote:
    """One paragraph of "methods in plain words"."""

    heading: str
    text: str


@dataclass(frozen=True, slots=True)
class OverLooks:
    """The primary risk difference with an interval that holds over all reports so far and to come; `looks` counts this one."""

    looks: int
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class Edition:
    """One report's content, complete: it can be saved, compared and redrawn without any patient row.

    `comparisons` holds, for each endpoint: crude (population "observed"), the primary method in the primary population, and for profile "all" every other
    method of the plan; then crude and primary for each one-way profile. `verdict_held_because`: the run's check of itself failed, and how. `smallest_count_shown`: counts from 1 to one below it are
    hidden before anything is drawn. `invented` is true for demo data. `period_start` and `period_end` are months, "2023-01".
    """

    service: str
    invented: bool
    period_start: str
    period_end: str
    latest_quarter: str
    primary_endpoint: str
    endpoint_labels: tuple[tuple[str, str], ...]
    level: float
    smallest_count_shown: int
    plan_hash: str
    data_hash: str
    version: str
    table_counts: tuple[TableCount, ...]
    reasons: tuple[ReasonCount, ...]
    flow: tuple[FlowStep, ...]
    missing: tuple[MissingShare, ...]
    sequences: tuple[SequenceCount, ...]
    quarters: tuple[QuarterCount, ...]
    prices: tuple[Price, ...]
    case_mix: tuple[CaseMix, ...]
    comparisons: tuple[Comparison, ...]
    profile_labels: tuple[ProfileLabel, ...]
    length_calcium: tuple[MapCell, ...]
    diagnostics: Diagnostics | None
    methods: tuple[MethodNote, ...]
    primary_method: str = "doubly_robust"
    primary_population: Population = "overlap"
    over_looks: OverLooks | None = None
    verdict_held_because: str | None = None
    departures: tuple[Departure, ...] = ()

    def comparison(self, endpoint: str, method: str, population: Population, profile: str = "all") -> Comparison:
        """The one comparison so named; KeyError when absent."""
        for c in self.comparisons:
            if (c.endpoint, c.method, c.population, c.profile) == (endpoint, method, population, profile):
                return c
        raise KeyError((endpoint, method, population, profile))
