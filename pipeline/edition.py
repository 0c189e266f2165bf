"""The Edition step: everything one report says, put together from the earlier steps, without a patient row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from importlib.metadata import version

import polars as pl

from models.results import Edition, FlowStep, OverLooks, ReasonCount, TableCount
from models.sensitivity_results import EndpointSelfCheck, LookSeries
from pipeline.describe import missing_shares, prices, quarter_counts, sequence_counts
from pipeline.endpoints import endpoint
from pipeline.estimate import Estimates
from pipeline.method_notes import method_notes
from pipeline.plan import Plan

VERSION = version("crosswise")
HELD_BACK = (
    "on data simulated from this service's own lesions with a known difference, the method missed it more often, or by more, than it may "
    "(the methods report has the figures)"
)


def build_edition(
    plan: Plan,
    lesions: pl.DataFrame,
    flow: tuple[FlowStep, ...],
    counts: tuple[TableCount, ...],
    reasons: tuple[ReasonCount, ...],
    estimates: Estimates,
    data_hash: str,
    *,
    invented: bool,
) -> Edition:
    """The Edition of the eligible `lesions` (the frame of derive). `data_hash` names the input, `invented` marks demo data."""
    quarters = quarter_counts(lesions)
    dates = lesions["procedure_date"]
    return Edition(
        service=plan.service,
        invented=invented,
        period_start=_month(dates.min()),
        period_end=_month(dates.max()),
        latest_quarter=quarters[-1].quarter if quarters else "",
        primary_endpoint=plan.primary_endpoint,
        endpoint_labels=tuple((name, endpoint(name).label) for name in plan.endpoints),
        level=plan.level,
        smallest_count_shown=plan.smallest_count_shown,
        plan_hash=plan.hash,
        data_hash=data_hash,
        version=VERSION,
        table_counts=counts,
        reasons=reasons,
        flow=flow,
        missing=missing_shares(lesions),
        sequences=sequence_counts(lesions),
        quarters=quarters,
        prices=prices(lesions),
        case_mix=estimates.case_mix,
        comparisons=estimates.comparisons,
        profile_labels=estimates.profile_labels,
        length_calcium=estimates.length_calcium,
        diagnostics=estimates.diagnostics,
        methods=method_notes(plan, estimates.remarks, estimates.fitted, simplified=estimates.simplified),
        primary_method=plan.primary_method,
        primary_population=plan.primary_population,
    )


def with_sensitivity(edition: Edition, looks: Sequence[LookSeries], checks: Sequence[EndpointSelfCheck]) -> Edition:
    """The edition with what repeated looks and the run's check of itself leave of its main answer."""
    series = next((s for s in looks if s.endpoint == edition.primary_endpoint and s.lines), None)
    check = next((c for c in checks if c.endpoint == edition.primary_endpoint and c.held_back), None)
    return replace(edition, over_looks=_over_looks(series), verdict_held_because=HELD_BACK if check else None)


def _over_looks(series: LookSeries | None) -> OverLooks | None:
    if series is None:
        return None
    last = series.lines[-1].interval
    if last.lower is None or last.upper is None:
        return None
    return OverLooks(series.lines[-1].number, last.lower, last.upper)


def _month(day: object) -> str:
    """The month of a date, as "2023-01": the first and the last day are those of one patient each, and no report says them."""
    return day.strftime("%Y-%m") if isinstance(day, date) else ""
