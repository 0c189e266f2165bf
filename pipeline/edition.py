"""The Edition step: everything one report says, put together from the earlier steps, without a patient row."""

from __future__ import annotations

from datetime import date
from importlib.metadata import version

import polars as pl

from models.results import Edition, FlowStep, ReasonCount, TableCount
from pipeline.describe import missing_shares, prices, quarter_counts, sequence_counts
from pipeline.endpoints import endpoint
from pipeline.estimate import Estimates
from pipeline.method_notes import method_notes
from pipeline.plan import Plan

VERSION = version("crosswise")


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
    )


def _month(day: object) -> str:
    """The month of a date, as "2023-01": the first and the last day are those of one patient each, and no report says them."""
    return day.strftime("%Y-%m") if isinstance(day, date) else ""
