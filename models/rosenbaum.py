"""Rosenbaum bounds: how far matched lesions may differ in their odds of a retrograde start before the answer no longer stands.

Gamma is the most by which, within a pair, the odds of being the one started from below may differ for a reason not measured. Given a
discordant pair the chance that the retrograde lesion is the one with the outcome then lies between 1/(1+Gamma) and Gamma/(1+Gamma), which bounds
McNemar's p-value (Rosenbaum 2002, Observational Studies, 2nd ed., section 4.3.2).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import bdtrc, betaincinv, ndtr

from models.matched_effects import PairTable
from models.results import Approach

GAMMAS = (1.0, 1.25, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0)


@dataclass(frozen=True, slots=True)
class GammaBound:
    """Bounds of the one-sided p-value when the odds within a pair differ by a factor `gamma` at most."""

    gamma: float
    lower_p: float
    upper_p: float


@dataclass(frozen=True, slots=True)
class Amplified:
    """A hidden trait as strong as a Gamma: it multiplies the odds of the approach by `approach` and of the outcome by `outcome`."""

    approach: float
    outcome: float


@dataclass(frozen=True, slots=True)
class RosenbaumBounds:
    """Sensitivity of the matched comparison.

    `favors` is the approach with more of the outcome in discordant pairs. `critical_gamma` is the largest Gamma at which the upper bound
    of the one-sided p-value is still at most (1 - level) / 2; None with `reason` when there is none. `amplified` says what it
    means in strengths of a trait.
    """

    discordant: int
    with_outcome: int
    favors: Approach
    bounds: tuple[GammaBound, ...]
    critical_gamma: float | None
    amplified: tuple[Amplified, ...]
    reason: str | None


def upper_p_value(
    discordant: int, with_outcome: int, gamma: float, method: Literal["exact", "normal"] = "exact"
) -> float:
    """P(Binomial(discordant, gamma/(1+gamma)) >= with_outcome), the largest one-sided p-value at Gamma; `gamma` >= 1.

    "normal" is the approximation with continuity correction that printed tables use.
    """
    share = gamma / (1 + gamma)
    if method == "normal":
        spread = np.sqrt(discordant * share * (1 - share))
        return float(ndtr(-(with_outcome - 0.5 - discordant * share) / spread))
    return float(bdtrc(with_outcome - 1, discordant, share)) if with_outcome > 0 else 1.0


def critical_gamma(discordant: int, with_outcome: int, alpha: float) -> float:
    """The Gamma at which the upper bound of the one-sided p-value is `alpha`: the Clopper-Pearson lower limit of the share, as odds.

    Below 1 when the p-value without any hidden bias is already above `alpha`. `with_outcome` at least 1.
    """
    share = float(betaincinv(with_outcome, discordant - with_outcome + 1, alpha))
    return share / (1 - share)


def amplify(gamma: float, approach: float) -> float | None:
    """How strong with the outcome a trait is that is `approach` strong with the approach and worth `gamma`, both as odds ratios.

    Gamma = (L D + 1) / (L + D) (Rosenbaum & Silber 2009, J Am Stat Assoc 104:1398-1405, proposition 1). None when `approach` is at most `gamma`:
    then no strength with the outcome is enough.
    """
    return (gamma * approach - 1) / (approach - gamma) if approach > gamma else None


def rosenbaum_bounds(table: PairTable, level: float, gammas: tuple[float, ...] = GAMMAS) -> RosenbaumBounds:
    """Bounds of the matched comparison in `table`, whose pairs share no patient."""
    discordant = table.only_retrograde + table.only_antegrade
    below = table.only_retrograde >= table.only_antegrade
    most = max(table.only_retrograde, table.only_antegrade)
    favors: Approach = "retrograde" if below else "antegrade"
    if discordant == 0:
        return RosenbaumBounds(0, 0, favors, (), None, (), "no pair differs in the outcome")
    bounds = tuple(
        GammaBound(g, upper_p_value(discordant, most, 1 / g), upper_p_value(discordant, most, g)) for g in gammas
    )
    critical = critical_gamma(discordant, most, (1 - level) / 2)
    if critical < 1:
        reason = "the matched comparison tells no difference even without hidden bias"
        return RosenbaumBounds(discordant, most, favors, bounds, None, (), reason)
    strengths = ((critical * times, amplify(critical, critical * times)) for times in (1.25, 1.5, 2.0, 3.0))
    amplified = tuple(Amplified(approach, outcome) for approach, outcome in strengths if outcome is not None)
    return RosenbaumBounds(discordant, most, favors, bounds, critical, amplified, None)
