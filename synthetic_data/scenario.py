"""The scenarios: what an invented service is like, in a few parameters. Every default is a choice of ours, common practice, no source."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Scenario:
    """Parameters of an invented service.

    `effect` scales how far crossing from below differs from crossing from above, lesion by lesion: 1 is the designed effect and
    0 gives both approaches, at every attempt, the same chance (so first approach and whole session are both null).
    `confounding` scales how far the choice follows the lesion. `frailty_sd` is the patient's own intercept in crossing, in logits;
    it never enters the choice. `missing` scales the designed shares of missing values (0: complete). `harm_trend_per_year` is the
    yearly rise of the log odds of each complication. `bends` scales curves and combinations that no straight model holds, in the choice
    and in crossing (1: strong). `hidden` scales a trait of the lesion that is in no table and pulls the choice and crossing apart (1: as
    hard as severe calcium). `choice_shift` is added to every lesion's logit of starting from below. `missing_at_random` is the mean
    share of the lesion's key traits that are not recorded, more often after a start from below, where the wire did not cross, and
    below the knee. `lesions_a_session` are the chances of one, two and three lesions.
    """

    name: str
    effect: float = 1.0
    confounding: float = 1.0
    frailty_sd: float = 0.5
    missing: float = 1.0
    harm_trend_per_year: float = 0.15
    years: int = 3
    last_year: int = 2025
    sites: int = 2
    operators: int = 9
    bends: float = 0.0
    hidden: float = 0.0
    choice_shift: float = 0.0
    missing_at_random: float = 0.0
    lesions_a_session: tuple[float, float, float] = (0.85, 0.13, 0.02)
    lesions_per_operator: int = 500  # above this mean, operators (and sites) are added: a registry, not a service


DEMO = Scenario("demo")
EFFECT = Scenario("effect")
NULL = Scenario("null", effect=0.0)

NONLINEAR = Scenario("nonlinear", bends=0.8, missing=0.0)  # nothing missing: what is tested is the shape
RARE = Scenario("rare", choice_shift=-1.4)
GAPS = Scenario("gaps", missing_at_random=0.25)
CLUSTERED = Scenario("clustered", frailty_sd=1.2, lesions_a_session=(0.4, 0.4, 0.2))
HIDDEN = Scenario("hidden", hidden=1.0)

# DEMO is what a reader sees first; the others are what validation simulates.
SCENARIOS: tuple[Scenario, ...] = (DEMO, EFFECT, NULL, NONLINEAR, RARE, GAPS, CLUSTERED, HIDDEN)
