"""The run, top to bottom: one ordered description of the steps, and what they hand on."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import TypeVar

import polars as pl
from threadpoolctl import threadpool_limits

from models.methods_results import MethodsReport
from models.results import Edition
from pipeline.check import Accepted, check
from pipeline.deliveries.alike import count_alike, refuse_strangers
from pipeline.deliveries.history import (
    Delivery,
    Run,
    deliveries_table,
    load_deliveries,
    load_last_run,
    load_missing,
    load_runs,
    withdrawn_table,
)
from pipeline.deliveries.join import Joined, data_sha256, files_sha256, in_key_order, join, laid_on
from pipeline.deliveries.keep import Kept, keep
from pipeline.deliveries.past import DATABASE, begin_anew, bring_along, key_fingerprint
from pipeline.departures import departures
from pipeline.derive import Derived, derive
from pipeline.edition import VERSION, build_edition, with_sensitivity
from pipeline.editions import writing
from pipeline.engine import Engine, Step, Telling, run_steps
from pipeline.estimate import Estimates, estimate
from pipeline.faults import NeedsMending
from pipeline.identity import load_key, pseudonymize
from pipeline.mapping import load_mapping
from pipeline.methods_report import methods_report
from pipeline.methods_sensitivity import EarlierLook
from pipeline.plan import Plan
from pipeline.plan_names import load_checked_plan
from pipeline.publish import Outputs, publish
from pipeline.read import SourceFile, take_in
from pipeline.result_tables import counts_table, estimates_table, set_aside_table
from pipeline.store import put_tables
from pipeline.table_rows import TableRows
from reports.methods import methods_page
from reports.strategy import strategy_page

Part = TypeVar("Part")


@dataclass(frozen=True, slots=True)
class Request:
    """What a run was asked for. `key` is the pseudonym key when it does not come from the user's own (the demo); never shown.

    `received` is the day on which the tables were received, today when it is None.
    """

    tables: Path
    out: Path
    mapping: Path | None = None
    plan: Path | None = None
    invented: bool = False
    service: str | None = None
    key: bytes | None = field(default=None, repr=False)
    received: date | None = None

    def pseudonym_key(self) -> bytes:
        """The key of this run. Raises NeedsMending when the user's own cannot be used."""
        return self.key if self.key is not None else load_key()


@dataclass(frozen=True, slots=True)
class Work:
    """What the steps have made so far; each step fills in its own part and none is changed.

    `folder` is where outputs are built, `past` the deliveries that are there already. `tables` are those that are checked; they are
    let go once they are kept.
    """

    request: Request
    folder: Path = Path()
    past: tuple[Delivery, ...] = ()
    plan: Plan = field(default_factory=Plan)
    sources: tuple[SourceFile, ...] = ()
    tables: Mapping[str, TableRows] | Mapping[str, pl.DataFrame] = field(default_factory=dict, repr=False)
    joined: Joined | None = None
    delivery: Delivery | None = None
    accepted: Accepted | None = None
    kept: Kept | None = None
    derived: Derived | None = None
    estimates: Estimates | None = None
    edition: Edition | None = None
    methods: MethodsReport | None = None
    pages: Mapping[str, str] = field(default_factory=dict, repr=False)
    seconds: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Results:
    """What `analyze` gives: polars frames with the columns of the files under results/, and the Edition behind them."""

    estimates: pl.DataFrame
    counts: pl.DataFrame
    set_aside: pl.DataFrame
    lesions: pl.DataFrame = field(repr=False)
    edition: Edition = field(repr=False)


def _plan(request: Request) -> Plan:
    plan = load_checked_plan(request.plan)
    return plan if request.service is None else plan.model_copy(update={"service": request.service})


def _read(work: Work) -> Work:
    request = work.request
    plan = _plan(request)
    intake = take_in(request.tables, load_mapping(request.mapping), request.pseudonym_key())
    sources, tables = intake.sources, dict(intake.tables)
    del intake  # so that no table is there twice for longer than it takes to sort it
    return replace(
        work, plan=plan, sources=sources, tables={name: in_key_order(name, tables.pop(name)) for name in [*tables]}
    )


