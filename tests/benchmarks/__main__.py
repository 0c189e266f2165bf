"""`python -m tests.benchmarks`: a run and the floor as whole processes on invented services, side by side.

Imports nothing heavy: on Linux a child's peak memory is at least what its parent held when it was started.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import re
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from itertools import pairwise
from math import log
from pathlib import Path
from statistics import median

from tests.benchmarks.children import Cost, measure, middle

HERE = Path(__file__).parent
SEED = 20260101
ATTEMPTS_A_LESION = 1.17  # of the invented service; the table tells the attempts that were read
LIBRARIES = ("polars", "duckdb", "numpy", "scipy", "altair", "vl-convert-python", "prefect")


@dataclass(frozen=True, slots=True)
class Sized:
    """What was measured at one size. `ratio` is of a run's wall seconds to the floor's just before it; `steps` seconds by step."""

    attempts: int
    floor: Cost
    run: Cost
    ratio: float
    cpu_ratio: float
    steps: dict[str, float]


@dataclass(frozen=True, slots=True)
class Flow:
    """A run through Prefect with a temporary server: `start` is the part of `cost.wall` before the first step began."""

    attempts: int
    cost: Cost
    start: float


class Bench:
    """Makes the services and measures, until `limit` seconds from now are spent."""

    def __init__(self, folder: Path, repeats: int, limit: float) -> None:
        self.folder, self.repeats = folder, repeats
        self.until = time.monotonic() + limit

    def _measure(self, *command: str) -> Cost:
        return measure(command, self.folder, max(1.0, self.until - time.monotonic()))

    def _crosswise(self, *words: str) -> Cost:
        return self._measure(sys.executable, "-m", "pipeline", *words)

    def _service(self, attempts: int) -> Path:
        tables = self.folder / f"tables-{attempts}"
        if not tables.exists():
            cases = round(attempts / ATTEMPTS_A_LESION)
            self._crosswise("synthesize", "--cases", str(cases), "--seed", str(SEED), "--out", str(tables))
        return tables

    def _run(self, tables: Path, engine: str) -> tuple[Cost, dict[str, float], int]:
        out = self.folder / f"out-{tables.name}-{engine}"
        cost = self._crosswise("run", "--tables", str(tables), "--out", str(out), "--engine", engine)
        manifest = json.loads((out / "manifest.json").read_text(encoding="utf-8"))
        read = {row["table"]: row["read"] for row in manifest["rows"]}
        return cost, manifest["seconds"], read["attempts"]

    def demo(self) -> Cost:
        """The demo, 2,000 lesions from invention to page."""
        return middle([self._crosswise("demo", "--out", str(self.folder / "demo")) for _ in range(self.repeats)])

    def sized(self, attempts: int) -> Sized:
        """Floor and run in turns, so that both meet the same machine."""
        tables = self._service(attempts)
        floors, runs, steps = [], [], []
        read = attempts
        for _ in range(self.repeats):
            page = self.folder / "floor.html"
            floors.append(self._measure(sys.executable, str(HERE / "floor.py"), str(tables), str(page)))
            cost, seconds, read = self._run(tables, "direct")
            runs.append(cost)
            steps.append(seconds)
        return Sized(
            read,
            middle(floors),
            middle(runs),
            median(run.wall / floor.wall for run, floor in zip(runs, floors, strict=True)),
            median(run.cpu / floor.cpu for run, floor in zip(runs, floors, strict=True)),
            {name: median(one[name] for one in steps) for name in steps[0]},
        )

    def flow(self, attempts: int) -> Flow:
        """Through Prefect, no server configured: a temporary one starts and stops with the run."""
        tables = self._service(attempts)
        found = [self._run(tables, "prefect") for _ in range(self.repeats)]
        return Flow(
            found[0][2],
            middle([cost for cost, _, _ in found]),
            median(seconds["prefect start"] for _, seconds, _ in found),
        )


def report(demo: Cost, sizes: list[Sized], flow: Flow | None, repeats: int) -> str:
    """The figures as markdown."""
    lines = [
        machine(),
        "",
        f"Medians of {repeats}; ratios are medians of ratios, run to floor, each measured one after the other.",
        "",
        "| what | attempts | wall, s | CPU, s | peak memory, MB | wall to floor | CPU to floor |",
        "|---|---:|---:|---:|---:|---:|---:|",
        f"| `crosswise demo` (2,000 lesions) | | {_costs(demo)} | | |",
    ]
    for one in sizes:
        lines.append(f"| floor | {one.attempts:,} | {_costs(one.floor)} | 1 | 1 |")
        lines.append(
            f"| `crosswise run` | {one.attempts:,} | {_costs(one.run)} | {one.ratio:.1f} | {one.cpu_ratio:.1f} |"
        )
    if flow is not None:
        lines.append(f"| `crosswise run --engine prefect` | {flow.attempts:,} | {_costs(flow.cost)} | | |")
        lines += [
            "",
            f"Prefect's start took {flow.start:.1f} s of that run, {flow.start / flow.cost.wall:.0%} of its wall seconds.",
        ]
    names = list(sizes[0].steps)
    lines += [
        "",
        "Seconds by step (manifest.json); the rest is the start of Python, its imports, and writing the outputs.",
        "",
        "| attempts | " + " | ".join(names) + " | the rest |",
        "|---:|" + "---:|" * (len(names) + 1),
    ]
    for one in sizes:
        rest = one.run.wall - sum(one.steps.values())
        lines.append(f"| {one.attempts:,} | " + " | ".join(f"{one.steps[n]:.2f}" for n in names) + f" | {rest:.2f} |")
    lines += ["", *growth(sizes)]
    return "\n".join(lines) + "\n"


def growth(sizes: list[Sized]) -> list[str]:
    """Growth between neighboring sizes, as the power of the size that the figure grows with: 1 is in proportion."""
    figures: dict[str, Callable[[Sized], float]] = {
        "floor, wall": lambda s: s.floor.wall,
        "run, wall": lambda s: s.run.wall,
        "run, CPU": lambda s: s.run.cpu,
        "run, memory": lambda s: s.run.peak_mb,
    }
    lines = []
    for small, large in pairwise(sizes):
        span = log(large.attempts / small.attempts)
        powers = "; ".join(f"{name} {log(of(large) / of(small)) / span:.2f}" for name, of in figures.items())
        lines.append(
            f"Growth from {small.attempts:,} to {large.attempts:,} attempts, as a power of the size: {powers}."
        )
    return lines


def machine() -> str:
    """Cores, memory and versions; never the machine's name."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    memory = ""
    if hasattr(os, "sysconf") and "SC_PHYS_PAGES" in os.sysconf_names:
        memory = f", {os.sysconf('SC_PHYS_PAGES') * os.sysconf('SC_PAGE_SIZE') / 2**30:.0f} GB of memory"
    libraries = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    return (
        f"{cores} cores{memory}, {platform.system()} on {platform.machine()}, Python {platform.python_version()}; {libraries}. "
        "One thread of linear algebra in floor and run alike."
    )


