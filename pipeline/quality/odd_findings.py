"""What the looks for oddities hand on before they are told: findings with their chance, corrected for how often was looked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from models.quality_results import Certainty, Oddity

# Chance, over all looks of one kind together, that a clean export shows any such finding; ours, no source. The correction is
# Bonferroni's: the chance of one look times the number of looks.
FALSE_ALARM = 0.001


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding before correction. `chance` is of one look, None where nothing is left to chance."""

    kind: str
    table: str
    column: str
    finding: str
    ask: str
    measure: str
    value: float | None
    n: int
    site: str = ""
    quarter: str = ""
    chance: float | None = None
    certainty: Certainty = "beyond chance"
    urgent: bool = False


@dataclass(frozen=True, slots=True)
class Found:
    """The findings of one kind of look, and how many comparisons were made to come to them."""

    findings: tuple[Finding, ...] = ()
    looks: int = 0

    def beyond_chance(self) -> Found:
        """Only findings that chance does not explain, each with its corrected chance."""
        corrected = (
            f if f.chance is None else replace(f, chance=min(1.0, f.chance * max(self.looks, 1))) for f in self.findings
        )
        return Found(tuple(f for f in corrected if f.chance is None or f.chance < FALSE_ALARM), self.looks)


def as_oddities(findings: Sequence[Finding]) -> tuple[Oddity, ...]:
    """The findings as the summary tells them: what could change the comparison first, then by kind and place."""
    return tuple(
        Oddity(
            kind=f.kind,
            table=f.table,
            column=f.column,
            site=f.site,
            quarter=f.quarter,
            finding=f.finding,
            ask=f.ask,
            certainty=f.certainty,
            measure=f.measure,
            value=f.value,
            n=f.n,
            p_value=f.chance,
            urgent=f.urgent,
        )
        for f in sorted(findings, key=lambda f: not f.urgent)
    )


def percent(share: float) -> str:
    """A share (0-1) as a whole percentage; never 0% or 100% unless it is."""
    if 0 < share < 0.01:
        return "under 1%"
    if 0.99 < share < 1:
        return "over 99%"
    return f"{share * 100:.0f}%"