def _join(work: Work) -> Work:
    request, past, files = work.request, work.past, files_sha256(work.sources)
    again = bool(past) and past[-1].files_sha256 == files
    if request.invented and past and not again:  # another invention is another service
        begin_anew(work.folder)
        past = ()
    place, on = str(request.out), laid_on(past, files, place=str(request.out))
    export: dict[str, TableRows] = {name: rows for name, rows in work.tables.items() if isinstance(rows, TableRows)}
    if on and not again:  # a mapping that is mended may change whatever it likes
        refuse_strangers(count_alike(work.folder / DATABASE, on, export), place=place, last=on)
    missing = load_missing(work.folder / DATABASE, on, export) if on else None
    joined = join(export, missing, work.plan.withdrawn_rows, place=place, last=on)
    mapping = hashlib.sha256(request.mapping.read_bytes()).hexdigest() if request.mapping is not None else ""
    before = next((delivery.data_sha256 for delivery in past if delivery.number == on), "")
    delivery = Delivery(
        number=past[-1].number + 1 if past else 1,
        laid_on=on,
        received=past[-1].received if again else request.received or date.today(),
        files_sha256=files,
        mapping_sha256=mapping,
        data_sha256=data_sha256(before, files, mapping, joined.withdrawn_rows),
        withdrawn_rows=joined.withdrawn_rows,
        key_fingerprint=key_fingerprint(request.pseudonym_key()),
        sources=json.dumps([asdict(source) for source in work.sources]),
        version=VERSION,
    )
    return replace(work, past=past, joined=joined, delivery=delivery, tables=joined.tables)


def _check(work: Work) -> Work:
    received = work.delivery.received if work.delivery is not None else None
    accepted = check(work.tables, received=received)
    if work.joined is not None:
        in_doubt = pl.concat([accepted.lesions_in_doubt, work.joined.in_doubt]).unique(maintain_order=True)
        accepted = replace(accepted, lesions_in_doubt=in_doubt)
    return replace(work, accepted=accepted)


def _keep(work: Work) -> Work:
    accepted = _made(work.accepted)
    run = Run(work.plan.hash, work.plan.model_dump_json(), work.request.invented, VERSION)
    last = work.past[-1] if work.past else None
    kept = keep(work.folder / DATABASE, _made(work.joined), accepted, _made(work.delivery), run, last=last)
    return replace(work, kept=kept, joined=None, tables={})


def _derive(work: Work) -> Work:
    accepted = _made(work.accepted)
    return replace(work, derived=derive(accepted.frames, work.plan, in_doubt=accepted.lesions_in_doubt))


def _estimate(work: Work) -> Work:
    # With one thread the sums are taken in one order: the last digit does not depend on the number of cores.
    with threadpool_limits(limits=1):
        return replace(work, estimates=estimate(_made(work.derived).lesions, work.plan))


def _compose(work: Work) -> Work:
    accepted, derived = _made(work.accepted), _made(work.derived)
    edition = build_edition(
        work.plan,
        derived.lesions,
        derived.flow,
        accepted.counts,
        accepted.reasons,
        _made(work.estimates),
        work.kept.delivery.data_sha256 if work.kept is not None else "",
        invented=work.request.invented,
    )
    if work.kept is not None:
        edition = replace(edition, departures=departures(load_runs(work.folder / DATABASE)))
    return replace(work, edition=edition)


def _examine(work: Work) -> Work:
    edition = _made(work.edition)
    with threadpool_limits(limits=1):
        report = methods_report(
            edition,
            _made(work.estimates),
            departures=edition.departures,
            reports_seen=max(len(load_runs(work.folder / DATABASE)) - 1, 0),
            earlier=_earlier_looks(work),
        )
    return replace(work, methods=report, edition=with_sensitivity(edition, report.looks, report.self_checks))


def _earlier_looks(work: Work) -> tuple[EarlierLook, ...]:
    """The reports on deliveries before this one: their lesions are those of today's that had been treated when each came."""
    here, dates = _made(work.kept).delivery, _made(work.derived).lesions["procedure_date"]
    before = [one for one in load_deliveries(work.folder / DATABASE) if one.number < here.number]
    return tuple(
        EarlierLook(f"{one.received.year} Q{(one.received.month + 2) // 3}", int((dates <= one.received).sum()))
        for one in before
        if one.files_sha256 != here.files_sha256
    )


def _draw(work: Work) -> Work:
    pages = {"strategy.html": strategy_page(_made(work.edition)), "methods.html": methods_page(_made(work.methods))}
    return replace(work, pages=pages)


