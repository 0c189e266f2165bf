"""Quotation marks around values, and what is wrong with them."""

from __future__ import annotations

import csv

from tests.malformed.case import Case, Family
from tests.malformed.changes import cell, line, text, written
from tests.malformed.draft import Change
from tests.malformed.separators import ragged

UNPAIRED = "the quotation marks on the line do not pair up"
MARKS = "marks that stand where none should are left in the text, which is no number"


def _quoted(table: str, row: int, value: str) -> Change:
    """A value written between quotation marks in place of the bare one."""
    return line(table, row, lambda written: written.replace(value, f'"{value}"', 1))


QUOTATION = Family(
    "Quotation marks",
    (
        Case("every value in quotation marks", (written(quoting=csv.QUOTE_ALL),)),
        Case(
            "some values in quotation marks", (_quoted("lesions", 3, "95.0"), _quoted("lesions", 4, "anterior_tibial"))
        ),
        Case(
            "every line in one pair of quotation marks",
            (text("lesions", lambda content: "".join(f'"{line}"\n' for line in content.splitlines())),),
            stops=(
                "lesions.csv: no column lesion_id",
                "lesions.csv: no column procedure_id",
                "lesions.csv: no column segment",
            ),
        ),
        Case(
            "a quotation mark that is never closed, in the first value of the file",
            (line("lesions", 2, lambda written: '"' + written),),
            aside={"lesions": {UNPAIRED: (2,)}, "attempts": {"its lesion is not in the lesions table": (2,)}},
            blanked={"follow_up": {"its lesion is not in the lesions table": (2,)}},
        ),
        Case(
            "one in the middle of the file",
            (line("lesions", 5, lambda written: written.replace("anterior", '"anterior', 1)),),
            aside={"lesions": {UNPAIRED: (5,)}, "attempts": {"its lesion is not in the lesions table": (6,)}},
        ),
        Case(
            "one in the last value of the file",
            (line("lesions", 10, lambda written: written[:-1] + '"' + written[-1]),),
            aside={"lesions": {UNPAIRED: (10,)}, "attempts": {"its lesion is not in the lesions table": (13,)}},
        ),
        Case(
            "one in the header",
            (line("lesions", 1, lambda written: written.replace("segment", '"segment', 1)),),
            stops=("lesions.csv: no column segment",),
        ),
        Case(
            "two of them, with rows between",
            (line("lesions", 3, lambda written: '"' + written), line("lesions", 9, lambda written: '"' + written)),
            aside={"lesions": {UNPAIRED: (3, 9)}, "attempts": {"its lesion is not in the lesions table": (3, 4, 12)}},
            blanked={"follow_up": {"its lesion is not in the lesions table": (3,)}},
        ),
        Case(
            "one on every line",
            (text("lesions", lambda content: content.replace("anterior", '"anterior')),),
            aside={
                "lesions": {UNPAIRED: tuple(range(2, 11))},
                "attempts": {"its lesion is not in the lesions table": tuple(range(2, 14))},
            },
            blanked={"follow_up": {"its lesion is not in the lesions table": tuple(range(2, 8))}},
        ),
        Case(
            'inches written with the mark (5")',
            (line("procedures", 3, lambda written: written.replace("Süd", 'Süd 5"')),),
            truth=(cell("procedures", 3, "site_id", 'Süd 5"'),),
        ),
        Case(
            "marks inside a value, doubled as they should be",
            (cell("procedures", 3, "site_id", 'Süd "alt"'),),
            truth=(cell("procedures", 3, "site_id", 'Süd "alt"'),),
        ),
        Case(
            "marks inside a value in marks, not doubled",
            (line("procedures", 3, lambda written: written.replace("Süd", '"Süd "alt""')),),
            truth=(cell("procedures", 3, "site_id", 'Süd "alt"'),),
            untold={"procedures.site_id": MARKS},
        ),
        Case(
            "a backslash before the marks inside a value",
            (line("procedures", 3, lambda written: written.replace("Süd", r'"Süd \"alt\" x"')),),
            untold={"procedures.site_id": MARKS},
        ),
        Case(
            "typographic quotation marks around a code",
            (cell("lesions", 3, "proximal_cap", "“convex”"),),
            blanked={"lesions": {"proximal_cap is not one of its codes": (3,)}},
        ),
        Case(
            "typographic quotation marks around a number",
            (cell("lesions", 3, "length_mm", "„95.0“"),),
            blanked={"lesions": {"length_mm is not a number": (3,)}},
        ),
        Case(
            "single quotation marks around every value",
            (
                text(
                    "lesions",
                    lambda content: "\n".join(
                        ",".join(f"'{value}'" for value in line.split(",")) for line in content.splitlines()
                    ),
                ),
            ),
            stops=(
                "lesions.csv: no column lesion_id",
                "lesions.csv: no column procedure_id",
                "lesions.csv: no column segment",
            ),
        ),
        Case(
            "single quotation marks around one code",
            (cell("lesions", 3, "proximal_cap", "'convex'"),),
            blanked={"lesions": {"proximal_cap is not one of its codes": (3,)}},
        ),
        Case(
            "a space between the separator and the mark",
            (text("procedures", lambda content: content.replace(",Süd,", ', "Süd",')),),
            untold={"procedures.site_id": MARKS},
        ),
        Case(
            "a space behind the closing mark",
            (text("procedures", lambda content: content.replace(",Süd,", ',"Süd" ,')),),
        ),
        Case(
            "an empty value as a pair of marks",
            (line("lesions", 3, lambda written: written.replace("95.0", '""')),),
            truth=(cell("lesions", 3, "length_mm", ""),),
        ),
        Case("a pair of marks alone on the last line", (text("lesions", lambda content: content + '""\n'),)),
        Case(
            "a lone mark on the last line",
            (text("lesions", lambda content: content + '"\n'),),
            aside={"lesions": {UNPAIRED: (11,)}},
            records={"lesions": 10},
        ),
        Case(
            "a value that runs over 5,000 lines",
            (cell("procedures", 3, "site_id", "Süd\n" * 5000),),
            aside={
                "procedures": {UNPAIRED: (3, 5003), ragged(1, 19): tuple(range(4, 5003))},
                "lesions": {"its procedure is not in the procedures table": (3,)},
                "complications": {"its procedure is not in the procedures table": (2,)},
            },
            records={"procedures": 5008},
        ),
        Case(
            'an equals sign before every quoted value (="..."), to make a spreadsheet keep zeros',
            (
                text(
                    "lesions",
                    lambda content: "\n".join(
                        ",".join(f'="{value}"' if number else value for value in line.split(","))
                        for number, line in enumerate(content.splitlines())
                    ),
                ),
            ),
            aside={
                "lesions": {
                    "segment is not one of its codes": tuple(range(2, 11)),
                    "its procedure is not in the procedures table": tuple(range(2, 11)),
                },
                "attempts": {"its lesion is not in the lesions table": tuple(range(2, 14))},
            },
            blanked={"follow_up": {"its lesion is not in the lesions table": tuple(range(2, 8))}},
        ),
    ),
)
