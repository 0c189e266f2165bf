"""Files of statistics programs (SAS, Stata, SPSS)."""

from __future__ import annotations

import polars as pl

from tests.malformed.built_typed_files import cut, statistics, with_columns, with_lengths
from tests.malformed.case import Case, Family
from tests.malformed.changes import cell, from_cells, mapping

STATISTICS = Family(
    "Files of statistics programs",
    (
        *(
            Case(f"a {name} file ({suffix})", (statistics("lesions", suffix),))
            for name, suffix in (("SPSS", ".sav"), ("packed SPSS", ".zsav"), ("Stata", ".dta"))
        ),
        Case("a SAS transport file (.xpt)", (statistics("lesions", ".xpt"),)),
        *(
            Case(f"a {name} file cut short", (statistics("lesions", suffix, spoil=cut),), stops=(f"lesions{suffix}",))
            for name, suffix in (
                ("SPSS", ".sav"),
                ("packed SPSS", ".zsav"),
                ("Stata", ".dta"),
                ("SAS transport", ".xpt"),
            )
        ),
        *(
            Case(
                f"a {name} file of zero bytes",
                (statistics("lesions", suffix, spoil=lambda content: b""),),
                stops=(f"lesions{suffix}",),
            )
            for name, suffix in (("SPSS", ".sav"), ("Stata", ".dta"), ("SAS transport", ".xpt"))
        ),
        Case(
            "a text under the name of a SAS file",
            (from_cells("lesions", "lesions.sas7bdat", lambda rows: b"lesion_id,segment\n"),),
            stops=("lesions.sas7bdat: not a .sas7bdat file, or a damaged one",),
        ),
        Case(
            "random bytes under the name of a Stata file",
            (from_cells("lesions", "lesions.dta", lambda rows: bytes((i * 197 + 89) % 256 for i in range(4000))),),
            stops=("lesions.dta: not a .dta file, or a damaged one",),
        ),
        Case(
            "an SPSS file under the name of a CSV file",
            (from_cells("lesions", "lesions.csv", lambda rows: b"$FL2@(#) SPSS DATA FILE" + bytes(200)),),
            stops=("lesions.csv: not text but an SPSS file",),
        ),
        Case(
            "a Stata file whose codes have labels",
            (
                statistics(
                    "lesions",
                    ".dta",
                    with_columns(proximal_cap=lambda c: pl.when(c == "convex").then(2).otherwise(1)),
                    variable_value_labels={"proximal_cap": {1: "concave", 2: "convex"}},
                ),
            ),
        ),
        Case(
            "an SPSS file in which 1 is labelled no and 2 yes",
            (
                statistics(
                    "lesions",
                    ".sav",
                    with_columns(in_stent=lambda c: c + 1),
                    variable_value_labels={"in_stent": {1: "no", 2: "yes"}},
                ),
            ),
        ),
        Case(
            "an SPSS file in which 999 is labelled not measured",
            (
                statistics(
                    "lesions",
                    ".sav",
                    with_lengths({3: 999.0}),
                    variable_value_labels={"length_mm": {999: "not measured"}},
                ),
            ),
            truth=(cell("lesions", 3, "length_mm", ""),),
        ),
        Case(
            "an SPSS file in which 999 is declared missing",
            (statistics("lesions", ".sav", with_lengths({3: 999.0}), missing_ranges={"length_mm": [999]}),),
            truth=(cell("lesions", 3, "length_mm", ""),),
        ),
        Case(
            "an SPSS file in which 999 says nothing of itself",
            (statistics("lesions", ".sav", with_lengths({3: 999.0})),),
            blanked={"lesions": {"length_mm is outside 1 to 900 mm": (3,)}},
        ),
        Case("a Stata file with dates", (statistics("procedures", ".dta"),)),
        Case("an SPSS file with dates", (statistics("procedures", ".sav"),)),
        Case(
            "a Stata file whose dates are bare numbers",
            (statistics("procedures", ".dta", with_columns(procedure_date=lambda c: c.cast(pl.Int32) + 3653)),),
        ),
        Case(
            "an SPSS file whose dates are bare numbers of seconds",
            (
                statistics(
                    "procedures", ".sav", with_columns(procedure_date=lambda c: (c.cast(pl.Int64) + 141428) * 86400)
                ),
            ),
            aside={"procedures": {"procedure_date is not a date (YYYY-MM-DD)": tuple(range(2, 10))}},
        ),
        Case(
            "an encoding stated that is not the file's",
            (statistics("procedures", ".sav"), mapping('[procedures]\nencoding = "ascii"\n')),
            stops=("procedures.sav: its letters cannot be decoded",),
        ),
    ),
)
