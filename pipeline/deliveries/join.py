"""The join step: an export is laid on the rows of the delivery before, and rows that are not in it are kept or dropped as the plan says."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import polars as pl

from pipeline.case_tables import TABLES, table
from pipeline.deliveries.history import NO_LESIONS, Delivery, Missing
from pipeline.faults import NeedsMending
from pipeline.identity import key_text
from pipeline.read import SourceFile
from pipeline.table_rows import TableRows
from pipeline.typed_values import joined as end_to_end

WithdrawnRows = Literal["ask", "keep", "drop"]
WITHDRAWN_SCHEMA = {"table_name": pl.String, "key": pl.String, "what": pl.String}


@dataclass(frozen=True, slots=True)
class Joined:
    """The rows that are checked: those of the export, and those kept of the delivery before (numbered below zero).

    `withdrawn`: keys, by table, of rows of the delivery before that are not in the export. `withdrawn_rows`: what became of them, None
    when there are none. `in_doubt`: keys of lesions of which an attempt without a key was delivered earlier, and that are kept.
    """

    tables: Mapping[str, TableRows] = field(repr=False)
    withdrawn: Mapping[str, pl.Series] = field(default_factory=dict, repr=False)
    withdrawn_rows: Literal["keep", "drop"] | None = None
    in_doubt: pl.Series = field(default_factory=lambda: NO_LESIONS, repr=False)

    def withdrawn_list(self) -> pl.DataFrame:
        """Every withdrawn row: table, key as it is written, and whether it was kept or dropped."""
        what = "dropped" if self.withdrawn_rows == "drop" else "kept"
        parts = [
            pl.DataFrame({"key": key_text(one.key, self.withdrawn[one.name])}).select(
                pl.lit(one.name).alias("table_name"), "key", pl.lit(what).alias("what")
            )
            for one in TABLES
            if one.name in self.withdrawn
        ]
        return pl.concat([pl.DataFrame(schema=WITHDRAWN_SCHEMA), *parts])


def join(
    export: Mapping[str, TableRows], missing: Missing | None, withdrawn_rows: WithdrawnRows, *, place: str, last: int
) -> Joined:
    """The export laid on delivery `last`, of which it does not hold the rows in `missing`; None when there is no such delivery.

    A row of the export takes the place of all earlier ones with its key. Raises NeedsMending when rows are missing and the plan does
    not say what that means, or when the export has nothing in common with the delivery. `place` is the folder of the outputs.

    An attempt without a key cannot be kept, as nobody could tell whether it is there again. But where rows are kept its lesion stays in
    doubt until an attempt on it is delivered again: else a crossing that got lost with the key would count as a failure.
    """
    keeps_doubts = withdrawn_rows == "keep" and missing is not None and len(missing.in_doubt) > 0
    if missing is None or not (missing.rows or keeps_doubts):
        return Joined(export)
    told = ", ".join(
        f"{len(keys):,} of {missing.known[name]:,} {name}" for name, keys in missing.keys.items() if len(keys)
    )
    nothing_in_common = 0 < missing.rows == sum(missing.known.values())
    if nothing_in_common and withdrawn_rows != "keep":
        raise NeedsMending(
            f"{place}: no row of delivery {last} is in this export ({told}), as if it were another service's: choose another --out; "
            'only if it holds nothing but new rows of the same service, write withdrawn_rows = "keep" in the plan'
        )
    if withdrawn_rows == "ask":
        raise NeedsMending(
            f"{place}: rows of delivery {last} are not in this export ({told}): write in the plan withdrawn_rows = "
            '"keep" if an export holds only what is new, or "drop" if each export is the whole history'
        )
    if withdrawn_rows == "drop":
        return Joined(export, missing.keys, "drop")
    tables = {
        name: in_key_order(name, end_to_end([rows, missing.tables[name]])) if missing.tables[name].read else rows
        for name, rows in export.items()
    }
    return Joined(tables, missing.keys, "keep", missing.in_doubt)


def in_key_order(name: str, rows: TableRows) -> TableRows:
    """The rows of the named table in order of their keys: what is made of them depends neither on how an export was sorted nor on how
    the rows came, at once or in several deliveries."""
    return replace(rows, rows=rows.rows.sort(table(name).key, maintain_order=True))


def laid_on(deliveries: Sequence[Delivery], files_sha256: str, *, place: str) -> int:
    """The number of the delivery that an export of these files is laid on; 0 for none.

    That is the latest, except for the latest's own files: these take the place of what they gave when they were last read, so that a
    mapping that was mended makes no row look withdrawn. Raises NeedsMending for the files of an earlier delivery.
    """
    if not deliveries:
        return 0
    last = deliveries[-1]
    if last.files_sha256 == files_sha256:
        return last.laid_on
    for delivery in deliveries:
        if delivery.files_sha256 == files_sha256:
            raise NeedsMending(
                f"{place}: this is the export of delivery {delivery.number}, and delivery {last.number} came after it; its report is "
                f"rebuilt by --as-of {delivery.number}; to go on from it, give a copy of that folder to --out"
            )
    return last.number


def files_sha256(sources: Iterable[SourceFile]) -> str:
    """SHA-256 over the names of the tables and the hashes of their files."""
    return _sha256(sorted(f"{source.table} {source.sha256}" for source in sources))


def data_sha256(before: str, files: str, mapping: str, withdrawn_rows: str | None) -> str:
    """SHA-256 over all that a delivery's rows came from: its files and mapping, and what it was laid on (`before`; "" for nothing)."""
    if not (before or mapping):
        return files
    return _sha256([before, files, mapping, withdrawn_rows or ""])


def _sha256(lines: Sequence[str]) -> str:
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()
