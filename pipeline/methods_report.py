"""The methods report of a run: everything that report/methods.html says, put together without a patient row."""

from __future__ import annotations

import json
import platform
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from importlib.metadata import version
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from models.adjustment_results import Estimand, Simulation, SimulationLine, TrialElement
from models.departure_results import Departure
from models.methods_results import Absent, MethodsReport, RunFacts, Seed, Version
from models.results import Edition, Population
from models.sensitivity_results import AbsentPart
from pipeline import methods_adjustment
from pipeline.causal_paths import causal_diagram
from pipeline.estimate import Estimates
from pipeline.method_labels import METHOD_LABELS, POPULATION_WORDS, method_label
from pipeline.methods_sensitivity import EarlierLook, sensitivity
from pipeline.plan import Plan
from pipeline.plan_parts import LooksMethod

# Written by `make validate`: what the simulations with a known truth found.
VALIDATION = Path(__file__).with_name("validation_figures.json")
# Libraries whose release could change a number on the page.
LIBRARIES = ("numpy", "scipy", "polars", "statsmodels", "scikit-learn")
_LOOKS: dict[LooksMethod, str] = {
    "open_ended": "spending that has no end",
    "confidence_sequence": "an asymptotic confidence sequence",
    "obrien_fleming": "O'Brien and Fleming's spending over the planned looks",
    "pocock": "Pocock's spending over the planned looks",
}
PURPOSES = ("imputation", "folds", "score folds", "bootstrap", "self_check")

_ABOUT: dict[Population, str] = {
    "observed": "the lesions as they came",
    "overlap": "lesions for which either start was realistic",
    "all": "all lesions compared",
    "treated": "lesions that were started from below",
}
_WHY_PRIMARY = (
    "It was chosen by simulations with a known truth, not by any answer of this service: of the methods tried it keeps to the truth, and its interval to its "
    "level, where score and outcome bend and traits act in pairs."
)


def methods_report(
    edition: Edition,
    found: Estimates,
    *,
    departures: tuple[Departure, ...],
    reports_seen: int,
    earlier: Sequence[EarlierLook] = (),
) -> MethodsReport:
    """The report of the run whose comparisons are `found` and whose Edition is `edition`.

    `departures` from the plans of the `reports_seen` before this one; `earlier` are the looks before it, for intervals that hold over all.
    """
    study, plan = found.study, found.study.plan
    doubts = sensitivity(found, earlier)
    terms = methods_adjustment.balance(study)
    intervals, no_bootstrap = methods_adjustment.bootstrap(found)
    simulation, no_simulation = simulated(VALIDATION)
    why = study.withheld_because or "there is no score"
    rows = methods_adjustment.table_one(study)
    no_score = [] if study.model is not None else [Absent(part, f"Not worked out: {why}.") for part in _OF_THE_SCORE]
    no_rows = [] if rows else [Absent("table_one", f"Not worked out: {why}.")]
    return MethodsReport(
        run=_facts(edition, found, reports_seen),
        question=_question(edition, plan),
        trial=_trial(plan, edition),
        estimands=tuple(
            Estimand(name, POPULATION_WORDS[plan.primary_population], "risk_difference", plan.margin(name))
            for name in plan.endpoints
        ),
        flow=edition.flow,
        diagram=causal_diagram(plan),
        forms=methods_adjustment.covariate_forms(study),
        refused=methods_adjustment.refused_columns(),
        table_one=rows,
        balance=terms,
        score=methods_adjustment.score(found),
        weights=methods_adjustment.weights(study),
        gates=methods_adjustment.gates(found, terms),
        estimates=methods_adjustment.method_estimates(found),
        bootstrap=intervals,
        simulation=simulation,
        missing=doubts.missing,
        hidden=doubts.hidden,
        influence=doubts.influence,
        looks=doubts.looks,
        self_checks=doubts.self_checks,
        departures=departures,
        absent=(*no_score, *no_rows, *no_bootstrap, *no_simulation, *doubts.absent),
    )


_OF_THE_SCORE: tuple[AbsentPart, ...] = ("balance", "score", "weights", "gates")


def simulated(path: Path) -> tuple[Simulation | None, tuple[Absent, ...]]:
    """What the simulations kept at `path` found; None, and why, when none have been made in this installation.

    JSON with `date`, `commit`, `command` and `lines`, each with the fields of SimulationLine.
    """
    if not path.is_file():
        reason = "The simulations with a known truth are not kept in this installation: the command make validate makes them."
        return None, (Absent("simulation", reason),)
    kept: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    lines = TypeAdapter(tuple[SimulationLine, ...]).validate_python(kept["lines"])
    named = tuple(
        replace(one, method=METHOD_LABELS[one.method].label if one.method in METHOD_LABELS else one.method)
        for one in lines
    )
    made = f"Made on {kept['date']} at commit {kept['commit'][:12]} by {kept['command']}."
    return Simulation(named, made, _WHY_PRIMARY), ()


