"""Separators between fields."""

from __future__ import annotations

from tests.malformed.case import Case, Family
from tests.malformed.changes import cell, column, line, line_before, mapping, text, written


def ragged(found: int, expected: int) -> str:
    """What is told of a line with another number of fields than the header."""
    return f"the line has {found} field{'' if found == 1 else 's'} where the header has {expected}"


SEPARATORS = Family(
    "Separators",
    (
        *(
            Case(f"fields parted by {word}", (written(separator=sign),))
            for word, sign in (("semicolons", ";"), ("tabs", "\t"), ("bars", "|"))
        ),
        Case(
            "fields parted by a sign of its own (^), stated",
            (written("lesions", separator="^"), mapping("[lesions]\nseparator = '^'\n")),
        ),
        Case(
            "fields parted by a sign of its own (^), not stated",
            (written("lesions", separator="^"),),
            stops=(
                "lesions.csv: no column lesion_id",
                "lesions.csv: no column procedure_id",
                "lesions.csv: no column segment",
            ),
        ),
        Case(
            "fields parted by colons, stated",
            (written("lesions", separator=":"), mapping("[lesions]\nseparator = ':'\n")),
        ),
        Case(
            "fields parted by single spaces, stated",
            (written("lesions", separator=" "), mapping("[lesions]\nseparator = ' '\n")),
        ),
        Case(
            "a table per separator: semicolons, tabs, bars and commas in one export",
            (
                written("patients", separator=";"),
                written("procedures", separator="\t"),
                written("lesions", separator="|"),
            ),
        ),
        Case(
            "the wrong separator stated",
            (mapping("[lesions]\nseparator = ';'\n"),),
            stops=(
                "lesions.csv: no column lesion_id",
                "lesions.csv: no column procedure_id",
                "lesions.csv: no column segment",
            ),
        ),
        Case(
            "a line sep=; that tells the truth", (written("lesions", separator=";"), line_before("lesions", 1, "sep=;"))
        ),
        Case("a line sep=; over a file with commas", (line_before("lesions", 1, "sep=;"),)),
        Case("a line sep= with nothing behind it", (line_before("lesions", 1, "sep="),)),
        Case(
            "a line sep=; in quotation marks", (written("lesions", separator=";"), line_before("lesions", 1, '"sep=;"'))
        ),
        Case(
            "one line with semicolons in a file with commas",
            (line("lesions", 3, lambda written: written.replace(",", ";")),),
            aside={"lesions": {ragged(1, 15): (3,)}, "attempts": {"its lesion is not in the lesions table": (3, 4)}},
            blanked={"follow_up": {"its lesion is not in the lesions table": (3,)}},
        ),
        Case(
            "the second half of the file with semicolons, from files put one behind the other",
            (text("lesions", lambda content: _half(content, ";")),),
            aside={
                "lesions": {ragged(1, 15): (6, 7, 8, 9, 10)},
                "attempts": {"its lesion is not in the lesions table": (7, 8, 9, 10, 11, 12, 13)},
            },
            blanked={"follow_up": {"its lesion is not in the lesions table": (5, 6, 7)}},
        ),
        Case(
            "a separator inside a value, in quotation marks",
            (cell("procedures", 3, "site_id", "Süd, Haus 2"),),
            truth=(cell("procedures", 3, "site_id", "Süd, Haus 2"),),
        ),
        Case(
            "a separator inside a value, without quotation marks",
            (line("procedures", 3, lambda written: written.replace("Süd", "Süd, Haus 2")),),
            aside={
                "procedures": {ragged(20, 19): (3,)},
                "lesions": {"its procedure is not in the procedures table": (3,)},
                "complications": {"its procedure is not in the procedures table": (2,)},
            },
        ),
        Case(
            "a decimal comma in a file parted by commas, without quotation marks",
            (line("lesions", 3, lambda written: written.replace("95.0", "95,0")),),
            aside={"lesions": {ragged(16, 15): (3,)}, "attempts": {"its lesion is not in the lesions table": (3, 4)}},
            blanked={"follow_up": {"its lesion is not in the lesions table": (3,)}},
        ),
        Case(
            "a field too many on one line and one too few on the next",
            (
                line("lesions", 9, lambda written: written + ",1"),
                line("lesions", 10, lambda written: written.rpartition(",")[0]),
            ),
            aside={
                "lesions": {ragged(16, 15): (9,), ragged(14, 15): (10,)},
                "attempts": {"its lesion is not in the lesions table": (12, 13)},
            },
        ),
        Case("a separator at the end of every line", (text("lesions", lambda content: content.replace("\n", ",\n")),)),
        Case(
            "a separator at the end of every line but the header's",
            (text("lesions", lambda content: content.replace("\n", ",\n").replace(",\n", "\n", 1)),),
        ),
        Case("a separator at the end of the header alone", (line("lesions", 1, lambda written: written + ","),)),
        Case(
            "a separator at the end of one line",
            (line("lesions", 10, lambda written: written + ","),),
            aside={"lesions": {ragged(16, 15): (10,)}, "attempts": {"its lesion is not in the lesions table": (13,)}},
        ),
        Case(
            "many separators at the end of every line, from a spreadsheet",
            (text("lesions", lambda content: content.replace("\n", ",,,,,\n")),),
        ),
        Case(
            "a separator at the beginning of every line",
            (text("lesions", lambda content: "".join("," + line for line in content.splitlines(keepends=True))),),
        ),
        Case("spaces around every separator", (text("lesions", lambda content: content.replace(",", " , ")),)),
        Case(
            "semicolons and decimal commas",
            (written("lesions", separator=";"), column("lesions", "length_mm", lambda value: value.replace(".", ","))),
            notes={"lesions": "decimal comma"},
        ),
        Case("a line of separators alone in the middle", (line_before("lesions", 5, "," * 14),)),
        Case(
            "a line with one field alone in the middle (a page number)",
            (line_before("lesions", 5, "page 2"),),
            aside={"lesions": {ragged(1, 15): (5,)}},
            records={"lesions": 10},
        ),
        Case(
            "a line cut in the middle, as the last one of a file that was not copied to its end",
            (text("attempts", lambda content: content[:-40]),),
            aside={"attempts": {ragged(10, 14): (13,)}},
        ),
    ),
)


def _half(content: str, sign: str) -> str:
    lines = content.splitlines(keepends=True)
    return "".join(lines[:5] + [line.replace(",", sign) for line in lines[5:]])
