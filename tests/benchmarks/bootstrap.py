"""`python -m tests.benchmarks.bootstrap`: a thousand replicates of the cluster bootstrap as a multiple of one fit, and beside another program.

With `--peer SCRIPT` the same invented service is also given to `Rscript SCRIPT TABLES DRAWS`, one after the other with ours. The script must print one line that
holds `rd=`, `glm=`, `boot=`, `peak=` and `(B=...)`: the overlap-weighted risk difference, seconds of one fit of the score, seconds of DRAWS replicates that refit it,
megabytes, and DRAWS. Without the option nothing but Python is run. Imports nothing heavy: see `tests.benchmarks`.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median

from tests.benchmarks.children import SETTINGS, measure

SEED = 20260101
TERMS = 25
LIMIT = 3600.0
CHILD = "tests.benchmarks.bootstrap_child"


def ours(folder: Path, *words: str) -> dict[str, float]:
    """What the child says of itself, with its peak memory."""
    told = folder / "told.json"
    cost = measure([sys.executable, "-m", CHILD, str(told), *words], folder, LIMIT)
    return json.loads(told.read_text(encoding="utf-8")) | {"peak_mb": cost.peak_mb}


def theirs(script: Path, tables: Path, draws: int) -> dict[str, float]:
    """The figures in the script's line."""
    said = subprocess.run(
        ["Rscript", str(script), str(tables), str(draws)],
        env=os.environ | SETTINGS,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    found = dict(re.findall(r"\b(\w+)=(-?[\d.]+)", said))
    return {name: float(found[name]) for name in ("rd", "glm", "boot", "peak", "B")}


def invented(folder: Path, lesions: int, draws: int, repeats: int) -> list[str]:
    """Lines on arrays invented in memory, `TERMS` terms, in a process of its own each time."""
    lines = [
        f"{lesions:,} lesions x {TERMS} terms, {draws:,} replicates; medians of {repeats}.",
        "",
        "| what | one fit of the score, s | replicates, s | as many fits | peak memory, MB | above a process that only fits, MB |",
        "|---|---:|---:|---:|---:|---:|",
    ]
    for what, words in (
        ("overlap population, one outcome", ["overlap"]),
        ("overlap, all and treated populations, two outcomes", ["overlap", "all", "treated"]),
    ):
        runs = [ours(folder, "invented", str(lesions), str(TERMS), str(draws), *words) for _ in range(repeats)]
        plain = [ours(folder, "invented", str(lesions), str(TERMS), "0", *words) for _ in range(repeats)]
        fit, boot, peak = (median(run[key] for run in runs) for key in ("fit", "boot", "peak_mb"))
        times = median(run["boot"] / run["fit"] for run in runs)
        more = peak - median(run["peak_mb"] for run in plain)
        lines.append(f"| {what} | {fit:.3f} | {boot:.2f} | {times:.1f} | {peak:.0f} | {more:.0f} |")
    return lines


def beside(folder: Path, script: Path, lesions: int, draws: int, peer_draws: int, repeats: int) -> list[str]:
    """Lines on the six case tables of an invented service, ours and the script's in turns."""
    tables = folder / "tables"
    words = ["synthesize", "--cases", str(lesions), "--seed", str(SEED), "--out", str(tables)]
    measure([sys.executable, "-m", "pipeline", *words], folder, LIMIT)
    measure([sys.executable, "-m", CHILD, str(folder / "told.json"), "fill", str(tables)], folder, LIMIT)
    runs, peers = [], []
    for _ in range(repeats):
        runs.append(ours(folder, "tables", str(tables), str(draws)))
        peers.append(theirs(script, tables, peer_draws))
    one, other = runs[0], peers[0]
    if abs(one["rd"] - other["rd"]) > 1e-5:
        raise RuntimeError(f"not the same comparison: {one['rd']} here and {other['rd']} there")
    ratio = median(peer["boot"] / peer["B"] * draws / run["boot"] for run, peer in zip(runs, peers, strict=True))
    return [
        f"The same comparison of {lesions:,} lesions from the case tables, {one['terms']:.0f} terms (both give {one['rd']:.5f}); medians of {repeats}.",
        f"The script's replicates are its {peer_draws} scaled to {draws:,}.",
        "",
        "| what | one fit of the score, s | replicates, s | as many of its own fits | peak memory, MB |",
        "|---|---:|---:|---:|---:|",
        _line("ours", [(r["fit"], r["boot"], r["peak_mb"]) for r in runs]),
        _line(script.name, [(p["glm"], p["boot"] / p["B"] * draws, p["peak"]) for p in peers]),
        "",
        f"Ratio of the replicates' seconds, script to ours: {ratio:,.0f}.",
    ]


def _line(what: str, figures: list[tuple[float, float, float]]) -> str:
    fit, boot, peak = (median(column) for column in zip(*figures, strict=True))
    return f"| {what} | {fit:.3f} | {boot:,.1f} | {boot / fit:,.0f} | {peak:.0f} |"


def main() -> None:
    """Print the figures as markdown."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.bootstrap")
    parser.add_argument("--lesions", type=int, default=100_000)
    parser.add_argument("--draws", type=int, default=1_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--peer", type=Path, help="an R script to run on the same tables; see above what it must print")
    parser.add_argument("--peer-draws", type=int, default=5)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        print("\n".join(invented(folder, asked.lesions, asked.draws, asked.repeats)))
        if asked.peer is not None:
            print(
                "\n"
                + "\n".join(beside(folder, asked.peer, asked.lesions, asked.draws, asked.peer_draws, asked.repeats))
            )


if __name__ == "__main__":
    main()
