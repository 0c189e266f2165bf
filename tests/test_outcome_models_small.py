"""Whatever a small or degenerate service holds, each outcome model gives finite numbers or a sentence."""

from __future__ import annotations

import numpy as np
import pytest

from models.conditional import conditional_odds_ratio
from models.firth import firth_adjusted_odds_ratio
from models.g_estimation import constant_difference
from models.marginal_gee import marginal_odds_ratio
from models.operator_intercept import operator_intercept
from models.propensity import Design, Term, fit_score
from models.standardization import standardized_risks


def _service(seed: int):
    """From 1 to 120 lesions; characteristics may be constant, doubled or tell the approach; arms and outcomes may be empty."""
    generator = np.random.default_rng(seed)
    n = int(generator.integers(1, 121))
    treated = (generator.random(n) < generator.choice([0.0, 0.1, 0.5, 0.5, 1.0])).astype(float)
    outcome = (generator.random(n) < generator.choice([0.0, 0.1, 0.5, 0.5, 0.9, 1.0])).astype(float)
    z = generator.normal(size=n)
    second = [np.zeros(n), z * 2, treated.copy(), outcome.copy(), generator.normal(size=n)][int(generator.integers(5))]
    patient = generator.integers(0, max(1, n // 2), n)
    operator = generator.integers(0, int(generator.integers(1, 6)), n)
    return np.vstack([np.ones(n), z, second]), treated, outcome, patient, operator


def _told(estimate, reason: str | None) -> None:
    """Either a finite estimate with a finite, positive variance, or a reason."""
    if reason is not None:
        assert estimate is None
        assert reason
        return
    assert np.isfinite(estimate.value)
    assert np.isfinite(estimate.variance)
    assert estimate.variance > 0


@pytest.mark.parametrize("block", range(6))
def test_small_services_get_finite_numbers_or_a_sentence(block: int) -> None:
    answered = dict.fromkeys(("conditional", "crossed", "gee", "intercept", "firth", "standardized", "g"), 0)
    for seed in range(block * 60, block * 60 + 60):
        design, treated, outcome, patient, operator = _service(seed)
        given = (design, treated, outcome)
        found = {
            "conditional": conditional_odds_ratio(*given, patient),
            "crossed": conditional_odds_ratio(*given, patient, operator),
            "gee": marginal_odds_ratio(*given, patient),
            "intercept": operator_intercept(*given, operator, 0.95, 3),
            "firth": firth_adjusted_odds_ratio(*given, 0.95, patient),
        }
        for name, answer in found.items():
            _told(answer.estimate, answer.withheld_because)
            answered[name] += answer.estimate is not None
        if found["firth"].estimate is not None:
            effect = found["firth"].effect
            assert 0 < effect.lower < effect.estimate < effect.upper < np.inf
        score = fit_score(Design(tuple(Term(k, k, k) for k in "abc"), design, ()), treated)
        for population in ("all", "treated", "overlap"):
            risks = standardized_risks(*given, patient, population, 0.95, score=score)
            assert (risks.withheld_because is None) == (len(risks.estimates) == 3)
            for estimate in risks.estimates:
                assert np.isfinite([estimate.value, estimate.variance]).all()
            answered["standardized"] += risks.withheld_because is None
        difference = constant_difference(*given, patient, 0.95)
        assert (difference.estimate is None) == (difference.withheld_because is not None)
        if difference.estimate is not None:
            assert np.isfinite([difference.estimate, difference.lower, difference.upper]).all()
            answered["g"] += 1
    assert min(answered.values()) > 0, answered  # the test has seen both kinds of answer
