"""The run, top to bottom: one ordered description, executed in process or as Prefect tasks. The only file that imports Prefect."""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal, TypeVar

import polars as pl
from threadpoolctl import threadpool_limits

from models.results import Edition
from pipeline.check import Accepted, check
from pipeline.derive import Derived, derive
from pipeline.edition import build_edition
from pipeline.estimate import Estimates, estimate
from pipeline.faults import NeedsMending
from pipeline.identity import load_key, pseudonymize
from pipeline.mapping import load_mapping
from pipeline.plan import Plan, load_plan
from pipeline.plan_names import check_names
from pipeline.publish import Outputs, check_out, publish
from pipeline.raw_values import without_unreadable
from pipeline.read import SourceFile, read_export
from pipeline.result_tables import counts_table, estimates_table, set_aside_table
from pipeline.store import write_store
from reports.strategy import strategy_page

Engine = Literal["auto", "prefect", "direct"]
Part = TypeVar("Part")


@dataclass(frozen=True, slots=True)
class Request:
    """What a run was asked for. `key` is the pseudonym key when it does not come from the user's own (the demo); never shown."""

    tables: Path
    out: Path
    mapping: Path | None = None
    plan: Path | None = None
    invented: bool = False
    service: str | None = None
    key: bytes | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class Work:
    """What the steps have made so far; each step fills in its own part and none is changed."""

    request: Request
    plan: Plan = field(default_factory=Plan)
    sources: tuple[SourceFile, ...] = ()
    frames: Mapping[str, pl.DataFrame] = field(default_factory=dict)
    accepted: Accepted | None = None
    derived: Derived | None = None
    estimates: Estimates | None = None
    edition: Edition | None = None
    page: str = ""
    seconds: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Step:
    """One step: `sentence` is what the terminal says while it works."""

    name: str
    sentence: str
    run: Callable[[Work], Work]


@dataclass(frozen=True, slots=True)
class Results:
    """What `analyze` gives: polars frames with the columns of the files under results/, and the Edition behind them."""

    estimates: pl.DataFrame
    counts: pl.DataFrame
    set_aside: pl.DataFrame
    lesions: pl.DataFrame = field(repr=False)
    edition: Edition = field(repr=False)


def _read(work: Work) -> Work:
    request = work.request
    plan = load_plan(request.plan)
    check_names(plan)
    if request.service is not None:
        plan = plan.model_copy(update={"service": request.service})
    export = read_export(request.tables, load_mapping(request.mapping))
    key = request.key if request.key is not None else load_key()
    return replace(work, plan=plan, sources=export.sources, frames=pseudonymize(export.frames, key))


def _check(work: Work) -> Work:
    return replace(work, accepted=check(work.frames))


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
        _data_hash(work.sources),
        invented=work.request.invented,
    )
    return replace(work, edition=edition)


def _draw(work: Work) -> Work:
    return replace(work, page=strategy_page(_made(work.edition)))


def _publish(work: Work) -> Work:
    accepted, edition = _made(work.accepted), _made(work.edition)
    results = _results(work)
    publish(
        work.request.out,
        Outputs(
            pages={"strategy.html": work.page},
            tables={"estimates": results.estimates, "counts": results.counts, "set_aside": results.set_aside},
            schemas={
                # What cannot be read as its column's type may be anything, a name too: it is not kept.
                "raw": without_unreadable(work.frames),
                "checked": accepted.frames,
                "derived": {"lesions": results.lesions, "attempts": _made(work.derived).attempts},
            },
            edition=edition,
            plan=work.plan,
            sources=work.sources,
            seconds=work.seconds,
        ),
        write_store,
    )
    return work


STEPS: tuple[Step, ...] = (
    Step("read", "Reading the case tables", _read),
    Step("check", "Checking every row", _check),
    Step("derive", "Deriving lesion features", _derive),
    Step("estimate", "Comparing the approaches", _estimate),
    Step("compose", "Putting the edition together", _compose),
    Step("draw", "Drawing the report", _draw),
    Step("publish", "Writing the outputs", _publish),
)


def analyze(tables: Mapping[str, pl.DataFrame], plan: Plan | None = None, *, key: bytes | None = None) -> Results:
    """The same analysis in process: no files, no server.

    `tables`: polars frames in the dictionary's layout, by table name, as text (`read_tables`) or already typed. Keys become
    pseudonyms under `key`, or under one made for this call. Raises NeedsMending when the tables cannot be used.
    """
    for name, frame in tables.items():
        if not isinstance(frame, pl.DataFrame):
            raise NeedsMending(f"{name}: not a polars DataFrame; collect it or make one of it")
    frames = pseudonymize(dict(tables), key if key is not None else os.urandom(32))
    work = Work(Request(Path(), Path()), plan=plan or Plan(), frames=frames)
    for step in STEPS[1:5]:
        work = step.run(work)
    return _results(work)


