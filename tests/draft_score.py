"""How well drafts do on the clerks' exports: `python -m tests.draft_score` prints the table by which a change of words is judged."""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

from pipeline.draft import Draft, draft_export
from pipeline.reading.source import fold
from synthetic_data.service import invent
from tests import clerks
from tests.clerks import Clerk

LESIONS, SEED = 300, 5


def columns(draft: Draft, by: Clerk) -> Counter[str]:
    """Of the columns that the clerk exports: right by how sure, wrong by how sure, and missed."""
    true = {(table, ours): theirs for table, headers in by.headers.items() for ours, theirs in headers.items()}
    found = {(table.table.name, line.column.name): line for table in draft.tables for line in table.columns}
    scores = Counter(
        f"{'right' if true.get(place) == line.header else 'wrong'} {line.confidence}" for place, line in found.items()
    )
    scores["missed"] = len(true.keys() - found.keys())
    return scores


def codes(draft: Draft, by: Clerk) -> Counter[str]:
    """Of the codes that differ from ours: right and wrong by how sure, left open, numbers (all left open), and not shown."""
    scores: Counter[str] = Counter()
    for table in draft.tables:
        for name, found in table.codes.items():
            true = {fold(theirs): ours for ours, theirs in by.codes_of(table.table.column(name)).items()}
            scores["not shown"] += found.unshown
            for line in found.lines:
                if line.ours is None:
                    scores["numbers" if line.theirs.isdigit() else "open"] += 1
                else:
                    right = true.get(fold(line.theirs)) == line.ours
                    scores[f"{'right' if right else 'wrong'} {line.confidence}"] += 1
    return scores


def main() -> None:
    """Prints both counts for each clerk."""
    tables = invent(LESIONS, SEED).tables
    sure = ("certain", "likely", "guess")
    heads = [*(f"right {one}" for one in sure), *(f"wrong {one}" for one in sure)]
    print(
        "| clerk | columns: "
        + " | ".join([*heads, "missed"])
        + " | codes: "
        + " | ".join([*heads, "open", "numbers", "not shown"])
        + " |"
    )
    for name in sys.argv[1:] or clerks.NAMES:
        by = clerks.clerk(name)
        with tempfile.TemporaryDirectory() as folder:
            draft = draft_export(clerks.write(by, tables, Path(folder)))
        first, second = columns(draft, by), codes(draft, by)
        cells = [str(first[head]) for head in (*heads, "missed")]
        cells += [str(second[head]) for head in (*heads, "open", "numbers", "not shown")]
        print(f"| {name} | " + " | ".join(cells) + " |")


if __name__ == "__main__":
    main()
