"""The derive step: accepted tables in; one row a lesion with its features, approaches and ends, and the case flow, out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from models.results import FlowStep
from pipeline.features import FEATURES
from pipeline.plan import Plan
from pipeline.plan_names import check_names

KEYS = ("patient_id", "procedure_id", "lesion_id", "limb_id", "procedure_date", "quarter")
ON_THE_TABLE = (
    "planned_approach",
    "first_approach",
    "first_approach_crossed",
    "crossed_in_session",
    "attempts",
    "then",
    "bailout",
    "first_attempt_minutes",
    "attempt_minutes",
)
SESSION = (
    "lesions_in_procedure",
    "session_first_approach",
    "duration_min",
    "fluoroscopy_min",
    "air_kerma_mgy",
    "contrast_ml",
)
_FOR_THE_FLOW = ("_in_doubt", "_attempt_ones", "_gap")  # dropped once the eligible lesions are chosen

ATTEMPT_HISTORY = (
    "attempt_id",
    "lesion_id",
    "attempt_no",
    "attempts_on_lesion",
    "approach",
    "failed_above_before",
    "failed_below_before",
    "crossed_before",
    "minutes_before",
    "bailout",
    "crossed",
)


@dataclass(frozen=True, slots=True)
class Derived:
    """What the step hands on.

    `lesions` holds the eligible lesions only, in order of procedure date and, within a date, of all that is known of them but
    their keys: KEYS, then a column a feature (pipeline.features), then ON_THE_TABLE and SESSION. `first_approach` is the approach of attempt 1;
    `then` is "none", "same" or "bailout"; `bailout` is a later attempt by the other approach after a failed one;
    `attempt_minutes` is null when any attempt's minutes are; `session_first_approach` is null when the session's
    lesions were not all started the same way. `attempts` holds every attempt on these lesions in order (ATTEMPT_HISTORY): what had
    failed before it, by each approach, the minutes spent before it (null when any are not recorded), and whether it was a
    bailout. `flow` counts lesions from those accepted at intake to those compared.
    """

    lesions: pl.DataFrame
    attempts: pl.DataFrame
    flow: tuple[FlowStep, ...]


def derive(tables: Mapping[str, pl.DataFrame], plan: Plan, *, in_doubt: pl.Series | None = None) -> Derived:
    """Features and ends of every lesion, and which lesions are eligible.

    `tables` holds the accepted rows of each table of the data dictionary, with its columns and types. `in_doubt` holds the
    keys of lesions that had an attempt set aside at intake: what is left of their attempts would pass for the whole.
    Raises NeedsMending when the plan names what is not known (pipeline.plan_names).
    """
    check_names(plan)
    joined = (
        tables["lesions"]
        .join(tables["procedures"], on="procedure_id", how="inner", maintain_order="left")
        .join(tables["patients"], on="patient_id", how="inner", maintain_order="left")
        .join(_on_the_table(tables["attempts"]), on="lesion_id", how="left", maintain_order="left")
        .sort("procedure_date", maintain_order=True)
    )
    doubted = pl.Series([], dtype=pl.String) if in_doubt is None else in_doubt
    # Experience is counted and time is measured over every lesion, whether the plan compares it or not.
    features = {f.name: f.derive(plan) for f in FEATURES}
    lesions = joined.select(
        *(name for name in KEYS if name in joined.columns),
        limb_id=pl.concat_str("patient_id", "side", separator=":"),
        quarter=pl.format("{} Q{}", pl.col("procedure_date").dt.year(), pl.col("procedure_date").dt.quarter()),
        **features,
        **{name: pl.col(name) for name in ON_THE_TABLE},
        lesions_in_procedure=pl.len().over("procedure_id").cast(pl.Int64),
        session_first_approach=_shared_first_approach(),
        **{name: pl.col(name) for name in SESSION if name in joined.columns},
        _in_doubt=pl.col("lesion_id").is_in(doubted.implode()),
        _attempt_ones=pl.col("_attempt_ones"),
        _gap=pl.col("_gap"),
    ).select(*KEYS, *features, *ON_THE_TABLE, *SESSION, *_FOR_THE_FLOW)
    # By what the lesions are, not by their keys: so the last digit of a sum depends neither on the secret of the pseudonyms nor on
    # the order of the export.
    lesions = lesions.sort("procedure_date", *features, *ON_THE_TABLE, *SESSION, maintain_order=True)
    flow = [FlowStep("Lesions accepted at intake", lesions.height, 0, "")]
    for label, stays, reason in _steps(plan):
        left = lesions.filter(stays)
        flow.append(FlowStep(label, left.height, lesions.height - left.height, reason))
        lesions = left
    return Derived(lesions.drop(_FOR_THE_FLOW), _in_order(tables["attempts"], lesions), tuple(flow))


def _in_order(attempts: pl.DataFrame, lesions: pl.DataFrame) -> pl.DataFrame:
    """The attempts on these lesions, lesion by lesion in their order, each with the history before it."""
    failed, below = ~pl.col("crossed"), pl.col("approach") == "retrograde"
    other = pl.col("approach") != pl.col("first_approach")

    def before(what: pl.Expr) -> pl.Expr:
        """The running sum over a lesion's attempts up to but not including this one."""
        return (what.cum_sum() - what).over("lesion_id")

    minutes, unknown = pl.col("minutes").fill_null(0.0), pl.col("minutes").is_null().cast(pl.Int64)
    return (
        lesions.select("lesion_id", "first_approach")
        .join(attempts, on="lesion_id", how="inner", maintain_order="left")
        .with_columns(_place=pl.int_range(pl.len()).min().over("lesion_id"))
        .sort("_place", "attempt_no")
        .with_columns(
            attempts_on_lesion=pl.len().over("lesion_id").cast(pl.Int64),
            failed_above_before=before((failed & ~below).cast(pl.Int64)),
            failed_below_before=before((failed & below).cast(pl.Int64)),
            crossed_before=before(pl.col("crossed").cast(pl.Int64)) > 0,
            minutes_before=pl.when(before(unknown) == 0).then(before(minutes)),
        )
        .with_columns(
            bailout=other & (pl.col("failed_above_before") + pl.col("failed_below_before") > 0),
        )
        .select(ATTEMPT_HISTORY)
    )