def _costs(cost: Cost) -> str:
    return f"{cost.wall:.1f} | {cost.cpu:.1f} | {cost.peak_mb:,.0f}"


def _asked() -> argparse.Namespace:
    asked = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    asked.add_argument(
        "--sizes", type=int, nargs="+", default=[10_000, 100_000], help="attempts of each invented service"
    )
    asked.add_argument("--repeats", type=int, default=3, help="times that each is measured; medians are shown")
    asked.add_argument("--prefect", action="store_true", help="measure the largest size through Prefect as well")
    asked.add_argument("--limit", type=float, default=1200, help="seconds after which the benchmark gives up")
    asked.add_argument("--write", type=Path, help="a page between whose marks the figures are put as well")
    return asked.parse_args()


def main() -> None:
    """Measure, print, and refresh the page when one is given."""
    asked = _asked()
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder), asked.repeats, asked.limit)
        try:
            demo = bench.demo()
            sizes = [bench.sized(size) for size in sorted(asked.sizes)]
            flow = bench.flow(max(asked.sizes)) if asked.prefect else None
        except (TimeoutError, RuntimeError) as fault:
            sys.exit(f"benchmarks: {fault}")
    text = report(demo, sizes, flow, asked.repeats)
    print(text)
    if asked.write is not None:
        put_between(asked.write, "figures", text)


def put_between(page: Path, what: str, text: str) -> None:
    """Put `text` between the page's marks `<!-- what -->` and `<!-- end of what -->`, in place of what is there."""
    marks = re.compile(rf"(?<=<!-- {what} -->\n).*(?=<!-- end of {what} -->)", re.DOTALL)
    written = page.read_text(encoding="utf-8")
    if not marks.search(written):
        sys.exit(f"benchmarks: {page} has no <!-- {what} --> ... <!-- end of {what} --> to fill in")
    page.write_text(marks.sub(lambda _: "\n" + text + "\n", written), encoding="utf-8")


if __name__ == "__main__":
    main()
