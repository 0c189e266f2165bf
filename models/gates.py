"""Diagnostics held against their thresholds: what withholds an estimate and what puts a caution beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from models.results import BalanceTerm, Gate, GateVerdict

# Chance that the largest of the terms looked at passes its chance limit although the score is right: for a caution,
# and for withholding, where a false alarm costs an answer.
FALSE_CAUTION = 0.05
FALSE_WITHHOLDING = 0.01

STUART = "Stuart 2010, Stat Sci 25:1-21, after Rubin 2001"
AUSTIN = "Austin 2009, Stat Med 28:3083-3107"
LEAST_KEY_TRAITS = 0.75  # share of the key traits that must be recorded; our choice, common practice, no source
UNFITTED = "squares, combinations and traits that were not fitted are alike after weighting"
PRACTICE = "common practice, no source; set in the plan"


@dataclass(frozen=True, slots=True)
class Thresholds:
    """The plan's limits: standardized differences in SD, sizes in lesions."""

    caution_imbalance: float
    largest_imbalance: float
    fewest_in_arm: int
    fewest_effective_in_arm: float


def arm_size_gate(n_retrograde: int, n_antegrade: int, limits: Thresholds) -> Gate:
    """Lesions by the less common approach."""
    fewest = min(n_retrograde, n_antegrade)
    verdict: GateVerdict = "pass" if fewest >= limits.fewest_in_arm else "withhold"
    return Gate(
        "arm_size",
        f"at least {limits.fewest_in_arm} lesions were started by each approach",
        float(fewest),
        float(limits.fewest_in_arm),
        verdict,
        PRACTICE,
    )


def effective_size_gate(effective_retrograde: float, effective_antegrade: float, limits: Thresholds) -> Gate:
    """Kish's effective size of the smaller arm after weighting."""
    fewest = min(effective_retrograde, effective_antegrade)
    return Gate(
        "effective_size",
        f"after weighting each approach still counts for at least {limits.fewest_effective_in_arm:g} lesions",
        fewest,
        limits.fewest_effective_in_arm,
        "pass" if fewest >= limits.fewest_effective_in_arm else "withhold",
        "Kish 1965; limit " + PRACTICE,
    )


def chance_imbalance(effective_retrograde: float, effective_antegrade: float, terms: int, probability: float) -> float:
    """Standardized difference that the largest of `terms` differences passes with `probability` in a randomized comparison.

    A standardized difference has standard error sqrt(1/n1 + 1/n0) when the arms are alike (Hedges & Olkin 1985); Bonferroni over the
    terms. Weighting that balances the fitted terms exactly leaves less than this, so the limit is on the lenient side.
    """
    if min(effective_retrograde, effective_antegrade) <= 0 or terms < 1:
        return float("inf")
    spread = np.sqrt(1 / effective_retrograde + 1 / effective_antegrade)
    return float(ndtri(1 - probability / (2 * terms)) * spread)


def imbalance_gate(
    differences: Sequence[float],
    effective_retrograde: float,
    effective_antegrade: float,
    limits: Thresholds,
    sentence: str = UNFITTED,
    caution_ceiling: float = float("inf"),
) -> Gate:
    """The largest of the standardized `differences` left after weighting.

    For the whole service these are squares, interactions and traits left out: overlap weights balance the fitted terms exactly whatever
    the score's form, so those say nothing. Within a profile the fitted terms themselves are looked at. A caution needs
    a difference above the caution limit and above what chance would give in a randomized comparison of the same
    effective size; withholding needs the larger limit and chance's. Above `caution_ceiling` chance is no excuse: a difference that few
    lesions cannot tell from chance is not withheld for it, but is not passed over either.
    """
    worst = max((abs(d) for d in differences), default=0.0)
    terms = max(len(differences), 1)
    sizes = (effective_retrograde, effective_antegrade)
    caution = min(max(limits.caution_imbalance, chance_imbalance(*sizes, terms, FALSE_CAUTION)), caution_ceiling)
    withhold = max(limits.largest_imbalance, chance_imbalance(*sizes, terms, FALSE_WITHHOLDING))
    verdict: GateVerdict = "withhold" if worst > withhold else "caution" if worst > caution else "pass"
    return Gate(
        "imbalance",
        f"{sentence} (the largest of {len(differences)} differences, in standard deviations; a caution above {caution:.2f}, "
        f"withheld above {withhold:.2f}, which is never less than chance alone would give)",
        worst,
        caution,
        verdict,
        f"{AUSTIN}; {STUART}",
    )


