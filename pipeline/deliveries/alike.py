"""Whether an export speaks of the same patients as the delivery before, or of others that happen to have the same keys.

Running numbers are keys in many services: there a second service's export would replace the first one's, row by row, without a question.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import polars as pl

from pipeline.case_tables import table
from pipeline.deliveries.history import held_at
from pipeline.faults import NeedsMending
from pipeline.store import quoted, reading
from pipeline.table_rows import TableRows

# What stays as it is in a row that is corrected, as a rule.
LASTING: Mapping[str, tuple[str, ...]] = {
    "patients": ("birth_year", "sex"),
    "procedures": ("procedure_date", "side"),
}
FEWEST_COMPARED = 5  # with fewer rows in common nothing can be said
FEWEST_ALIKE = (
    0.1  # strangers share year of birth and sex in some 2 of 100 pairs (40 years, two sexes), day and side in fewer
)


def count_alike(path: Path, number: int, export: Mapping[str, TableRows]) -> dict[str, tuple[int, int]]:
    """For each table of LASTING: keys in use in delivery `number` that stand in `export` with these values known in both, and how many
    of them have the same values in both."""
    found = {}
    with reading(path) as connection:
        for name, columns in LASTING.items():
            key = table(name).key
            now = export[name].rows.select(pl.col(key).alias("number"), *columns).drop_nulls()
            now = now.with_columns(pl.col(column).cast(pl.String) for column in columns).unique("number", keep="first")
            connection.register("delivered", now)
            # Compared as text, which dates, whole numbers and codes have alike in both.
            same = " AND ".join(f"d.{quoted(c)} = h.{quoted(c)}::VARCHAR" for c in columns)
            known = " AND ".join(f"h.{quoted(c)} IS NOT NULL" for c in columns)
            compared, alike = connection.sql(
                f"SELECT count(*), count(*) FILTER ({same}) FROM history.{name} h "
                f"JOIN delivered d ON d.number = ('0x' || right(h.{quoted(key)}, 16))::UBIGINT "
                f"WHERE {held_at(number)} AND {known}"
            ).fetchall()[0]
            connection.unregister("delivered")
            found[name] = (compared, alike)
    return found


def refuse_strangers(counts: Mapping[str, Sequence[int]], *, place: str, last: int) -> None:
    """Raise NeedsMending when hardly any row in common says the same: in patients and in procedures, so that a column that was
    corrected in every row is not taken for it. `counts` as from `count_alike`."""
    if all(compared >= FEWEST_COMPARED and alike < FEWEST_ALIKE * compared for compared, alike in counts.values()):
        told = ", ".join(
            f"{alike:,} of {compared:,} {name} have the same {' and '.join(LASTING[name])}"
            for name, (compared, alike) in counts.items()
        )
        raise NeedsMending(
            f"{place}: this looks like another service's export under the same keys as delivery {last} ({told}); choose another --out"
        )
