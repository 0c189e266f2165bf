"""An earlier report again: rebuilt from the history as it was when the delivery came."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

from pydantic import ValidationError

from pipeline.deliveries.history import Delivery, Run, load_accepted, load_deliveries, load_last_run
from pipeline.deliveries.keep import Kept, cut_after
from pipeline.deliveries.past import DATABASE, copy_history
from pipeline.editions import writing
from pipeline.engine import Engine
from pipeline.faults import NeedsMending
from pipeline.flow import FROM_HISTORY, Request, Work, carry_out
from pipeline.plan import Plan
from pipeline.plan_names import check_names, load_checked_plan

FOLDER = "as_of"


def rebuild(
    out: Path,
    when: int | date,
    *,
    plan: Path | None = None,
    engine: Engine = "auto",
    tell: Callable[[str], None] = lambda _line: None,
) -> Work:
    """The outputs as of a delivery (its number, or the last one received by a day), in a folder of their own under `out`/as_of.

    By the plan of the last run on that delivery, unless another is given. Rows are taken as they were checked then. The database there
    holds the history up to the delivery. Raises NeedsMending when there is no such delivery, or when deliveries were added in that folder.
    """
    standing = out / DATABASE
    if not standing.is_file():
        raise NeedsMending(f"{out}: there is no {DATABASE} with earlier deliveries; give the --out of an earlier run")
    with writing(out):
        delivery = _chosen(load_deliveries(standing), when, out)
        target = out / FOLDER / str(delivery.number)
        with writing(target) as folder:
            _refuse_what_was_gone_on_from(target, delivery.number)
            copy_history(standing, folder)
            run = load_last_run(folder / DATABASE, delivery.number)
            by = load_checked_plan(plan) if plan is not None else _plan_of(run, delivery)
            check_names(by)
            noted = Run(by.hash, by.model_dump_json(), run.invented, run.version)
            cut_after(folder / DATABASE, delivery.number, noted)
            work = Work(
                Request(Path(), target, invented=run.invented),
                folder,
                plan=by,
                accepted=load_accepted(folder / DATABASE, delivery.number),
                kept=Kept(delivery, (), new=False),
            )
            return carry_out(FROM_HISTORY, work, engine, tell)


def _chosen(deliveries: Sequence[Delivery], when: int | date, out: Path) -> Delivery:
    if isinstance(when, date):
        fitting = [delivery for delivery in deliveries if delivery.received <= when]
    else:
        fitting = [delivery for delivery in deliveries if delivery.number == when]
    if fitting:
        return fitting[-1]
    if deliveries and isinstance(when, date):
        first = deliveries[0].received.isoformat()
        raise NeedsMending(f"{out}: no delivery was received by {when.isoformat()}; the first came on {first}")
    held = ", ".join(f"{delivery.number} ({delivery.received.isoformat()})" for delivery in deliveries)
    raise NeedsMending(
        f"{out}: no such delivery for --as-of {when}; there {'is' if len(deliveries) == 1 else 'are'}: {held}"
        if deliveries
        else f"{out}: no deliveries are kept there yet; run an export first"
    )


def _refuse_what_was_gone_on_from(target: Path, number: int) -> None:
    """The folder of an earlier report may have become an --out of its own: what was delivered there stands nowhere else."""
    since = [delivery for delivery in load_deliveries(target / DATABASE) if delivery.number > number]
    if since:
        raise NeedsMending(
            f"{target}: holds delivery {since[-1].number}, which was added there and would be lost; move that folder, and run again"
        )


def _plan_of(run: Run, delivery: Delivery) -> Plan:
    try:
        return Plan.model_validate_json(run.plan)
    except ValidationError:
        raise NeedsMending(
            f"the plan of delivery {delivery.number} was written for Crosswise {run.version} and does not fit this release; give --plan"
        ) from None
