"""How the steps of a run are executed: one after the other in process, or as tasks of a Prefect flow. The only file that imports Prefect."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, Literal, TypeVar

from pipeline.faults import NeedsMending

Engine = Literal["auto", "prefect", "direct"]
Work = TypeVar("Work")


@dataclass(frozen=True, slots=True)
class Step(Generic[Work]):
    """One step: `sentence` is what the terminal says while it works."""

    name: str
    sentence: str
    run: Callable[[Work], Work]


@dataclass(frozen=True, slots=True)
class Telling(Generic[Work]):
    """Who is told what: `tell` gets a line as each step begins, `timed` gives the work with a step's seconds noted in it."""

    tell: Callable[[str], None]
    timed: Callable[[Work, str, float], Work]


def run_steps(steps: Sequence[Step[Work]], work: Work, engine: Engine, home: Path, telling: Telling[Work]) -> Work:
    """The work after every step, in order.

    `prefect` runs the steps as tasks of a Prefect flow, `direct` runs them in process, `auto` takes Prefect when a server is
    configured (PREFECT_API_URL). Records of a temporary server go under `home`, a folder that is private to the user.
    """
    if engine == "prefect" or (engine == "auto" and prefect_server() is not None):
        telling.tell(
            "Running as a Prefect flow"
            + ("" if prefect_server() else " (no server configured: a temporary one starts)")
        )
        return _run_in_prefect(steps, work, home, telling)
    if engine == "auto":
        telling.tell("Running in process: no Prefect server is configured")
    for step in steps:
        work = _run_step(step, work, telling)
    return work


def prefect_server() -> str | None:
    """The address of the configured Prefect server, or None; found without importing Prefect."""
    return os.environ.get("PREFECT_API_URL") or None


def _run_step(step: Step[Work], work: Work, telling: Telling[Work]) -> Work:
    telling.tell(step.sentence)
    start = time.perf_counter()
    done = step.run(work)
    return telling.timed(done, step.name, time.perf_counter() - start)


def _run_in_prefect(steps: Sequence[Step[Work]], work: Work, home: Path, telling: Telling[Work]) -> Work:
    start = time.perf_counter()
    # Set before the import, which reads them: no telemetry, a start-up limit that a slow disk can meet, its records kept inside
    # the run's private folder.
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

    def stepping(step: Step[Work], work: Work) -> Work:
        # Prefect keeps the text of an exception, and that of an unforeseen one may hold a patient's value: it gets the step's name only.
        try:
            return _run_step(step, work, telling)
        except Exception as fault:
            failed.append(fault)
            raise RuntimeError(f"the step {step.name} did not finish") from None

    # Parameters of a flow are kept in Prefect's records: none are given, so no path or name of the site gets there.
    @flow(name="crosswise", persist_result=False, log_prints=False)
    def crosswise() -> None:
        began.append(time.perf_counter())
        now = telling.timed(work, "prefect start", began[0] - start)
        for step in steps:
            one = task(name=step.name, persist_result=False, cache_policy=NO_CACHE, log_prints=False)(stepping)
            now = one(step, now)
        finished.append(now)

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
