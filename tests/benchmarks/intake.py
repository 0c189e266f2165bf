"""`python -m tests.benchmarks.intake`: intake of a broken export beside the floor's reading and joining of the sound one.

Both are whole processes, measured in turns. Intake reads, guards, puts under pseudonyms, types and checks every row of six tables of which
one line in a hundred is broken; the floor reads the sound ones, as it would stop at the first broken line, and joins them.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from tests.benchmarks.__main__ import ATTEMPTS_A_LESION, SEED, machine, put_between
from tests.benchmarks.broken import break_tables
from tests.benchmarks.children import Cost, measure, middle

HERE = Path(__file__).parent
MOST_INVENTED = 1_000_000  # attempts invented at once; larger exports are copies of these under other keys
KEYS = ("patient_id", "procedure_id", "lesion_id", "attempt_id", "complication_id", "follow_up_id")


@dataclass(frozen=True, slots=True)
class Measured:
    """One size: rows read of all tables, the floor's cost (None where it was not run), intake's, and the ratios of the two."""

    attempts: int
    rows: int
    floor: Cost | None
    intake: Cost
    wall_ratio: float | None
    memory_ratio: float | None


def sound_tables(folder: Path, attempts: int) -> Path:
    """An invented service's tables of about so many attempts."""
    copies = max(1, round(attempts / MOST_INVENTED))
    tables, once = folder / f"sound-{attempts}", folder / f"once-{attempts}"
    cases = str(round(attempts / copies / ATTEMPTS_A_LESION))
    words = ("-m", "pipeline", "synthesize", "--cases", cases, "--seed", str(SEED), "--out", str(once))
    subprocess.run((sys.executable, *words), check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    tables.mkdir()
    for path in sorted(once.glob("*.csv")):
        with path.open(encoding="utf-8") as lines, (tables / path.name).open("w", encoding="utf-8") as out:
            header = next(lines)
            out.write(header)
            keys = [i for i, name in enumerate(header.rstrip("\n").split(",")) if name in KEYS]
            start = len(header.encode())
            for copy in range(copies):
                lines.seek(start)
                for line in lines:
                    out.write(line if copies == 1 else _under_other_keys(line, keys, copy))
    return tables


def _under_other_keys(line: str, keys: list[int], copy: int) -> str:
    fields = line.split(",")
    for i in keys:
        if fields[i].strip():
            fields[i] = f"{copy}-{fields[i]}"
    return ",".join(fields)


def measured(folder: Path, attempts: int, repeats: int, limit: float, *, with_floor: bool) -> Measured:
    """Floor and intake in turns."""
    sound = sound_tables(folder, attempts)
    broken = folder / f"broken-{attempts}"
    break_tables(sound, broken, seed=SEED)
    until = time.monotonic() + limit
    floors: list[Cost] = []
    intakes: list[Cost] = []
    rows = 0
    for _ in range(repeats):
        if with_floor:
            floors.append(_cost(until, folder, sys.executable, str(HERE / "floor_intake.py"), str(sound)))
        out = folder / "rows.json"
        intakes.append(
            _cost(until, folder, sys.executable, "-m", "tests.benchmarks.intake_child", str(broken), str(out))
        )
        told = json.loads(out.read_text(encoding="utf-8"))["rows"]
        rows = sum(read for read, _, _ in told.values())
        if any(read != used + aside for read, used, aside in told.values()):
            raise RuntimeError("rows read are not rows used and rows set aside")
    pairs = list(zip(intakes, floors, strict=True)) if with_floor else []
    return Measured(
        attempts,
        rows,
        middle(floors) if with_floor else None,
        middle(intakes),
        median(one.wall / floor.wall for one, floor in pairs) if pairs else None,
        median(one.peak_mb / floor.peak_mb for one, floor in pairs) if pairs else None,
    )


def _cost(until: float, folder: Path, *command: str) -> Cost:
    return measure(command, folder, max(1.0, until - time.monotonic()))


def report(sizes: list[Measured], repeats: int) -> str:
    """The figures as markdown."""
    lines = [
        machine(),
        "",
        f"Medians of {repeats}; ratios are medians of ratios, intake to floor, each measured one after the other.",
        "",
        "| what | attempts | rows of six tables | wall, s | CPU, s | peak memory, MB | wall to floor | memory to floor |",
        "|---|---:|---:|---:|---:|---:|---:|---:|",
    ]
    for one in sizes:
        size = f"{one.attempts:,} | {one.rows:,}"
        if one.floor is not None:
            lines.append(f"| floor: read and join | {size} | {_figures(one.floor)} | 1 | 1 |")
        ratios = "" if one.wall_ratio is None else f"{one.wall_ratio:.1f}"
        memory = "" if one.memory_ratio is None else f"{one.memory_ratio:.1f}"
        lines.append(
            f"| intake, one line in a hundred broken | {size} | {_figures(one.intake)} | {ratios} | {memory} |"
        )
    return "\n".join(lines) + "\n"


def _figures(cost: Cost) -> str:
    return f"{cost.wall:.1f} | {cost.cpu:.1f} | {cost.peak_mb:,.0f}"


def main() -> None:
    """Measure, print, and refresh the page when one is given."""
    asked = argparse.ArgumentParser(prog="python -m tests.benchmarks.intake", description=__doc__)
    asked.add_argument("--attempts", type=int, nargs="+", default=[1_000_000], help="attempts of each export")
    asked.add_argument("--floor-up-to", type=int, default=1_000_000, help="largest size at which the floor is run too")
    asked.add_argument("--repeats", type=int, default=3, help="times that each is measured; medians are shown")
    asked.add_argument("--limit", type=float, default=1800, help="seconds after which a size is given up")
    asked.add_argument("--write", type=Path, help="a page between whose marks the figures are put as well")
    given = asked.parse_args()
    sizes: list[Measured] = []
    for attempts in sorted(given.attempts):
        with tempfile.TemporaryDirectory() as folder:
            try:
                sizes.append(
                    measured(
                        Path(folder), attempts, given.repeats, given.limit, with_floor=attempts <= given.floor_up_to
                    )
                )
            except (TimeoutError, RuntimeError) as fault:
                sys.exit(f"benchmarks: {fault}")
    text = report(sizes, given.repeats)
    print(text)
    if given.write is not None:
        put_between(given.write, "intake figures", text)


if __name__ == "__main__":
    main()
