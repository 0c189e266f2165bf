"""The methods report of a run: whether it says what the run found, and says why where there is nothing to say."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path
from typing import get_args

import numpy as np
import polars as pl
import pytest

from models.adjustment_results import SimulationLine
from models.departure_results import Departure
from models.methods_results import MethodsReport
from models.weights import effective_n
from pipeline import Plan, analyze
from pipeline.estimate import Estimates, estimate
from pipeline.method_labels import METHOD_LABELS, method_label
from pipeline.methods_adjustment import primary_weights
from pipeline.methods_report import methods_report, simulated
from pipeline.plan_parts import Bootstrap, Gates, Imputation, Method, SelfCheck
from reports.methods import methods_page
from synthetic_data.scenario import DEMO
from synthetic_data.service import invent

# Small and quick: few draws, no self-check, three methods.
PLAN = Plan(
    methods=("weighting", "complete_case"),
    populations=("overlap",),
    imputation=Imputation(datasets=2, sweeps=2),
    bootstrap=Bootstrap(replicates=400),
    self_check=SelfCheck(replicates=0),
)


def reported(plan: Plan, lesions: int = 700, seed: int = 4, **scenario: float) -> tuple[MethodsReport, Estimates]:
    results = analyze(invent(lesions, seed, replace(DEMO, **scenario)).tables, plan, key=b"k" * 32)
    found = estimate(results.lesions, plan)
    return methods_report(results.edition, found, departures=(), reports_seen=0), found


@pytest.fixture(scope="module")
def whole() -> tuple[MethodsReport, Estimates]:
    return reported(PLAN)


def test_counts_of_table_one_are_those_of_the_lesions_compared(whole) -> None:
    report, found = whole
    lesions = found.study.lesions
    row = next(t for t in report.table_one if t.name == "calcium=severe")
    for approach in ("retrograde", "antegrade"):
        own = lesions.filter(pl.col("first_approach") == approach)["calcium"]
        assert getattr(row, f"count_{approach}") == (own == "severe").sum()
        assert getattr(row, f"recorded_{approach}") == own.len() - own.null_count()
        assert getattr(row, approach) == pytest.approx((own == "severe").mean())
    length = next(t for t in report.table_one if t.name == "length_mm")
    below = lesions.filter(pl.col("first_approach") == "retrograde")["length_mm"]
    assert length.retrograde == pytest.approx(below.mean())
    assert length.retrograde_sd == pytest.approx(below.std())
    assert (length.unit, length.level) == ("mm", "")


def test_weighted_columns_of_table_one_are_means_under_the_primary_weights(whole) -> None:
    report, found = whole
    weight = primary_weights(found.study)
    ages = found.study.lesions["age_years"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    row = next(t for t in report.table_one if t.name == "age_years")
    for approach, arm in (("retrograde", 1), ("antegrade", 0)):
        here = (found.study.treated == arm) & ~np.isnan(ages)
        mean = np.average(ages[here], weights=weight[here])
        assert getattr(row, f"weighted_{approach}") == pytest.approx(mean)
        spread = np.sqrt(np.average((ages[here] - mean) ** 2, weights=weight[here]))
        assert getattr(row, f"weighted_{approach}_sd") == pytest.approx(spread)
    assert abs(row.smd_after) < abs(row.smd_before)


def test_no_operator_is_a_line_of_table_one(whole) -> None:
    assert not [t for t in whole[0].table_one if t.name.startswith(("operator_id", "site_id"))]


def test_every_comparison_of_the_whole_service_is_a_line_and_one_for_each_endpoint_is_primary(whole) -> None:
    report, found = whole
    told = [(m.comparison.endpoint, m.comparison.method, m.comparison.population) for m in report.estimates]
    assert told == [(c.endpoint, c.method, c.population) for c in found.comparisons if c.profile == "all"]
    leads = [(m.comparison.endpoint, m.comparison.method) for m in report.estimates if m.primary]
    assert leads == [(name, "doubly_robust") for name in PLAN.endpoints]
    assert all(len(m.comparison.effects) == 3 for m in report.estimates)


@pytest.mark.parametrize("method", [*get_args(Method), "matching_with_replacement"])
def test_every_method_that_a_plan_can_ask_for_says_what_it_takes_for_granted(method: str) -> None:
    entry = METHOD_LABELS[method]
    assert entry.label and entry.assumes.endswith(".")


def test_a_method_without_an_entry_is_still_printed() -> None:
    assert method_label("a_new_method", "overlap").label == "A new method"


def test_weights_of_the_primary_analysis_have_the_effective_size_of_its_diagnostics(whole) -> None:
    report, found = whole
    first = report.weights[0]
    weight = primary_weights(found.study)
    assert "primary" in first.method
    assert first.effective_n == pytest.approx(effective_n(weight[found.study.treated == 1]))
    assert first.effective_n == pytest.approx(found.diagnostics.effective_n_retrograde)


def test_balance_is_that_of_the_diagnostics_with_distances_for_numbers(whole) -> None:
    report, found = whole
    assert [b.term for b in report.balance] == list(found.diagnostics.balance)
    length = next(b for b in report.balance if b.term.name == "length_mm")
    assert 0 < length.ks_after < length.ks_before < 1
    assert next(b for b in report.balance if b.term.name == "calcium=severe").ks_before is None


def test_the_score_is_judged_on_patients_that_it_was_not_fitted_on(whole) -> None:
    score = whole[0].score
    # On the lesions that it was fitted on, a score by maximum likelihood has a slope of exactly 1 (Cox 1958).
    assert score.cross_fitted
    assert 0 < score.slope < 1
    assert score.c_statistic < whole[1].diagnostics.c_statistic
    assert sum(g.n for g in score.groups) == 700


def test_the_bootstrap_agrees_with_the_formulas_for_the_interval_it_stands_beside(whole) -> None:
    report, _ = whole
    for method in ("doubly_robust", "weighting"):
        for name in PLAN.endpoints:
            b = next(
                b for b in report.bootstrap if (b.endpoint, b.method, b.measure) == (name, method, "risk_difference")
            )
            line = next(
                m.comparison
                for m in report.estimates
                if (m.comparison.endpoint, m.comparison.method, m.comparison.population) == (name, method, "overlap")
            )
            effect = line.effect("risk_difference")
            # 400 draws tell a limit to about a tenth of the width, and only the first of two completed data sets is drawn from.
            tolerance = 0.2 * (effect.upper - effect.lower)
            assert b.lower == pytest.approx(effect.lower, abs=tolerance)
            assert b.upper == pytest.approx(effect.upper, abs=tolerance)
            assert b.replicates == 400


def test_patients_and_operators_told_are_those_compared(whole) -> None:
    report, found = whole
    assert report.run.patients == found.study.lesions["patient_id"].n_unique()
    assert report.run.operators == found.study.lesions["operator_id"].drop_nulls().n_unique()


def test_a_plan_without_bootstrap_or_with_one_method_says_so_and_still_has_a_page() -> None:
    plan = PLAN.model_copy(update={"bootstrap": Bootstrap(replicates=0), "methods": ("crude",)})
    report, _ = reported(plan, 400, missing=0.0)
    assert report.bootstrap == ()
    assert report.why_absent("bootstrap") == "The plan asks for no bootstrap."
    assert "The plan asks for no bootstrap." in methods_page(report)


def test_with_too_few_lesions_by_one_approach_the_page_says_why_there_is_no_answer() -> None:
    report, found = reported(PLAN.model_copy(update={"gates": Gates(fewest_in_arm=350)}), 400, 2)
    assert found.study.model is None
    assert (report.score, report.balance, report.weights, report.bootstrap) == (None, (), (), ())
    for part in ("score", "balance", "weights", "gates", "bootstrap"):
        assert "fewer than 350 lesions were started by one of the approaches" in report.why_absent(part)
    page = methods_page(report)
    assert "fewer than 350 lesions were started by one of the approaches" in page
    assert report.table_one  # who was compared can still be told, without weights
    assert all(t.smd_after is None for t in report.table_one)


def test_one_lesion_makes_a_page() -> None:
    report, _ = reported(PLAN, 1)
    assert "Table 1" in methods_page(report)


def test_changes_of_the_plan_after_results_were_seen_are_listed() -> None:
    results = analyze(invent(120, 3).tables, PLAN, key=b"k" * 32)
    changed = Departure(
        "margin_points", "The smallest difference that matters.", "5", "8", 2, "2026-01-05", 1, "choice"
    )
    report = methods_report(results.edition, estimate(results.lesions, PLAN), departures=(changed,), reports_seen=1)
    assert report.run.reports_seen == 1
    assert "Changed after results had been seen: margin_points." in methods_page(report)


def test_simulations_are_read_as_they_were_kept_and_their_absence_is_told(tmp_path: Path) -> None:
    line = SimulationLine(
        "plain", 1500, 200, "first_approach_crossed", "doubly_robust", "primary", 0.001, 0.002, 0.03, 0.031, 0.95, 0.91, 0.97, 0.12, 1
    )  # fmt: skip
    path = tmp_path / "figures.json"
    assert simulated(path)[0] is None
    assert simulated(path)[1][0].part == "simulation"
    kept = {"date": "2026-11-25", "commit": "0123456789abcdef", "command": "make validate", "lines": [asdict(line)]}
    path.write_text(json.dumps(kept), encoding="utf-8")
    found, absent = simulated(path)
    assert absent == ()
    assert found.lines == (replace(line, method="Augmented weighting"),)
    assert found.made == "Made on 2026-11-25 at commit 0123456789ab by make validate."
