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
    yearly rise of the log odds of each complication.
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
    lesions_per_operator: int = 500  # above this mean, operators (and sites) are added: a registry, not a service


DEMO = Scenario("demo")
EFFECT = Scenario("effect")
NULL = Scenario("null", effect=0.0)

# DEMO is what a reader sees first; EFFECT and NULL are what validation simulates.
SCENARIOS: tuple[Scenario, ...] = (DEMO, EFFECT, NULL)