def _on_the_table(attempts: pl.DataFrame) -> pl.DataFrame:
    """One row a lesion with at least one attempt: the columns of ON_THE_TABLE that come from attempts."""
    number, approach, crossed = pl.col("attempt_no"), pl.col("approach"), pl.col("crossed")
    first = number == 1
    # Two attempts numbered 1 leave the first approach unknown.
    first_approach = pl.when(first.sum() == 1).then(approach.filter(first).first())
    first_failure = number.filter(~crossed).min()
    other = approach != first_approach
    return attempts.group_by("lesion_id").agg(
        first_approach=first_approach,
        first_approach_crossed=crossed.filter(first).first(),
        crossed_in_session=crossed.any(),
        attempts=pl.len().cast(pl.Int64),
        # Nothing follows a first approach that crossed: what is recorded after it was no answer to a failure.
        then=pl.when((pl.len() == 1) | crossed.filter(first).first().fill_null(False))
        .then(pl.lit("none"))
        .otherwise(pl.when(other.any()).then(pl.lit("bailout")).otherwise(pl.lit("same"))),
        bailout=(other & (number > first_failure)).any(),
        first_attempt_minutes=pl.col("minutes").filter(first).first(),
        # The sum of what is known would pass for the whole when one attempt's minutes are missing.
        attempt_minutes=pl.when(pl.col("minutes").null_count() == 0).then(pl.col("minutes").sum()),
        _attempt_ones=first.sum(),
        _gap=(number.max() != number.n_unique()) | (pl.len() != number.n_unique()),
    )


def _shared_first_approach() -> pl.Expr:
    """The first approach that all of a session's lesions share; null when they differ or one is unknown."""
    approach = pl.col("first_approach")
    one = (approach.n_unique().over("procedure_id") == 1) & (approach.null_count().over("procedure_id") == 0)
    return pl.when(one).then(approach)


def _steps(plan: Plan) -> list[tuple[str, pl.Expr, str]]:
    """The steps of the case flow: what stays, the rule, and the reason why the rest leave."""
    wanted = plan.eligibility
    steps = [
        (
            "With no attempt set aside",
            ~pl.col("_in_doubt"),
            "an attempt on the lesion was set aside at intake, so what happened on the table cannot be known",
        ),
        ("With an attempt recorded", pl.col("attempts").is_not_null(), "no attempt recorded"),
        (
            "With one first attempt recorded",
            pl.col("_attempt_ones") == 1,
            "attempt number 1 is missing or recorded twice, so the first approach cannot be known",
        ),
        (
            "With every attempt up to the last recorded",
            ~pl.col("_gap"),
            "an attempt number is skipped or recorded twice, so what happened on the table cannot be known",
        ),
    ]
    if wanted.first_date is not None:
        rule = pl.col("procedure_date") >= wanted.first_date
        steps.append(("On or after the plan's first date", rule, f"before {wanted.first_date.isoformat()}"))
    if wanted.last_date is not None:
        rule = pl.col("procedure_date") <= wanted.last_date
        steps.append(("On or before the plan's last date", rule, f"after {wanted.last_date.isoformat()}"))
    if wanted.segments:
        named = ", ".join(segment.replace("_", " ") for segment in wanted.segments)
        steps.append(("In the plan's segments", pl.col("segment").is_in(wanted.segments), f"not in {named}"))
    return steps