def run(request: Request, *, engine: Engine = "auto", tell: Callable[[str], None] = lambda _line: None) -> Work:
    """Every step in order, to the files under `request.out`, which is made if absent. `tell` is called with a line as each step begins.

    `prefect` runs the steps as tasks of a Prefect flow, `direct` runs them in process, `auto` takes Prefect when a server is
    configured (PREFECT_API_URL). A failure leaves the last good outputs as they were.
    """
    check_out(request.out)
    if engine == "prefect" or (engine == "auto" and prefect_server() is not None):
        tell(
            "Running as a Prefect flow"
            + ("" if prefect_server() else " (no server configured: a temporary one starts)")
        )
        return _run_in_prefect(request, tell)
    if engine == "auto":
        tell("Running in process: no Prefect server is configured")
    work = Work(request)
    for step in STEPS:
        work = _timed(step, work, tell)
    return work


def prefect_server() -> str | None:
    """The address of the configured Prefect server, or None; found without importing Prefect."""
    return os.environ.get("PREFECT_API_URL") or None


def _timed(step: Step, work: Work, tell: Callable[[str], None]) -> Work:
    tell(step.sentence)
    start = time.perf_counter()
    done = step.run(work)
    return replace(done, seconds=(*work.seconds, (step.name, time.perf_counter() - start)))


def _run_in_prefect(request: Request, tell: Callable[[str], None]) -> Work:
    start = time.perf_counter()
    # Set before the import, which reads them: no telemetry, a start-up limit that a slow disk can meet, its records kept inside
    # the run's private folder.
    home = request.out / ".prefect"
    if "PREFECT_HOME" not in os.environ and prefect_server() is None:
        home.mkdir(parents=True, exist_ok=True, mode=0o700)
        os.environ["PREFECT_HOME"] = str(home.resolve())
    os.environ.setdefault("PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS", "180")
    os.environ.update(
        DO_NOT_TRACK="1",
        PREFECT_SERVER_ANALYTICS_ENABLED="false",
        PREFECT_SERVER_UI_V2_ENABLED="false",
        PREFECT_RESULTS_PERSIST_BY_DEFAULT="false",
        PREFECT_LOGGING_LEVEL=os.environ.get("PREFECT_LOGGING_LEVEL", "CRITICAL"),
    )
    from prefect import flow, task
    from prefect.cache_policies import NO_CACHE

    began: list[float] = []
    finished: list[Work] = []
    failed: list[Exception] = []

    def stepping(step: Step, work: Work) -> Work:
        # Prefect keeps the text of an exception, and that of an unforeseen one may hold a patient's value: it gets the step's name only.
        try:
            return _timed(step, work, tell)
        except Exception as fault:
            failed.append(fault)
            raise RuntimeError(f"the step {step.name} did not finish") from None

    # Parameters of a flow are kept in Prefect's records: none are given, so no path or name of the site gets there.
    @flow(name="crosswise", persist_result=False, log_prints=False)
    def crosswise() -> None:
        began.append(time.perf_counter())
        work = Work(request)
        for step in STEPS:
            one = task(name=step.name, persist_result=False, cache_policy=NO_CACHE, log_prints=False)(stepping)
            if step.name == "publish":
                work = replace(work, seconds=(("prefect start", began[0] - start), *work.seconds))
            work = one(step, work)
        finished.append(work)

    try:
        crosswise()
    except (
        Exception
    ):  # told apart below: a step's own fault, one of Prefect's after its start, or a server that is not there
        if failed:
            raise failed[0] from None
        if began:
            raise
        server = prefect_server()
        raise NeedsMending(
            f"no Prefect server answers at {server}: start it, unset PREFECT_API_URL, or use --engine direct"
            if server
            else "Prefect's temporary server did not start: try again, or use --engine direct"
        ) from None
    return finished[0]


def _results(work: Work) -> Results:
    accepted, edition = _made(work.accepted), _made(work.edition)
    return Results(
        estimates_table(edition),
        counts_table(edition),
        set_aside_table(accepted),
        _made(work.derived).lesions,
        edition,
    )


def _data_hash(sources: tuple[SourceFile, ...]) -> str:
    """SHA-256 over the table names and their files' hashes; of nothing for tables handed over in memory."""
    return (
        hashlib.sha256("\n".join(sorted(f"{s.table} {s.sha256}" for s in sources)).encode()).hexdigest()
        if sources
        else ""
    )


def _made(part: Part | None) -> Part:
    if part is None:
        raise RuntimeError("a step was run before the one that it needs")
    return part
