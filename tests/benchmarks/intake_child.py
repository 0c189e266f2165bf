"""Intake alone, as a process of its own: every table read, guarded, put under pseudonyms, typed and checked.

usage: python -m tests.benchmarks.intake_child TABLES [OUT.json]
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path


def main() -> None:
    """Takes in the folder and prints what became of the rows, and the seconds of each part, as JSON."""
    from pipeline.check import check
    from pipeline.mapping import load_mapping
    from pipeline.read import take_in

    start = time.perf_counter()
    intake = take_in(Path(sys.argv[1]), load_mapping(None), b"a key for benchmarks only")
    read = time.perf_counter()
    accepted = check(intake.tables)
    checked = time.perf_counter()
    told = {
        "rows": {c.table: [c.read, c.used, c.set_aside] for c in accepted.counts},
        "seconds": {"read": read - start, "check": checked - read},
    }
    print(json.dumps(told))
    if len(sys.argv) > 2:
        Path(sys.argv[2]).write_text(json.dumps(told), encoding="utf-8")


if __name__ == "__main__":
    main()
