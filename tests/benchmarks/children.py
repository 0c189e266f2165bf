"""One whole process, timed from outside: wall and CPU seconds and peak memory, as the system accounts for it when the process ends."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

# One thread for linear algebra in both children: with as many as the machine has, two processes on a busy machine measure
# each other's waiting. polars keeps its own threads. The pseudonym key is kept away from the user's.
SETTINGS = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


@dataclass(frozen=True, slots=True)
class Cost:
    """Seconds by the wall clock and by the processors, and peak resident memory in MB, of a process and those it waited for."""

    wall: float
    cpu: float
    peak_mb: float


def middle(costs: Sequence[Cost]) -> Cost:
    """The median of each figure by itself."""
    return Cost(
        median(one.wall for one in costs), median(one.cpu for one in costs), median(one.peak_mb for one in costs)
    )


def measure(command: Sequence[str], home: Path, limit: float) -> Cost:
    """Run `command` to its end and account for it; stopped after `limit` seconds.

    Raises TimeoutError at the limit, RuntimeError with the last lines it wrote when the process fails.
    """
    environment = os.environ | SETTINGS | {"XDG_CONFIG_HOME": str(home), "PREFECT_HOME": str(home / "prefect")}
    with tempfile.TemporaryFile("w+") as said:
        start = time.perf_counter()
        child = subprocess.Popen(command, env=environment, stdout=said, stderr=subprocess.STDOUT)
        while True:
            ended, status, usage = os.wait4(child.pid, os.WNOHANG)
            if ended:
                break
            if time.perf_counter() - start > limit:
                child.kill()
                child.wait()
                raise TimeoutError(f"stopped after {limit:.0f} s: {' '.join(command)}")
            time.sleep(0.01)
        wall = time.perf_counter() - start
        child.returncode = os.waitstatus_to_exitcode(status)
        if child.returncode:
            said.seek(0)
            raise RuntimeError(f"{' '.join(command)} left with {child.returncode}:\n{said.read()[-2000:]}")
    unit = 1 << 20 if sys.platform == "darwin" else 1 << 10  # ru_maxrss counts bytes on macOS, kilobytes elsewhere
    return Cost(wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / unit)
