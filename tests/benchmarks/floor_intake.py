"""The floor of intake: the six tables read as CSV with dates told from text, and joined into one row a lesion. Nothing is checked.

usage: python tests/benchmarks/floor_intake.py TABLES
"""

from __future__ import annotations

import sys
from pathlib import Path

import polars as pl

NAMES = ("patients", "procedures", "lesions", "attempts", "complications", "follow_up")


def read_and_join(folder: Path) -> pl.DataFrame:
    """First attempts with what is known of lesion, procedure and patient, the session's outcome and its complications."""
    t = {name: pl.read_csv(folder / f"{name}.csv", try_parse_dates=True) for name in NAMES}
    session = (
        t["attempts"]
        .group_by("lesion_id")
        .agg(session=pl.col("crossed").any(), tries=pl.len(), minutes_all=pl.col("minutes").sum())
    )
    harm = t["complications"].group_by("procedure_id").agg(harm=pl.len())
    first = t["attempts"].filter(pl.col("attempt_no") == 1).select("lesion_id", "approach", "crossed")
    return (
        first.join(t["lesions"], on="lesion_id")
        .join(t["procedures"], on="procedure_id")
        .join(t["patients"], on="patient_id")
        .join(session, on="lesion_id")
        .join(harm, on="procedure_id", how="left")
    )


if __name__ == "__main__":
    print(read_and_join(Path(sys.argv[1])).height)
