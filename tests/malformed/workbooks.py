"""Workbooks. In the sound one each table has a sheet of its name, with dates, numbers and truth values as typed cells."""

from __future__ import annotations

from tests.malformed.built_workbooks import (
    as_text,
    every_table,
    lesions_book,
    more_sheet,
    moved,
    plain,
    plain_and,
    procedures_book,
    write_rows,
)
from tests.malformed.case import Case, Family
from tests.malformed.changes import cell, file, mapping

WORKBOOKS = Family(
    "Workbooks",
    (
        Case("every table a sheet of one workbook", (every_table(),)),
        Case("a workbook that counts days from 1904", (every_table(date_1904=True),)),
        Case("a workbook for one table, CSV files for the others", (lesions_book(plain),)),
        Case("one sheet of another name", (lesions_book(plain, sheet="Sheet1"),)),
        Case(
            "two sheets, neither of the table's name",
            (lesions_book(more_sheet("Sheet2"), sheet="Sheet1"),),
            stops=("lesions.xlsx: which of its 2 sheets holds lesions?",),
        ),
        Case(
            "a sheet named in the mapping that is not there",
            (lesions_book(plain), mapping('[lesions]\nsheet = "Occlusions"\n')),
            stops=("[lesions] lesions.xlsx has no sheet 'Occlusions'",),
        ),
        Case(
            "two sheets whose names differ in capitals and spaces",
            (lesions_book(plain, sheet="LESIONS", name="export.xlsx"),),
        ),
        Case(
            "the table in two workbooks",
            (lesions_book(plain), file("lesions.csv", b"lesion_id\n")),
            stops=("lesions: several files hold this table",),
        ),
        Case("a hidden sheet beside the table's", (lesions_book(more_sheet("codes", hidden=True)),)),
        Case(
            "the table's own sheet hidden",
            (
                lesions_book(
                    plain_and(lambda book, sheet, rows: (book.add_worksheet("cover").activate(), sheet.hide()))
                ),
            ),
        ),
        Case("an empty sheet beside the table's", (lesions_book(more_sheet("Sheet2")),)),
        Case("a sheet with a chart beside the table's", (lesions_book(more_sheet("Chart1", chart=True)),)),
        Case(
            "an empty sheet of the table's name",
            (lesions_book(lambda book, sheet, rows: None),),
            stops=("lesions.xlsx [lesions]: the sheet is empty",),
        ),
        Case(
            "a sheet with headers and no row",
            (lesions_book(lambda book, sheet, rows: plain(book, sheet, rows[:1])),),
            records={"lesions": 0},
            aside={"attempts": {"its lesion is not in the lesions table": tuple(range(2, 14))}},
            blanked={"follow_up": {"its lesion is not in the lesions table": tuple(range(2, 8))}},
            untold={"lesions: rows lost": "an empty table is told by its count"},
        ),
        Case("blank rows above the table", (lesions_book(moved(down=3)),)),
        Case("blank columns before the table", (lesions_book(moved(right=2)),)),
        Case(
            "a title in a merged cell above the table",
            (
                lesions_book(
                    lambda book, sheet, rows: (
                        moved(down=2)(book, sheet, rows),
                        sheet.merge_range(0, 0, 0, 14, "Occlusions of the invented service"),
                    )
                ),
            ),
        ),
        Case(
            "blank rows within the table",
            (
                lesions_book(
                    lambda book, sheet, rows: write_rows(
                        book, sheet, "lesions", [*rows[:5], [""] * 15, [""] * 15, *rows[5:]]
                    )
                ),
            ),
        ),
        Case(
            "rows of formatted empty cells below the table",
            (
                lesions_book(
                    plain_and(
                        lambda book, sheet, rows: [
                            sheet.write_blank(20 + n, 0, None, book.add_format({"bold": True})) for n in range(40)
                        ]
                    )
                ),
            ),
        ),
        Case(
            "a procedure's key in a cell merged over two of its lesions",
            (
                lesions_book(
                    plain_and(
                        lambda book, sheet, rows: sheet.merge_range(
                            3, 1, 4, 1, rows[3][1], book.add_format({"valign": "top"})
                        )
                    )
                ),
            ),
            aside={"lesions": {"procedure_id is missing": (5,)}},
        ),
        Case(
            "a legend beside the table",
            (
                lesions_book(
                    plain_and(
                        lambda book, sheet, rows: (
                            sheet.write(2, 17, "green: checked"),
                            sheet.write(3, 17, "red: to do"),
                        )
                    )
                ),
            ),
        ),
        Case(
            "a total below a column",
            (
                lesions_book(
                    plain_and(lambda book, sheet, rows: sheet.write_formula(10, 3, "=SUM(D2:D10)", None, 1248.5))
                ),
            ),
            aside={
                "lesions": {
                    "lesion_id is missing": (11,),
                    "procedure_id is missing": (11,),
                    "segment is missing": (11,),
                }
            },
            records={"lesions": 10},
        ),
        Case(
            "a formula with its last value",
            (lesions_book(plain_and(lambda book, sheet, rows: sheet.write_formula(2, 3, "=9.5*10", None, 95))),),
        ),
        Case(
            "a formula that was never worked out",
            (lesions_book(plain_and(lambda book, sheet, rows: sheet.write_formula(2, 3, "=9.5*10", None, ""))),),
            truth=(cell("lesions", 3, "length_mm", ""),),
        ),
        *(
            Case(
                f"a formula that failed ({shown})",
                (
                    lesions_book(
                        plain_and(lambda book, sheet, rows, shown=shown: sheet.write_formula(2, 3, "=1/0", None, shown))
                    ),
                ),
                blanked={"lesions": {"length_mm is not a number": (3,)}},
            )
            for shown in ("#DIV/0!", "#REF!", "#VALUE!", "#NAME?", "#NUM!")
        ),
        Case(
            "a formula that says not available (#N/A)",
            (lesions_book(plain_and(lambda book, sheet, rows: sheet.write_formula(2, 3, "=NA()", None, "#N/A"))),),
            truth=(cell("lesions", 3, "length_mm", ""),),
        ),
        Case(
            "a failed formula in a key",
            (lesions_book(plain_and(lambda book, sheet, rows: sheet.write_formula(9, 0, "=1/0", None, "#REF!"))),),
            aside={
                "lesions": {"lesion_id is missing": (10,)},
                "attempts": {"its lesion is not in the lesions table": (13,)},
            },
        ),
        Case("numbers kept as text", (lesions_book(as_text),)),
        Case(
            "a number kept as text with an apostrophe before it",
            (lesions_book(plain_and(lambda book, sheet, rows: sheet.write_string(2, 3, "95.0"))),),
        ),
        Case(
            "a number with its unit by the cell's format alone",
            (
                lesions_book(
                    plain_and(
                        lambda book, sheet, rows: sheet.write_number(
                            2, 3, 95, book.add_format({"num_format": '0" mm"'})
                        )
                    )
                ),
            ),
        ),
        Case(
            "a number rounded by the cell's format alone",
            (
                lesions_book(
                    plain_and(
                        lambda book, sheet, rows: sheet.write_number(3, 3, 120.25, book.add_format({"num_format": "0"}))
                    )
                ),
            ),
        ),
        Case(
            "a number shown as a date by mistake",
            (
                lesions_book(
                    plain_and(
                        lambda book, sheet, rows: sheet.write_number(
                            2, 3, 95, book.add_format({"num_format": "dd.mm.yyyy"})
                        )
                    )
                ),
            ),
            blanked={"lesions": {"length_mm is not a number": (3,)}},
        ),
        Case(
            "a number with the noise of a computer's sums (95.00000000000001)",
            (lesions_book(plain_and(lambda book, sheet, rows: sheet.write_number(2, 3, 95.00000000000001))),),
        ),
        Case(
            "a truth value kept as text",
            (lesions_book(plain_and(lambda book, sheet, rows: sheet.write_string(2, 8, "FALSE"))),),
        ),
        Case(
            "a truth value in German words",
            (lesions_book(plain_and(lambda book, sheet, rows: sheet.write_string(2, 8, "FALSCH"))),),
            blanked={"lesions": {"in_stent is not a truth value (true or false)": (3,)}},
        ),
        Case("dates shown in another order", (procedures_book("mm/dd/yy"),)),
        Case("dates shown with a time of day", (procedures_book("yyyy-mm-dd hh:mm"),)),
        Case("dates shown as months alone", (procedures_book("mmm yy"),)),
        Case("dates as bare day numbers", (procedures_book(None),)),
        Case("dates as bare day numbers of 1904", (procedures_book(None, date_1904=True),)),
        Case("dates as text, day first", (procedures_book(None, text=True),), notes={"procedures": "read as %d.%m.%Y"}),
        Case("a sheet name of 31 letters", (lesions_book(plain, sheet="L" * 31),)),
        Case(
            "a table of 200 columns more",
            (
                lesions_book(
                    plain_and(lambda book, sheet, rows: [sheet.write(0, 15 + n, f"more {n}") for n in range(200)])
                ),
            ),
        ),
        Case(
            "a filter that hides rows",
            (
                lesions_book(
                    plain_and(
                        lambda book, sheet, rows: (
                            sheet.autofilter(0, 0, 9, 14),
                            sheet.set_row(3, None, None, {"hidden": True}),
                        )
                    )
                ),
            ),
        ),
        Case(
            "remarks and drawings on cells",
            (
                lesions_book(
                    plain_and(
                        lambda book, sheet, rows: (
                            sheet.write_comment(2, 3, "checked"),
                            sheet.insert_textbox(5, 5, "draft"),
                        )
                    )
                ),
            ),
        ),
    ),
)
