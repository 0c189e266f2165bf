"""The service's models of choice and crossing: as rich as the number of lesions allows, and saying so when they had to be made simpler.

Traits not recorded are drawn several times (`models.multiple_imputation`); each completed data set has its own models, on the same terms. The pairs of
traits that enter are chosen once, on the first.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from math import ceil

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.augmented import OutcomeModel, fit_outcome
from models.content_draws import content_words
from models.imputation_layout import AlwaysKnown, Owner
from models.multiple_imputation import Imputations, impute
from models.pair_selection import RIDGE, ChosenPair, parts_of, select_pairs, with_pairs
from models.propensity import Covariate, Design, Score, build_design, fit_score
from pipeline.covariates import adjusted_features, covariate, covariates, score_interactions
from pipeline.endpoints import endpoint
from pipeline.features import Feature, feature
from pipeline.plan import Plan

Floats = NDArray[np.float64]

# Lesions by the less common approach for each term of the score: below five, estimates and intervals go wrong
# (Vittinghoff & McCulloch 2007, Am J Epidemiol 165:710-718).
LESIONS_PER_TERM = 5

# Who operated is told by nothing else: an unknown operator is a level of its own.
NEVER_DRAWN = ("operator_id", "operator_retrograde_before")

# A trait missing in more lesions than this is marked as missing instead: its draws would be mostly the model's own invention.
MOST_DRAWN = 0.5  # share; our choice, common practice, no source

# What decides most where an operator starts and whether the wire crosses (Saab 2018; Bernardini 2022). Without two of them a comparison of
# invented services pointed the wrong way.
KEY_TRAITS = ("length_mm", "calcium", "proximal_cap", "distal_cap")

# What is known of a lesion's course: it tells apart lesions that are otherwise alike.
ON_THE_TABLE = ("first_approach_crossed", "crossed_in_session", "attempts", "attempt_minutes")

# Traits that are the patient's or the procedure's: drawn once for each.
OF_THE_PATIENT = ("age_years", "sex", "diabetes", "renal")
OF_THE_PROCEDURE = ("rutherford",)

# Completed data sets: one for each per cent of lesions with a gap (White, Royston & Wood 2011), but no fewer than the first, and no more than that
# where lesions are so many that chance between data sets hardly counts beside the time (our choice, no source).
FEWEST_DATA_SETS = 5
MANY_LESIONS = 20_000

# Categories whose levels rise: they enter pairs as numbers, too.
ORDERED = frozenset(("calcium", "rutherford", "runoff_vessels", "renal"))
NEVER_IN_PAIRS = frozenset(("operator_id",))


@dataclass(frozen=True, slots=True)
class Models:
    """Models of one completed data set. `plain`: the score of single traits and the usual pairs; `score`: with the chosen pairs; `outcomes` by endpoint."""

    covariates: tuple[Covariate, ...]
    plain: Score
    score: Score
    outcomes: Mapping[str, OutcomeModel]


@dataclass(frozen=True, slots=True)
class ScoreModel:
    """What the models are made of, and remarks in words: values drawn, levels pooled, what was left out and why.

    `fitted` are the labels of the features in the score; `key_recorded` is the share (0-1) of KEY_TRAITS recorded in at least half of the
    lesions, of those that the plan adjusts for. `imputations` is None where nothing was drawn; `pairs` are the chosen ones of `pairs_looked_at`.
    """

    treated: Floats
    outcomes: Mapping[str, Floats]
    recorded: tuple[Covariate, ...]
    below_knee: Covariate
    interactions: tuple[tuple[str, str], ...]
    imputations: Imputations | None
    kept: tuple[str, ...] | None  # features of a simplified score, in order; None for the full one
    pairs: tuple[ChosenPair, ...]
    pairs_looked_at: int
    first: Models
    remarks: tuple[str, ...]
    simplified: bool
    left_out: float  # share (0-1) of the adjustment set's features that are not in the score
    fitted: tuple[str, ...]
    key_recorded: float

    @property
    def score(self) -> Score:
        """The score of the first completed data set, which the diagnostics look at."""
        return self.first.score

    @property
    def data_sets(self) -> int:
        """Completed data sets; 1 where nothing is drawn."""
        return 1 if self.imputations is None else self.imputations.data_sets

    def each(self) -> Iterator[Models]:
        """Models of each completed data set in turn, those that can be fitted; made one at a time, since designs are large."""
        yield self.first
        for j in range(1, self.data_sets):
            models = self.on(self.imputations.completed(j) if self.imputations is not None else self.recorded)
            if models.score.fit.failed_because is None and models.plain.fit.failed_because is None:
                yield models

    def on(self, covariates: tuple[Covariate, ...], outcomes: Mapping[str, Floats] | None = None) -> Models:
        """The same models on other values of the covariates, or for other outcomes."""
        full = self._full(covariates)
        base = full if self.kept is None else _straight(covariates, self.treated, self.kept)
        return _fitted(base, full, covariates, self.pairs, self.treated, outcomes or self.outcomes)

    def _full(self, covariates: tuple[Covariate, ...]) -> Design:
        return build_design(covariates, self.treated, self.interactions, only_in_pairs=(self.below_knee,))


def fit_score_model(
    lesions: pl.DataFrame, plan: Plan, treated: Floats, patient: NDArray[np.int64], *, draw: bool = True
) -> ScoreModel:
    """The richest models that the less common approach can carry.

    Full: the plan's adjustment set, numbers as splines, the usual pairs and those that are chosen. If the usual terms ask for more than one to every
    LESIONS_PER_TERM lesions of the less common approach: straight lines and no pairs, features taken in the order of the
    adjustment set for as long as there is room; what is left out is watched in the balance, and the outcome model, which has a ridge, keeps it.
    `treated` (n,) of 0 and 1, `patient` (n,) from 0. Without `draw` unrecorded values are marked and not drawn (the missing-indicator method).
    """
    features = adjusted_features(plan)
    recorded = covariates(lesions, plan, features)
    outcomes = {name: lesions[endpoint(name).column].cast(pl.Float64).to_numpy() for name in plan.endpoints}
    imputations = _drawn(lesions, plan, recorded, treated, patient, outcomes) if draw else None
    completed = recorded if imputations is None else imputations.completed(0)
    below_knee = covariate(lesions, plan, feature("below_knee"))
    interactions = score_interactions(plan)
    full = build_design(completed, treated, interactions, only_in_pairs=(below_knee,))
    room = int(min(treated.sum(), (1 - treated).sum())) // LESIONS_PER_TERM
    remarks = _what_was_drawn(lesions, features, imputations)
    kept: tuple[str, ...] | None = None
    base, looked_at = full, 0
    pairs: tuple[ChosenPair, ...] = ()
    if len(full.terms) - 1 > room:
        kept = _that_fit(completed, treated, room)
        base = _straight(completed, treated, kept)
        remarks = (*remarks, "few lesions for a full model: numbers as straight lines, no combinations")
    else:
        parts = parts_of(full, completed, ORDERED, NEVER_IN_PAIRS)
        chosen = select_pairs(full, parts, treated, list(outcomes.values()), room - len(full.terms) + 1)
        pairs, looked_at = chosen.chosen, chosen.looked_at
    first = _fitted(base, full, completed, pairs, treated, outcomes)
    names = {term.of for term in first.score.design.terms}
    out = [c.label for c in completed if c.name not in names]
    left = (f"not in the score: {', '.join(out)}",) if out else ()
    told = (*remarks, *left, *base.pooled)
    return ScoreModel(
        treated=treated,
        outcomes=outcomes,
        recorded=recorded,
        below_knee=below_knee,
        interactions=interactions,
        imputations=imputations,
        kept=kept,
        pairs=pairs,
        pairs_looked_at=looked_at,
        first=first,
        remarks=told,
        simplified=kept is not None,
        left_out=len(out) / max(len(completed), 1),
        fitted=tuple(c.label for c in completed if c.name in names),
        key_recorded=_key_recorded(lesions, plan),
    )


def _fitted(
    base: Design,
    full: Design,
    completed: tuple[Covariate, ...],
    pairs: tuple[ChosenPair, ...],
    treated: Floats,
    outcomes: Mapping[str, Floats],
) -> Models:
    plain = fit_score(base, treated)
    score, rich = plain, full
    if pairs:
        rich = with_pairs(full, parts_of(full, completed, ORDERED, NEVER_IN_PAIRS), pairs)
        # Chosen pairs carry a ridge: a rare combination must not separate the score.
        ridge = np.where(np.arange(len(rich.terms)) < len(base.terms), 0.0, RIDGE)
        score = fit_score(rich, treated, ridge)
    models = {name: fit_outcome(rich.matrix, treated, outcome) for name, outcome in outcomes.items()}
    return Models(completed, plain, score, models)


def _key_recorded(lesions: pl.DataFrame, plan: Plan) -> float:
    wanted = [f.name for f in adjusted_features(plan) if f.name in KEY_TRAITS]
    recorded = [name for name in wanted if lesions[name].null_count() <= MOST_DRAWN * lesions.height]
    return len(recorded) / len(wanted) if wanted else 1.0


def _drawn(
    lesions: pl.DataFrame,
    plan: Plan,
    recorded: tuple[Covariate, ...],
    treated: Floats,
    patient: NDArray[np.int64],
    outcomes: Mapping[str, Floats],
) -> Imputations | None:
    """The traits that are not recorded in some lesions, drawn; None where there are none."""
    wanted = drawn_names(recorded, treated)
    if not wanted:
        return None
    incomplete = float(np.any([np.isnan(c.values) for c in recorded if c.name in wanted], axis=0).mean())
    return impute(
        recorded,
        known_to_draws(lesions, recorded, treated, patient, outcomes),
        wanted,
        data_sets=data_sets(plan, lesions.height, incomplete),
        sweeps=plan.imputation.sweeps,
        seed=plan.seed_for("imputation"),
    )


def drawn_names(recorded: tuple[Covariate, ...], treated: Floats) -> list[str]:
    """The covariates that are drawn where they are not recorded: those recorded in enough lesions started either way.

    What is hardly ever recorded after one start cannot be drawn from the lesions of the other.
    """
    gaps = {c.name: np.isnan(c.values) for c in recorded if c.name not in NEVER_DRAWN}
    return [
        name
        for name, gap in gaps.items()
        if gap.any() and all(gap[treated == arm].mean() <= MOST_DRAWN for arm in (1, 0))
    ]


def known_to_draws(
    lesions: pl.DataFrame,
    recorded: tuple[Covariate, ...],
    treated: Floats,
    patient: NDArray[np.int64],
    outcomes: Mapping[str, Floats],
) -> AlwaysKnown:
    """What is known of every lesion when its traits are drawn."""
    drawable = [c for c in recorded if c.name not in NEVER_DRAWN]
    procedure = lesions["procedure_id"].rank("dense").cast(pl.Int64).to_numpy() - 1
    # Neither the key of the pseudonyms nor the order of the rows may change a draw: what is recorded of a lesion tells it apart.
    course = lesions.select(pl.col("procedure_date").to_physical(), *ON_THE_TABLE).cast(pl.Float64)
    words = content_words(
        np.vstack([treated, course.fill_null(float("nan")).to_numpy().T, *(c.values for c in drawable)])
    )
    names = {c.name for c in drawable}
    owners = {name: Owner(patient) for name in OF_THE_PATIENT if name in names}
    owners |= {name: Owner(procedure) for name in OF_THE_PROCEDURE if name in names}
    return AlwaysKnown(treated, np.stack(list(outcomes.values())), patient, words, owners=owners)


def data_sets(plan: Plan, lesions: int, incomplete: float) -> int:
    """Completed data sets for a service where `incomplete` (0-1) of `lesions` have a gap; never more than the plan's."""
    most = plan.imputation.datasets
    if lesions > MANY_LESIONS:
        return min(most, FEWEST_DATA_SETS)
    return min(most, max(FEWEST_DATA_SETS, ceil(100 * incomplete)))


def _what_was_drawn(
    lesions: pl.DataFrame, features: tuple[Feature, ...], imputations: Imputations | None
) -> tuple[str, ...]:
    if imputations is None:
        return ()
    shares = {f.name: lesions[f.name].null_count() / lesions.height for f in features}
    told = ", ".join(f"{f.label} ({shares[f.name]:.0%})" for f in features if f.name in imputations.drawn)
    return (f"drawn where not recorded: {told}",)


def _that_fit(candidates: tuple[Covariate, ...], treated: Floats, room: int) -> tuple[str, ...]:
    """Names of the features that a score of straight lines has room for, in the order of the adjustment set."""
    chosen: list[Covariate] = []
    for candidate in candidates:
        trial = build_design((*chosen, replace(candidate, straight=True)), treated)
        if len(trial.terms) - 1 <= room:
            chosen.append(replace(candidate, straight=True))
    return tuple(c.name for c in chosen)


def _straight(covariates: tuple[Covariate, ...], treated: Floats, names: tuple[str, ...]) -> Design:
    return build_design(tuple(replace(c, straight=True) for c in covariates if c.name in names), treated)
