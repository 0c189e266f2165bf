"""The comparison step: derived lesions and the plan in, comparisons and diagnostics out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.adjustment_results import LearnerShare
from models.balance import differences_within
from models.gates import Thresholds, arm_size_gate, effective_size_gate, imbalance_gate, withheld_because
from models.propensity import Score
from models.results import CaseMix, Comparison, Diagnostics, Gate, MapCell, Population, ProfileLabel
from models.weights import balancing_weights, effective_n
from pipeline.covariates import adjusted_features
from pipeline.diagnose import case_mix, diagnose
from pipeline.other_methods import all_other_methods
from pipeline.plan import Plan
from pipeline.plan_parts import Method, PrimaryMethod
from pipeline.profiles import Cell, length_calcium_cells, one_way_profiles
from pipeline.score_model import fit_score_model
from pipeline.studied import Answers, Asked, Question, Study, answer, numbered

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Spread of a fitted term inside a profile, in SD of the whole service, below which it is not looked at; common practice, no source.
LEAST_SPREAD = 0.1

# The two methods that can lead a report: each is made in every population of the plan.
BOTH: tuple[PrimaryMethod, ...] = ("doubly_robust", "weighting")


@dataclass(frozen=True, slots=True)
class Estimates:
    """What the step hands on; see models.results for the parts. `study` and `answers` are for the methods report; they hold lesions.

    `learners`: what each learner counts for in the stacks of the method "learners"; empty where that is not made.
    """

    comparisons: tuple[Comparison, ...]
    diagnostics: Diagnostics | None
    length_calcium: tuple[MapCell, ...]
    case_mix: tuple[CaseMix, ...]
    profile_labels: tuple[ProfileLabel, ...]
    remarks: tuple[str, ...]
    fitted: tuple[str, ...]
    simplified: bool
    score_failed_because: str | None
    study: Study
    answers: dict[tuple[str, str, Population], Answers]
    learners: tuple[LearnerShare, ...] = ()


def estimate(lesions: pl.DataFrame, plan: Plan) -> Estimates:
    """All comparisons of the plan on the eligible lesions (one row a lesion, the columns of derive)."""
    beside = _complete_cases(lesions, plan)  # first and done with: two designs at once would double the memory
    study, diagnostics = studied(lesions, plan)
    reason = study.withheld_because
    profiles = one_way_profiles(lesions, plan)
    everyone = _everyone(lesions)
    cells = (everyone, *profiles)
    grid = length_calcium_cells(lesions, plan)
    primary, population = plan.primary_method, plan.primary_population
    crude = Question(
        "crude", "observed", tuple(Asked(cell, withheld_because([_arms(study, cell.member)]), ()) for cell in cells)
    )
    main = Question(primary, population, _asked(study, population, (*cells, *grid), reason))
    others = [
        Question(method, other, _asked(study, other, (everyone,), reason))
        for method in BOTH
        for other in plan.populations
        if (method, other) != (primary, population) and (plan.compares_by(method) or method == primary)
    ]
    answers = answer(study, [crude, main, *others])
    further = all_other_methods(study)
    comparisons: list[Comparison] = []
    for name in plan.endpoints:
        plain = answers[name, "crude", "observed"].comparisons
        fair = answers[name, primary, population].comparisons
        comparisons += [plain[0], fair[0]]
        for question in others:
            comparisons += answers[name, question.method, question.population].comparisons
        comparisons += beside.get(name, [])
        comparisons += further.comparisons[name]
        comparisons += [one for pair in zip(plain[1:], fair[1 : len(cells)], strict=True) for one in pair]
    mapped = answers[plan.primary_endpoint, primary, population].comparisons[len(cells) :]
    model = study.model
    return Estimates(
        tuple(comparisons),
        diagnostics,
        tuple(MapCell(cell.levels[0], cell.levels[1], one) for cell, one in zip(grid, mapped, strict=True)),
        case_mix(diagnostics),
        tuple(ProfileLabel(p.key, p.feature_label, p.level_label) for p in profiles),
        model.remarks if model is not None else (),
        model.fitted if model is not None else (),
        model.simplified if model is not None else False,
        reason,
        study,
        answers,
        further.learners,
    )


def studied(lesions: pl.DataFrame, plan: Plan, *, draw: bool = True) -> tuple[Study, Diagnostics | None]:
    """The lesions as arrays with their fitted models, and their diagnostics; `draw` as in `fit_score_model`."""
    treated = (lesions["first_approach"] == "retrograde").cast(pl.Float64).to_numpy()
    patient, operator = numbered(lesions["patient_id"]), numbered(lesions["operator_id"])
    gates = plan.gates
    limits = Thresholds(
        gates.caution_imbalance, gates.largest_imbalance, gates.fewest_in_arm, gates.fewest_effective_in_arm
    )
    bare = Study(lesions, treated, patient, operator, limits, plan, None, None)
    arms_gate = _arms(bare, bare.everyone)
    reason = withheld_because([arms_gate])
    if reason is not None:
        return replace(bare, withheld_because=reason), None
    model = fit_score_model(lesions, plan, treated, patient, draw=draw)
    failed = model.score.fit.failed_because or model.first.plain.fit.failed_because
    if failed is not None:
        return replace(bare, withheld_because=failed), None
    diagnostics = diagnose(lesions, plan, treated, model, arms_gate, limits)
    return replace(bare, model=model, withheld_because=withheld_because(diagnostics.gates)), diagnostics


def _complete_cases(lesions: pl.DataFrame, plan: Plan) -> dict[str, list[Comparison]]:
    """By endpoint: the lesions with every adjusted trait recorded, and all with gaps marked instead of drawn; empty when nothing is missing.

    They stand beside the main answer. Complete cases, their own models fitted, are unbiased where recording has nothing
    to do with crossing (White & Carlin 2010, Stat Med 29:2920-2931), at the price of the lesions lost. Marking a gap (the missing-indicator method) is right
    where the operator, too, decided without the value (Rosenbaum & Rubin 1984; Blake et al. 2020, Biom J 62:1306-1326).
    """
    recorded = [f.name for f in adjusted_features(plan) if lesions[f.name].null_count() < lesions.height]
    complete = lesions.drop_nulls(recorded)
    if complete.height == lesions.height:
        return {}
    made: dict[str, list[Comparison]] = {}
    kinds: tuple[tuple[Method, pl.DataFrame], ...] = (("complete_case", complete), ("missing_indicator", lesions))
    for method, frame in kinds:
        if not plan.compares_by(method):
            continue
        study, _ = studied(frame, plan, draw=False)
        asked = _asked(study, plan.primary_population, (_everyone(frame),), study.withheld_because)
        found = answer(study, [Question(plan.primary_method, plan.primary_population, asked)])
        for (name, _, _), answers in found.items():
            made.setdefault(name, []).extend(replace(one, method=method) for one in answers.comparisons)
    return made


def _everyone(lesions: pl.DataFrame) -> Cell:
    return Cell("all", "", "", (), np.ones(lesions.height, dtype=bool))


def _asked(study: Study, population: Population, cells: Sequence[Cell], reason: str | None) -> tuple[Asked, ...]:
    """The weighted comparison within each cell, held against its gates; `reason` is why there is no score to weight by, or None."""
    simplified = study.model is not None and study.model.simplified
    always = ("few lesions: a simpler score model",) if simplified else ()
    arms = [reason or withheld_because([_arms(study, cell.member)]) for cell in cells]
    left = [cell for cell, because in zip(cells, arms, strict=True) if because is None]
    looked_at = iter(_looked_at(study, study.model.score, population, left, always) if study.model else [])
    return tuple(
        Asked(cell, because, always) if because is not None or study.model is None else next(looked_at)
        for cell, because in zip(cells, arms, strict=True)
    )


def _looked_at(
    study: Study, score: Score, population: Population, cells: Sequence[Cell], always: tuple[str, ...]
) -> list[Asked]:
    """The comparison within each cell, held against the gates on effective size and on balance."""
    weight = balancing_weights(score.probability, study.treated, population).weight
    # Overlap weights balance the whole service by construction: its diagnostics look at what they need not balance.
    unsure = [cell for cell in cells if cell.key != "all" or population != "overlap"]
    # Terms have SD 1 over the service. One that the profile nearly fixes has little spread left: what varies is no imbalance that matters.
    found = differences_within(
        score.design.matrix[1:], study.treated, weight, [cell.member for cell in unsure], LEAST_SPREAD
    )
    differences = dict(zip((cell.key for cell in unsure), found, strict=True))
    asked: list[Asked] = []
    for cell in cells:
        sizes = [effective_n(weight[cell.member & (study.treated == arm)]) for arm in (1, 0)]
        gates = [effective_size_gate(sizes[0], sizes[1], study.limits)]
        remarks = list(always)
        if cell.key in differences:
            sentence = "fitted traits are alike after weighting within the profile"
            gate = imbalance_gate(differences[cell.key].tolist(), sizes[0], sizes[1], study.limits, sentence)
            gates.append(gate)
            if gate.verdict == "caution":
                remarks.append(f"caution: fitted traits differ by up to {gate.value:.2f} SD after weighting")
        asked.append(Asked(cell, withheld_because(gates), tuple(remarks)))
    return asked


def _arms(study: Study, member: Mask) -> Gate:
    below = int(study.treated[member].sum())
    return arm_size_gate(below, int(member.sum()) - below, study.limits)
