"""E-values and Rosenbaum bounds against R and printed values; their meaning by construction."""

from __future__ import annotations

import numpy as np
import pytest
from oracle import assert_agrees, record

from models.bias_surface import ArmRisks, prevalences, surface_of_differences, surface_of_ratios
from models.e_values import (
    Risks,
    e_value,
    e_value_of_ratio,
    e_value_of_risk_difference,
    e_value_of_standardized_difference,
)
from models.matched_effects import PairTable
from models.negative_control import judge_negative_control
from models.rosenbaum import amplify, critical_gamma, rosenbaum_bounds, upper_p_value

# The estimates and limits that the record H50 was made from (its `rr_used` after conversion).
RATIOS = {
    "rr_3.9": (3.9, 1.8, 8.7, "risk_ratio"),
    "rr_0.80": (0.80, 0.71, 0.91, "risk_ratio"),
    "rr_10.73": (10.73, 8.02, 14.36, "risk_ratio"),
    "rr_protective_ci_crosses": (0.8, 0.6, 1.1, "risk_ratio"),
    "or_common_sqrt": (2.0, 1.4, 2.9, "odds_ratio_common"),
    "or_rare": (2.0, 1.4, 2.9, "odds_ratio_rare"),
    "hr_common": (0.56, 0.46, 0.69, "hazard_ratio_common"),
}


@pytest.mark.parametrize("case", RATIOS)
def test_e_values_of_ratios_agree_with_r(case: str) -> None:
    found = e_value_of_ratio(*RATIOS[case])
    expected = record("H50-evalue")["expected"][case]
    assert_agrees("H50-evalue", {"point": found.point, "ci": found.limit}, expected)
    used = {"est": found.risk_ratio, "lo": found.lower, "hi": found.upper}
    assert_agrees("H50-evalue", used, expected["rr_used"])


def test_e_values_agree_with_the_printed_ones() -> None:
    """VanderWeele & Ding 2017, and the printed output of the package EValue (digits in the record)."""
    published = record("H50-evalue")["expected"]["published"]
    for case in ("rr_3.9", "rr_0.80", "rr_10.73"):
        found = e_value_of_ratio(*RATIOS[case])
        assert (found.point, found.limit) == pytest.approx(
            (published[f"{case}_point"], published[f"{case}_ci"]), rel=1e-5
        )


@pytest.mark.parametrize(("case", "true"), [("rd_hammond_horn", 0.0), ("rd_hammond_horn_true_0.001", 0.001)])
@pytest.mark.parametrize("turned", [False, True])
def test_e_values_of_a_risk_difference_agree_with_r_whichever_approach_does_better(case, true, turned) -> None:
    risks = Risks.of_counts(397, 78557 + 397, 51, 108778 + 51)
    found = (
        e_value_of_risk_difference(risks.turned(), 0.95, -true)
        if turned
        else e_value_of_risk_difference(risks, 0.95, true)
    )
    got = {"bias_factor": found.risk_ratio, "point": found.point, "ci": found.limit}
    assert_agrees("H50-evalue", got, record("H50-evalue")["expected"][case])


def test_e_values_of_a_standardized_difference_agree_with_r() -> None:
    found = e_value_of_standardized_difference(0.5, 0.1)
    got = {"rr": found.risk_ratio, "point": found.point, "ci": found.limit}
    assert_agrees("H50-evalue", got, record("H50-evalue")["expected"]["smd_0.5_se_0.1"])


def test_a_trait_as_strong_as_the_e_value_can_just_explain_the_ratio_away() -> None:
    """Ding & VanderWeele 2016: the largest bias of a trait of strengths E and E is E^2 / (2E - 1)."""
    for ratio in (1.2, 2.0, 7.5):
        strength = e_value(ratio)
        assert strength**2 / (2 * strength - 1) == pytest.approx(ratio)


def test_a_difference_that_is_not_there_needs_nothing_to_explain_it() -> None:
    assert e_value_of_risk_difference(Risks.of_counts(20, 100, 20, 100), 0.95).limit == 1
    assert e_value_of_risk_difference(Risks.of_counts(30, 100, 20, 100), 0.95, true=0.2).point == 1
    assert e_value_of_risk_difference(Risks.of_counts(20, 100, 0, 100), 0.95) is None


def test_rosenbaum_bounds_of_smoking_and_lung_cancer_agree_with_r() -> None:
    expected = record("H51-rosenbaum-mcnemar")["expected"]
    exact = {f"gamma{g}": upper_p_value(122, 110, g) for g in range(1, 7)}
    assert_agrees("H51-rosenbaum-mcnemar", exact)
    normal = {f"gamma{g}": upper_p_value(122, 110, g, "normal") for g in range(1, 7)}
    assert_agrees("H51-rosenbaum-mcnemar", normal, expected["normal_cc"])
    for name, printed in expected["published"].items():
        assert normal[name] == pytest.approx(printed, abs=0.006)


def _table(b: int, c: int) -> PairTable:
    return PairTable(0, b, c, 0, None, None, None, None, 0, None)


def test_at_the_critical_gamma_the_bound_is_the_error_that_is_allowed() -> None:
    found = rosenbaum_bounds(_table(110, 12), 0.95)
    assert upper_p_value(122, 110, found.critical_gamma) == pytest.approx(0.025)
    assert 5 < found.critical_gamma < 6  # Rosenbaum 2002, table 4.1: the answer stands at 5 and not at 6
    assert found.favors == "retrograde"
    assert rosenbaum_bounds(_table(12, 110), 0.95).favors == "antegrade"
    assert rosenbaum_bounds(_table(12, 110), 0.95).critical_gamma == found.critical_gamma