def recording_gate(
    differences: Sequence[float], effective_retrograde: float, effective_antegrade: float, limits: Thresholds
) -> tuple[Gate, ...]:
    """The largest difference in how often a trait that was drawn is recorded at all; none where no trait was drawn.

    Draws that know the approach and the outcome take such a difference out, if what is recorded tells why the rest is not
    (Little & Rubin 2019, chapter 1): it asks for a caution, and for the tipping table, but withholds nothing.
    """
    if not differences:
        return ()
    worst = max(abs(d) for d in differences)
    chance = chance_imbalance(effective_retrograde, effective_antegrade, len(differences), FALSE_CAUTION)
    caution = max(limits.caution_imbalance, chance)
    return (
        Gate(
            "recording",
            f"traits are recorded as often after either start (the largest of {len(differences)} differences, in standard deviations; "
            f"a caution above {caution:.2f})",
            worst,
            caution,
            "caution" if worst > caution else "pass",
            AUSTIN,
        ),
    )


def fitted_gate(balance: Sequence[BalanceTerm], limits: Thresholds) -> Gate:
    """The largest difference left among fitted terms: a check of the arithmetic for overlap weights, of the weights for others."""
    worst = max((abs(term.smd_after) for term in balance if term.kind == "fitted"), default=0.0)
    verdict: GateVerdict = (
        "withhold" if worst > limits.largest_imbalance else "caution" if worst > limits.caution_imbalance else "pass"
    )
    return Gate(
        "fitted_imbalance",
        "traits that were fitted are alike after weighting (largest difference, in standard deviations)",
        worst,
        limits.caution_imbalance,
        verdict,
        AUSTIN,
    )


def model_gate(left_out: float, *, simplified: bool) -> Gate:
    """Whether the score holds the whole adjustment set as planned; `left_out` is the share (0-1) of its traits that are not in it."""
    return Gate(
        "score_model",
        "the score model is the whole one planned: every trait, curves and combinations (share of traits left out, for want of lesions "
        "or because they are never recorded)",
        left_out,
        0.0,
        "caution" if simplified or left_out > 0 else "pass",
        "Vittinghoff & McCulloch 2007, Am J Epidemiol 165:710-718",
    )


def key_traits_gate(recorded: float) -> Gate:
    """`recorded`: share (0-1) of the traits that decide most, recorded in at least half of the lesions."""
    verdict: GateVerdict = "pass" if recorded >= 1 else "caution" if recorded >= LEAST_KEY_TRAITS else "withhold"
    return Gate(
        "key_traits",
        "length, calcium and both caps are recorded in at least half of the lesions (share of the four; withheld below three quarters)",
        recorded,
        1.0 if verdict != "withhold" else LEAST_KEY_TRAITS,
        verdict,
        "choice of traits after Saab 2018 and Bernardini 2022; limit " + PRACTICE.split(";")[0],
    )


def separation_gate(c: float) -> Gate:
    """How well the score tells the approaches apart: too well means that hardly any lesion could have gone either way."""
    limit = 0.9  # common practice, no source
    return Gate(
        "score_separation",
        "the score does not tell the approaches apart so well that few lesions could have gone either way (c-statistic)",
        c,
        limit,
        "pass" if c <= limit else "caution",
        "common practice, no source",
    )


def withheld_because(gates: Sequence[Gate]) -> str | None:
    """Why there is no estimate, in a few words, or None. Never names a count below a limit."""
    failed = [_FAILURES[gate.name].format(gate.threshold) for gate in gates if gate.verdict == "withhold"]
    return "; ".join(failed) or None


_FAILURES = {
    "arm_size": "fewer than {:g} lesions were started by one of the approaches",
    "effective_size": "after weighting one of the approaches counts for fewer than {:g} lesions",
    "key_traits": "of length, calcium and both caps fewer than three are recorded in at least half of the lesions",
    "fitted_imbalance": "the groups stay unlike after weighting",
    "imbalance": "the groups stay unlike after weighting",
}
