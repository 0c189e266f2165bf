"""What a page may show: the Edition's types with every hidden number replaced by None.

Only `reports.disclosure` makes these. Charts, tables and sentences take nothing else, so that a hidden count cannot
reach the page by another road.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from models.departure_results import Departure
from models.results import (
    Approach,
    CaseMix,
    Effect,
    Gate,
    Measure,
    MethodNote,
    OverLooks,
    Population,
    ProfileLabel,
    TermKind,
)


@dataclass(frozen=True, slots=True)
class ShownArm:
    """One approach within a comparison; `n`, `events`, `effective_n` are None when hidden, and so is a crude risk."""

    approach: Approach
    risk: float | None
    lower: float | None
    upper: float | None
    n: int | None
    events: int | None
    effective_n: float | None


@dataclass(frozen=True, slots=True)
class ShownComparison:
    """A comparison with its hidden numbers None. `counts_hidden` is true when any count of it is."""

    endpoint: str
    population: Population
    method: str
    profile: str
    level: float
    retrograde: ShownArm
    antegrade: ShownArm
    effects: tuple[Effect, ...]
    withheld_because: str | None
    note: str
    counts_hidden: bool

    @property
    def n(self) -> int | None:
        """Lesions compared, both approaches; None when either count is hidden."""
        if self.retrograde.n is None or self.antegrade.n is None:
            return None
        return self.retrograde.n + self.antegrade.n

    def effect(self, measure: Measure) -> Effect:
        """The named measure, all None when absent."""
        for effect in self.effects:
            if effect.measure == measure:
                return effect
        return Effect(measure, None, None, None, None)


@dataclass(frozen=True, slots=True)
class ShownTableCount:
    """Rows of one table."""

    table: str
    read: int | None
    used: int | None
    set_aside: int | None


@dataclass(frozen=True, slots=True)
class ShownReason:
    """Rows set aside, values blanked or rows warned of for one reason."""

    table: str
    what: Literal["row", "value", "warning"]
    reason: str
    count: int | None


@dataclass(frozen=True, slots=True)
class ShownStep:
    """One step of the case flow; steps at which very few leave are already joined to a neighbor."""

    label: str
    count: int | None
    left_out: int | None
    reason: str


@dataclass(frozen=True, slots=True)
class ShownMissing:
    """Share (0-1) not recorded; None when it would give a small count away."""

    label: str
    share: float | None


@dataclass(frozen=True, slots=True)
class ShownSequence:
    """What happened on the table, as in `SequenceCount`."""

    first_approach: Approach
    first_crossed: bool
    then: Literal["none", "same", "bailout"]
    session_crossed: bool
    count: int | None


@dataclass(frozen=True, slots=True)
class ShownQuarter:
    """One calendar quarter, as in `QuarterCount`."""

    quarter: str
    lesions: int | None
    retrograde_first: int | None
    first_approach_crossed: int | None
    crossed_in_session: int | None


@dataclass(frozen=True, slots=True)
class ShownPrice:
    """What a session cost; medians and quartiles are None when they rest on too few lesions."""

    name: str
    label: str
    unit: str
    approach: Approach
    n: int | None
    median: float | None
    lower_quartile: float | None
    upper_quartile: float | None


@dataclass(frozen=True, slots=True)
class ShownMix:
    """A lesion trait by first approach; values are None when a share would give a small count away."""

    trait: CaseMix
    retrograde: float | None
    antegrade: float | None
    smd: float | None


@dataclass(frozen=True, slots=True)
class ShownCell:
    """One cell of the length x calcium map."""

    length_band: str
    calcium: str
    comparison: ShownComparison


@dataclass(frozen=True, slots=True)
class ScoreBar:
    """Lesions of one approach with a score from `lower` to `upper`; bars are widened until none is small."""

    approach: Approach
    lower: float
    upper: float
    count: int


@dataclass(frozen=True, slots=True)
class ShownGate:
    """A check with what it found; `value` is None when it is a hidden number of lesions."""

    gate: Gate
    value: float | None


@dataclass(frozen=True, slots=True)
class ShownTerm:
    """Balance of one term as in `BalanceTerm`, without the means; before weighting None when it would give a count away."""

    label: str
    kind: TermKind
    smd_before: float | None
    smd_after: float
    variance_ratio_before: float | None
    variance_ratio_after: float | None
    hidden: bool = False


@dataclass(frozen=True, slots=True)
class ShownDiagnostics:
    """How far the primary comparison can be trusted; effective sizes are None when the counts behind them are hidden."""

    balance: tuple[ShownTerm, ...]
    score_bars: tuple[ScoreBar, ...]
    effective_n_retrograde: float | None
    effective_n_antegrade: float | None
    c_statistic: float
    gates: tuple[ShownGate, ...]


@dataclass(frozen=True, slots=True)
class ShownEdition:
    """An Edition after disclosure control: what every page is made from."""

    service: str
    invented: bool
    period_start: str
    period_end: str
    latest_quarter: str
    primary_endpoint: str
    primary_method: str
    primary_population: Population
    over_looks: OverLooks | None
    verdict_held_because: str | None
    departures: tuple[Departure, ...]
    endpoint_labels: tuple[tuple[str, str], ...]
    level: float
    smallest_count_shown: int
    plan_hash: str
    data_hash: str
    version: str
    table_counts: tuple[ShownTableCount, ...]
    reasons: tuple[ShownReason, ...]
    flow: tuple[ShownStep, ...]
    missing: tuple[ShownMissing, ...]
    sequences: tuple[ShownSequence, ...]
    quarters: tuple[ShownQuarter, ...]
    prices: tuple[ShownPrice, ...]
    case_mix: tuple[ShownMix, ...]
    comparisons: tuple[ShownComparison, ...]
    profile_labels: tuple[ProfileLabel, ...]
    length_calcium: tuple[ShownCell, ...]
    diagnostics: ShownDiagnostics | None
    methods: tuple[MethodNote, ...]

    def comparison(
        self, endpoint: str, method: str, population: Population, profile: str = "all"
    ) -> ShownComparison | None:
        """The one comparison so named; None when the edition has none."""
        for c in self.comparisons:
            if (c.endpoint, c.method, c.population, c.profile) == (endpoint, method, population, profile):
                return c
        return None

    def fair(self, endpoint: str, profile: str = "all") -> ShownComparison | None:
        """The primary method's comparison in the primary population; None when the edition has none."""
        return self.comparison(endpoint, self.primary_method, self.primary_population, profile)
