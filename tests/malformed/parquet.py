"""Parquet files."""

from __future__ import annotations

import polars as pl
import pyarrow as pa

from tests.malformed.built_typed_files import (
    arrow,
    cut,
    flipped,
    moments,
    parquet,
    same_table,
    with_columns,
    with_lengths,
)
from tests.malformed.case import Case, Family
from tests.malformed.changes import cell, column

PARQUET = Family(
    "Parquet files",
    (
        Case("a Parquet file", (parquet("lesions"),)),
        Case("numbers as decimals", (parquet("lesions", with_columns(length_mm=lambda c: c.cast(pl.Decimal(10, 2)))),)),
        Case("numbers as single floats", (parquet("lesions", with_columns(length_mm=lambda c: c.cast(pl.Float32))),)),
        Case("numbers as text", (parquet("lesions", with_columns(length_mm=lambda c: c.cast(pl.String))),)),
        Case("whole numbers as floats", (parquet("lesions", with_columns(fp_grade=lambda c: c.cast(pl.Float64))),)),
        Case("truth values as numbers", (parquet("lesions", with_columns(in_stent=lambda c: c.cast(pl.Int8))),)),
        Case("codes as categories", (parquet("lesions", with_columns(segment=lambda c: c.cast(pl.Categorical))),)),
        Case("text as bytes", (parquet("lesions", with_columns(segment=lambda c: c.cast(pl.Binary))),)),
        Case(
            "NaN for not recorded",
            (parquet("lesions", with_lengths({3: float("nan")})),),
            truth=(cell("lesions", 3, "length_mm", ""),),
        ),
        Case(
            "an infinite length",
            (parquet("lesions", with_lengths({3: float("inf")})),),
            blanked={"lesions": {"length_mm is not a number": (3,)}},
        ),
        Case("dates as moments", (parquet("procedures", moments(None)),)),
        Case("dates as moments in a zone two hours east", (parquet("procedures", moments("Europe/Athens")),)),
        Case(
            "dates as moments in an unknown zone",
            (
                arrow(
                    "procedures",
                    lambda t: t.set_column(
                        t.schema.get_field_index("procedure_date"),
                        "procedure_date",
                        t["procedure_date"].cast(pa.timestamp("us", "Mars/Olympus")),
                    ),
                ),
            ),
            stops=("procedures.parquet: column 'procedure_date' has a time zone that is not known",),
        ),
        Case(
            "dates as whole numbers",
            (parquet("procedures", with_columns(procedure_date=lambda c: c.cast(pl.Int32))),),
            aside={"procedures": {"procedure_date is not a date (YYYY-MM-DD)": tuple(range(2, 10))}},
        ),
        Case(
            "a date beyond any calendar",
            (
                parquet(
                    "procedures",
                    lambda f: f.with_columns(
                        pl.Series(
                            "procedure_date",
                            [
                                2_000_000_000 if n == 7 else d.toordinal() - 719163
                                for n, d in enumerate(f["procedure_date"])
                            ],
                            dtype=pl.Int32,
                        ).cast(pl.Date)
                    ),
                ),
            ),
            aside={"procedures": {"procedure_date is not a date (YYYY-MM-DD)": (9,)}},
        ),
        Case(
            "a length of time where minutes are asked for",
            (parquet("procedures", with_columns(duration_min=lambda c: (c * 60_000_000).cast(pl.Duration("us")))),),
            blanked={"procedures": {"duration_min is not a number": tuple(range(2, 10))}},
        ),
        Case(
            "a list where a code is asked for",
            (parquet("lesions", with_columns(proximal_cap=lambda c: c.implode().over("lesion_id"))),),
            blanked={"lesions": {"proximal_cap is not one of its codes": tuple(range(2, 11))}},
        ),
        Case(
            "a column of nothing",
            (parquet("lesions", lambda f: f.with_columns(pl.lit(None).alias("length_mm"))),),
            truth=(column("lesions", "length_mm", ""),),
        ),
        Case(
            "no row",
            (parquet("complications", lambda f: f.head(0)),),
            records={"complications": 0},
            untold={"complications: rows lost": "an empty table is told by its count"},
        ),
        Case(
            "two columns of one name",
            (arrow("lesions", lambda t: t.append_column("length_mm", t["length_mm"])),),
            stops=("the header 'length_mm' stands over 2 columns",),
        ),
        Case("a column without a name", (arrow("lesions", lambda t: t.append_column("", t["length_mm"])),)),
        Case(
            "a needed column missing",
            (parquet("lesions", lambda f: f.drop("segment")),),
            stops=("lesions.parquet: no column segment",),
        ),
        Case(
            "a Parquet file cut short",
            (parquet("lesions", spoil=cut),),
            stops=("lesions.parquet: not a Parquet file, or a damaged one",),
        ),
        Case(
            "a Parquet file with a byte changed among its values, which checksums show",
            (arrow("lesions", same_table, spoil=flipped(0.3), write_page_checksum=True),),
            stops=("lesions.parquet: the file is damaged",),
        ),
        Case(
            "a Parquet file with a byte changed in its foot",
            (parquet("lesions", spoil=flipped(0.95)),),
            stops=("lesions.parquet",),
        ),
        Case(
            "the marks of a Parquet file with nothing between",
            (parquet("lesions", spoil=lambda content: b"PAR1" + bytes(40) + b"PAR1"),),
            stops=("lesions.parquet: not a Parquet file",),
        ),
        Case(
            "a Parquet file under the name of a CSV file",
            (parquet("lesions", name="lesions.csv"),),
            stops=("lesions.csv: not text but a Parquet file",),
        ),
    ),
)