def _facts(edition: Edition, found: Estimates, reports_seen: int) -> RunFacts:
    study, plan = found.study, found.study.plan
    operators = study.operator[study.operator >= 0]
    return RunFacts(
        service=edition.service,
        invented=edition.invented,
        period_start=edition.period_start,
        period_end=edition.period_end,
        first_quarter=edition.quarters[0].quarter if edition.quarters else "",
        latest_quarter=edition.latest_quarter,
        primary_endpoint=edition.primary_endpoint,
        endpoint_labels=edition.endpoint_labels,
        primary_label=_lower(method_label(plan.primary_method, plan.primary_population).label),
        level=edition.level,
        smallest_count_shown=edition.smallest_count_shown,
        plan_hash=edition.plan_hash,
        data_hash=edition.data_hash,
        version=edition.version,
        seeds=(Seed("of the plan", plan.seed), *(Seed(_words(name), plan.seed_for(name)) for name in PURPOSES)),
        versions=(Version("Python", platform.python_version()), *(Version(name, version(name)) for name in LIBRARIES)),
        settings=_settings(plan, edition, found),
        eligibility=_eligibility(edition, plan),
        patients=int(study.patient.max()) + 1 if study.patient.size else 0,
        operators=len(set(operators.tolist())),
        reports_seen=reports_seen,
    )


def _lower(label: str) -> str:
    return f"{label[0].lower()}{label[1:]}"


def _words(name: str) -> str:
    return name.replace("_", " ")


def _eligibility(edition: Edition, plan: Plan) -> str:
    chosen = plan.eligibility
    first = _day(chosen.first_date) if chosen.first_date else _month(edition.period_start)
    last = _day(chosen.last_date) if chosen.last_date else _month(edition.period_end)
    period = f", in procedures from {first} to {last}" if first and last else ""
    where = f", in these segments: {', '.join(map(_words, chosen.segments))}" if chosen.segments else ""
    return f"lesions with a first attempt of known approach and result{where}{period}"


def _day(day: date) -> str:
    return f"{day:%B} {day.day}, {day.year}"


def _month(month: str) -> str:
    return f"{date.fromisoformat(f'{month}-01'):%B %Y}" if month else ""


def _question(edition: Edition, plan: Plan) -> str:
    label = dict(edition.endpoint_labels)[plan.primary_endpoint]
    return (
        f"Among {_ABOUT[plan.primary_population]}, how many more or fewer would have been {label} had all of them been started from below "
        "(retrograde) rather than from above (antegrade)?"
    )


def _trial(plan: Plan, edition: Edition) -> tuple[TrialElement, ...]:
    labels = [label for _, label in edition.endpoint_labels]
    outcomes = "; ".join(labels)
    analysis = method_label(plan.primary_method, plan.primary_population).label
    return (
        TrialElement(
            "Eligibility",
            "Patients with chronic limb-threatening ischemia and an occluded artery of the leg that is to be crossed.",
            f"{_upper(_eligibility(edition, plan))}; the flow diagram counts those left out.",
        ),
        TrialElement(
            "Strategies",
            "Start from below (retrograde), or from above (antegrade); bailout by the other approach is allowed in either.",
            "The approach of the first attempt as recorded, whatever was done later.",
        ),
        TrialElement(
            "Assignment",
            "At random; the operator knows.",
            "Taken as random among lesions alike in the traits adjusted for: those of lesion, patient, operator and calendar.",
        ),
        TrialElement(
            "Time zero",
            "The first puncture.",
            "The same: traits are those known before it, outcomes come after it.",
        ),
        TrialElement("Outcome", f"{_upper(outcomes)}.", "As recorded for each attempt, to the end of the session."),
        TrialElement(
            "Estimand",
            "Difference in the chance of the outcome had every lesion been started one way or the other, as assigned.",
            f"Risk difference, ratio and odds ratio in the {POPULATION_WORDS[plan.primary_population]}.",
        ),
        TrialElement(
            "Analysis",
            "Comparison of the groups as assigned, patients being clusters.",
            f"{analysis}; intervals sum over the lesions of a patient.",
        ),
    )


def _upper(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}" if text else text


def _settings(plan: Plan, edition: Edition, found: Estimates) -> tuple[tuple[str, str], ...]:
    """The choices that the page's numbers follow from, in words."""
    model = found.study.model
    sets = "none, nothing was drawn" if model is None or model.imputations is None else f"{model.data_sets}"
    margins = ", ".join(f"{100 * plan.margin(name):g} points ({label})" for name, label in edition.endpoint_labels)
    matching = plan.matching
    return (
        ("Primary endpoint", dict(edition.endpoint_labels)[plan.primary_endpoint]),
        ("Smallest difference that matters", margins),
        ("Completed data sets", f"{sets} (at most {plan.imputation.datasets}, after {plan.imputation.sweeps} sweeps)"),
        ("Weights cut off by the truncated method", f"below quantile {plan.truncation.lower_quantile:g}, above {plan.truncation.upper_quantile:g}"),
        ("Matching", f"1:{matching.ratio}, caliper {matching.caliper:g} SD of the score's logit"),
        ("Bootstrap replicates", f"{plan.bootstrap.replicates:,}"),
        ("Strength of the hidden trait", f"{plan.hidden_bias.strength:g} times the strongest measured one"),
        ("Error over all looks", f"{plan.looks.error:g}, held by {_LOOKS[plan.looks.method]}"),
        ("Self-check", f"{plan.self_check.replicates:,} simulated services"),
        ("Caution and withholding", f"standardized differences beyond {plan.gates.caution_imbalance:g} and {plan.gates.largest_imbalance:g}"),
    )  # fmt: skip