def _publish(work: Work) -> Work:
    results, delivery, database = _results(work), _made(work.kept).delivery, work.folder / DATABASE
    put_tables(database, "derived", {"lesions": results.lesions, "attempts": _made(work.derived).attempts})
    outputs = Outputs(
        pages=work.pages,
        tables={
            "estimates": results.estimates,
            "counts": results.counts,
            "set_aside": results.set_aside,
            "deliveries": deliveries_table(database),
            "withdrawn": withdrawn_table(database, delivery.number),
        },
        edition=results.edition,
        plan=work.plan,
        inputs=json.loads(delivery.sources),
        delivery={
            "number": delivery.number,
            "received": delivery.received.isoformat(),
            "laid_on": delivery.laid_on,
            "withdrawn_rows": delivery.withdrawn_rows,
        },
        seconds=work.seconds,
    )
    publish(work.request.out, work.folder, outputs)
    return work


_INTAKE: tuple[Step[Work], ...] = (
    Step("read", "Reading the case tables", _read),
    Step("join", "Joining them with earlier deliveries", _join),
    Step("check", "Checking every row", _check),
    Step("keep", "Keeping the history", _keep),
)
_ANALYSIS: tuple[Step[Work], ...] = (
    Step("derive", "Deriving lesion features", _derive),
    Step("estimate", "Comparing the approaches", _estimate),
    Step("compose", "Putting the edition together", _compose),
)
_REPORT: tuple[Step[Work], ...] = (
    Step("examine", "Examining the comparison", _examine),
    Step("draw", "Drawing the report", _draw),
    Step("publish", "Writing the outputs", _publish),
)
STEPS = (*_INTAKE, *_ANALYSIS, *_REPORT)
FROM_HISTORY = (*_ANALYSIS, *_REPORT)  # what is done again for an earlier delivery: its rows were checked when it came


def analyze(tables: Mapping[str, pl.DataFrame], plan: Plan | None = None, *, key: bytes | None = None) -> Results:
    """The same analysis in process: no files, no server.

    `tables`: polars frames in the dictionary's layout, by table name, as text (`read_tables`) or already typed. Keys become
    pseudonyms under `key`, or under one made for this call. Raises NeedsMending when the tables cannot be used.
    """
    for name, frame in tables.items():
        if not isinstance(frame, pl.DataFrame):
            raise NeedsMending(f"{name}: not a polars DataFrame; collect it or make one of it")
    frames = pseudonymize(dict(tables), key if key is not None else os.urandom(32))
    work = _check(Work(Request(Path(), Path()), plan=plan or Plan(), tables=frames))
    for step in _ANALYSIS:
        work = step.run(work)
    return _results(work)


def run(request: Request, *, engine: Engine = "auto", tell: Callable[[str], None] = lambda _line: None) -> Work:
    """Every step in order, to the files under `request.out`, which is made if absent. `tell` is called with a line as each step begins.

    From its start to its end no other run can write there. A failure leaves the last good outputs as they were.
    """
    with writing(request.out) as folder:
        past = bring_along(request.out, folder, key=request.pseudonym_key(), invented=request.invented)
        work = Work(request, folder, past)
        _tell_of_default_plan(work, tell)
        return carry_out(STEPS, work, engine, tell)


def _tell_of_default_plan(work: Work, tell: Callable[[str], None]) -> None:
    """A plan that was given before and is not now may have been forgotten: it is told which one is used."""
    if work.request.plan is not None or work.request.invented or not work.past:
        return
    number = work.past[-1].number
    before = load_last_run(work.folder / DATABASE, number).plan_sha256
    if before != _plan(work.request).hash:
        tell(f"No --plan: the default plan is used; delivery {number} was run with another ({before[:8]})")


def carry_out(steps: tuple[Step[Work], ...], work: Work, engine: Engine, tell: Callable[[str], None]) -> Work:
    """The work after `steps`, the seconds of each noted in it."""

    def timed(work: Work, step: str, seconds: float) -> Work:
        return replace(work, seconds=(*work.seconds, (step, seconds)))

    return run_steps(steps, work, engine, work.request.out / ".prefect", Telling(tell, timed))


def _results(work: Work) -> Results:
    accepted, edition = _made(work.accepted), _made(work.edition)
    return Results(
        estimates_table(edition),
        counts_table(edition),
        set_aside_table(accepted),
        _made(work.derived).lesions,
        edition,
    )


def _made(part: Part | None) -> Part:
    if part is None:
        raise RuntimeError("a step was run before the one that it needs")
    return part
