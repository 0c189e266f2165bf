"""The whole validation in two processes: every scenario's services, and the services that look each quarter."""

from __future__ import annotations

import os
import platform
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from multiprocessing import get_context

from models.adjustment_results import SimulationLine
from tests.validation.cases import CASES, Case
from tests.validation.figures import Figures, lines_of
from tests.validation.one_service import PLAN, PLAN_WITH_LEARNERS, PRIMARY, UNGATED, WIDENED, Scored, scored
from tests.validation.quarters import history, looks_lines

SERVICES = 200
LOOKS_SERVICES = 300
PROCESSES = 2
COMMAND = "make validate"
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "POLARS_MAX_THREADS")


def made(services: int, looks: int, tell: Callable[[str], None] = print, cases: Sequence[Case] = CASES) -> Figures:
    """The whole validation over so many services; seeds 1, 2, ... for each scenario, and for the looks."""
    began, commit = time.monotonic(), _commit()
    lines: list[SimulationLine] = []
    # Spawned, not forked: the frame library keeps threads that a fork would leave locked. One thread each: two processes fill two cores.
    with one_thread_each(), ProcessPoolExecutor(PROCESSES, mp_context=get_context("spawn")) as pool:
        for case in cases:
            answers = list(pool.map(partial(_one, case), range(1, services + 1), chunksize=2))
            found = list(lines_of(case.name, case.lesions, [one for each in answers for one in each]))
            lines += found
            tell(_progress(case, found, time.monotonic() - began))
        histories = list(pool.map(history, range(1, looks + 1), chunksize=2)) if looks else []
    over_time = looks_lines(histories) if histories else []
    for one in over_time:
        tell(f"looks, {one.method}: a claim in {100 * one.ever:.1f} % of {one.services} services")
    return Figures(
        datetime.now(UTC).date().isoformat(),
        commit,
        COMMAND,
        f"{platform.system()}, {os.cpu_count()} cores, Python {platform.python_version()}",
        round((time.monotonic() - began) / 60, 1),
        tuple(one for one in lines if one.method not in (UNGATED, WIDENED)),
        tuple(one for one in lines if one.method == UNGATED),
        tuple(one for one in lines if one.method == WIDENED),
        tuple(over_time),
    )


def _one(case: Case, seed: int) -> list[Scored]:
    plan = PLAN_WITH_LEARNERS if seed <= case.learned else PLAN
    return scored(case.scenario, case.lesions, seed, plan)


@contextmanager
def one_thread_each() -> Iterator[None]:
    """Processes that start within it have one thread for linear algebra and one for frames."""
    before = {name: os.environ.get(name) for name in THREADS}
    os.environ.update(dict.fromkeys(THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _progress(case: Case, lines: Sequence[SimulationLine], seconds: float) -> str:
    told = [one for one in lines if one.method in (PRIMARY, UNGATED, WIDENED)]
    parts = [
        f"{one.method}, {one.endpoint}: bias {100 * one.bias:+.2f} ({100 * one.bias_error:.2f}), coverage {100 * one.coverage:.1f} %, withheld {one.withheld}"
        for one in told
    ]
    return "\n  ".join([f"{seconds / 60:5.1f} min  {case.name}, {case.lesions:,} lesions", *parts])


def _commit() -> str:
    found = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False)
    return found.stdout.strip() or "unknown"