def test_a_gamma_is_a_pair_of_strengths_with_approach_and_outcome() -> None:
    """Rosenbaum & Silber 2009: 1.5 is twice the odds of the approach with four times the odds of the outcome, 1.25 twice with twice."""
    assert amplify(1.5, 2.0) == pytest.approx(4.0)
    assert amplify(1.25, 2.0) == pytest.approx(2.0)
    assert amplify(2.0, 2.0) is None


def test_pairs_that_tell_nothing_have_no_gamma_but_a_reason() -> None:
    assert "differs" in rosenbaum_bounds(_table(0, 0), 0.95).reason
    weak = rosenbaum_bounds(_table(12, 10), 0.95)
    assert weak.critical_gamma is None
    assert "even without hidden bias" in weak.reason
    assert weak.bounds[0].upper_p == pytest.approx(0.4159, abs=1e-4)  # P(Binomial(22, 1/2) >= 12)


def test_the_rosenbaum_bound_holds_its_error_when_the_hidden_bias_is_as_stated() -> None:
    """In 4,000 studies of 80 discordant pairs with odds of exactly 2, the bound at 2 rejects in at most 2.5 % of them, McNemar's test in most."""
    rng = np.random.default_rng(4)
    counts = rng.binomial(80, 2 / 3, 4000)
    held = np.mean([critical_gamma(80, int(b), 0.025) >= 2 for b in counts])
    naive = np.mean([critical_gamma(80, int(b), 0.025) >= 1 for b in counts])
    assert held <= 0.025 + 3 * np.sqrt(0.025 * 0.975 / 4000)
    assert naive > 0.7


def _mixed(ratio: float, prevalence: tuple[float, float], baseline: tuple[float, float], target: float):
    """Risks by approach as seen, and the true difference, when a trait multiplies each baseline risk by `ratio`."""
    seen = [b * (1 + (ratio - 1) * p) for b, p in zip(baseline, prevalence, strict=True)]
    return seen, (baseline[0] - baseline[1]) * (1 + (ratio - 1) * target)


def test_the_correction_by_ratios_gives_back_the_difference_that_the_trait_spoiled() -> None:
    below, above = prevalences(0.3, 2.5, 0.4)
    assert 0.4 * below + 0.6 * above == pytest.approx(0.3)
    assert below / (1 - below) / (above / (1 - above)) == pytest.approx(2.5)
    for target_share in (0.5, 1.0, 0.4):
        target = target_share * below + (1 - target_share) * above
        seen, truth = _mixed(1.6, (below, above), (0.5, 0.42), target)
        risks = ArmRisks(seen[0], seen[1], 0.02, 0.015, 0.03)
        surface = surface_of_ratios(
            risks, (1.0, 2.5), (1.0, 1.6), prevalence=0.3, share=0.4, target_share=target_share, level=0.95
        )
        assert surface.cells[1][1].estimate == pytest.approx(truth)
        for cell in (surface.cells[0][0], surface.cells[0][1], surface.cells[1][0]):  # no bias without both
            assert cell.estimate == pytest.approx(seen[0] - seen[1])
            assert cell.upper - cell.lower == pytest.approx(2 * 1.959964 * 0.03)


def test_the_correction_by_differences_is_gap_times_effect() -> None:
    """A trait in 60 % against 40 % of lesions that takes 25 points off the risk hides 5 points."""
    seen_1, seen_0 = 0.7 - 0.25 * 0.6, 0.6 - 0.25 * 0.4
    surface = surface_of_differences(seen_1 - seen_0, -0.01, 0.11, (0.0, 0.2), (0.0, -0.25))
    assert surface.cells[1][1].estimate == pytest.approx(0.7 - 0.6)
    assert (surface.cells[1][1].lower, surface.cells[1][1].upper) == pytest.approx((0.04, 0.16))
    assert surface.cells[0][1].estimate == pytest.approx(seen_1 - seen_0)


def test_a_trait_that_cannot_exist_has_a_reason_and_no_number() -> None:
    assert "strong" in surface_of_differences(0.1, 0.0, 0.2, (1.5,), (0.1,)).cells[0][0].reason
    risks = ArmRisks(0.8, 0.7, 0.02, 0.02, 0.03)
    impossible = surface_of_ratios(risks, (2.0,), (3.0,), prevalence=0.1, share=0.5, target_share=0.5, level=0.95)
    assert impossible.cells[0][0].estimate is None
    assert "above 1" in impossible.cells[0][0].reason


@pytest.mark.parametrize(
    ("interval", "verdict"),
    [
        ((0.08, 0.02, 0.14), "bias found"),
        ((-0.08, -0.14, -0.02), "bias found"),
        ((0.01, -0.03, 0.04), "no sign of bias"),
        ((0.01, -0.06, 0.08), "too imprecise to tell"),
        ((-0.02, -0.07, 0.03), "too imprecise to tell"),
        ((0.02, -0.03, 0.07), "too imprecise to tell"),
        ((None, None, None), "not available"),
    ],
)
def test_a_control_says_bias_only_when_zero_is_left_out_and_none_only_when_precise(interval, verdict: str) -> None:
    found = judge_negative_control("an earlier amputation", "outcome", *interval, margin=0.05)
    assert found.verdict == verdict
    assert found.sentence.startswith("An earlier amputation")
    assert found.sentence.endswith(".")
