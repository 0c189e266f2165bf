"""Workbooks that are damaged, locked, or something else."""

from __future__ import annotations

from tests.malformed.built_workbooks import lesions_book, plain, plain_and, with_bytes, with_parts
from tests.malformed.case import Case, Family

NOT_A_BOOK = ("lesions.xlsx: not a workbook that can be opened",)

DAMAGED_WORKBOOKS = Family(
    "Damaged workbooks",
    (
        Case("a workbook cut short", (with_bytes(lambda content: content[: len(content) // 2]),), stops=NOT_A_BOOK),
        Case("a workbook of zero bytes", (with_bytes(lambda content: b""),), stops=NOT_A_BOOK),
        Case(
            "a workbook with a byte changed in the middle",
            (with_bytes(lambda content: content[:900] + bytes([content[900] ^ 0xFF]) + content[901:]),),
            stops=("lesions.xlsx",),
        ),
        Case(
            "a workbook without its sheet's part",
            (with_parts(lambda name, part: None if "sheet1" in name else part),),
            stops=("lesions.xlsx",),
        ),
        Case(
            "a workbook without its table of texts",
            (with_parts(lambda name, part: None if "sharedStrings" in name else part),),
            stops=("lesions.xlsx",),
        ),
        Case(
            "a workbook whose texts lie beyond its table of texts",
            (with_parts(lambda name, part: part.replace(b"<v>1</v>", b"<v>99999</v>") if "sheet1" in name else part),),
            stops=("lesions.xlsx",),
        ),
        Case(
            "a sheet's part cut in the middle",
            (with_parts(lambda name, part: part[: len(part) // 2] if "sheet1" in name else part),),
            stops=("lesions.xlsx",),
        ),
        Case(
            "a sheet that claims a million rows",
            (
                with_parts(
                    lambda name, part: (
                        part.replace(b'ref="A1:O10"', b'ref="A1:XFD1048576"') if "sheet1" in name else part
                    )
                ),
            ),
        ),
        Case(
            "a cell that claims to stand in row 1,048,576",
            (
                lesions_book(
                    plain_and(
                        lambda book, sheet, rows: sheet.write_blank(1_048_575, 0, None, book.add_format({"bold": True}))
                    )
                ),
            ),
        ),
        Case(
            "a workbook that unpacks to far more than a table holds",
            (with_parts(lambda name, part: part + b" " * 80_000_000 if "sheet1" in name else part),),
            stops=("lesions.xlsx: unpacks to far more than a table holds",),
        ),
        Case(
            "a workbook that is locked by a password",
            (with_bytes(lambda content: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504)),),
            stops=NOT_A_BOOK,
        ),
        Case(
            "a document under the name of a workbook",
            (with_parts(lambda name, part: None if name.startswith("xl/") else part),),
            stops=NOT_A_BOOK,
        ),
        Case(
            "a workbook under the name of a CSV file",
            (lesions_book(plain, name="lesions.csv"),),
            stops=("lesions.csv: not text but a workbook",),
        ),
        Case(
            "an old workbook (.xls) that is damaged",
            (lesions_book(plain, name="lesions.xls"),),
        ),
    ),
)
