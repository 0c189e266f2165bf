"""Where lines end, and what else stands between them."""

from __future__ import annotations

import csv

from tests.malformed.case import Case, Family
from tests.malformed.changes import cell, data, line_before, text, written
from tests.malformed.draft import Change


def _text_of_two(make_end: str) -> Change:
    return text("lesions", lambda content: content.replace("\n", make_end))


LINE_ENDS = Family(
    "Line ends",
    (
        Case("lines ending in CR LF", (written(line_end="\r\n"),)),
        Case("lines ending in CR alone, as on old machines", (written(line_end="\r"),)),
        Case("both kinds in one file", (text("lesions", lambda content: content.replace("\n", "\r\n", 4)),)),
        Case(
            "all three kinds in one file",
            (text("lesions", lambda content: content.replace("\n", "\r\n", 4).replace("\n", "\r", 1)),),
        ),
        Case("CR CR LF, from a file that was converted twice", (_text_of_two("\r\r\n"),)),
        Case("LF CR, the wrong way round", (_text_of_two("\n\r"),)),
        Case("no line end behind the last line", (text("lesions", lambda content: content.rstrip("\n")),)),
        Case("blank lines between all lines", (_text_of_two("\n\n"),)),
        Case("blank lines at the end", (text("lesions", lambda content: content + "\n" * 40),)),
        Case("blank lines at the beginning", (text("lesions", lambda content: "\n\n\n" + content),)),
        Case("lines of spaces and tabs between", (line_before("lesions", 5, "   ", "\t\t", " \t "),)),
        Case(
            "a line end inside a value, in quotation marks",
            (cell("procedures", 3, "site_id", "Süd\nHaus 2"),),
            truth=(cell("procedures", 3, "site_id", "Süd\nHaus 2"),),
        ),
        Case(
            "CR LF inside a value, in quotation marks",
            (cell("procedures", 3, "site_id", "Süd\r\nHaus 2"),),
            truth=(cell("procedures", 3, "site_id", "Süd\r\nHaus 2"),),
        ),
        Case(
            "CR alone inside a value, in quotation marks",
            (cell("procedures", 3, "site_id", "Süd\rHaus 2"), written("procedures", quoting=csv.QUOTE_ALL)),
            truth=(cell("procedures", 3, "site_id", "Süd\nHaus 2"),),
        ),
        Case(
            "a line end inside a value, without quotation marks",
            (text("procedures", lambda content: content.replace("Süd", "Süd\nHaus 2", 1)),),
            aside={
                "procedures": {
                    "the line has 5 fields where the header has 19": (2,),
                    "the line has 15 fields where the header has 19": (3,),
                },
                "lesions": {"its procedure is not in the procedures table": (2,)},
                "follow_up": {"event_date is before the patient's first procedure": (2,)},
            },
            records={"procedures": 9},
        ),
        Case("a form feed between two pages of a printout", (line_before("lesions", 5, "\f"),)),
        Case(
            "a form feed at the beginning of a line",
            (text("lesions", lambda content: content.replace("les-05", "\fles-05")),),
        ),
        Case(
            "the line separator of Unicode (U+2028) inside a value",
            (text("procedures", lambda content: content.replace("Süd", "Süd\u2028", 1)),),
        ),
        Case("the line separator of Unicode (U+2028) in place of line ends", (_text_of_two("\u2028"),)),
        Case("the next-line sign of mainframes (U+0085) in place of line ends", (_text_of_two("\x85"),)),
        Case("Ctrl-Z at the end of the file, from DOS", (data("lesions", lambda content: content + b"\x1a"),)),
        Case(
            "Ctrl-Z in the middle of the file, from files put one behind the other",
            (data("lesions", lambda content: content.replace(b"les-05", b"\x1ales-05")),),
        ),
        Case("a vertical tab inside a value", (cell("procedures", 3, "site_id", "Süd\v"),)),
        Case(
            "a bell and an escape sign inside a value",
            (cell("procedures", 3, "site_id", "Sü\x07\x1bd"),),
            untold={"procedures.site_id": "control signs stay part of the text"},
        ),
        Case(
            "a line of dashes below the header",
            (line_before("lesions", 2, "-" * 60),),
            aside={"lesions": {"the line has 1 field where the header has 15": (2,)}},
            records={"lesions": 10},
        ),
    ),
)
