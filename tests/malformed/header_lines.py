"""The line of headers, and what stands above and below it."""

from __future__ import annotations

from tests.malformed.case import Case, Family
from tests.malformed.changes import cells, header, headers, line_before, mapping, more_column, text, without_column

NEEDED_OF_LESIONS = (
    "lesions.csv: no column lesion_id",
    "lesions.csv: no column procedure_id",
    "lesions.csv: no column segment",
)
LENGTH = "a column that is not there under its name counts as not recorded, which the list of what is missing says"

HEADERS = Family(
    "Headers",
    (
        Case("no header line", (text("lesions", lambda content: content.partition("\n")[2]),), stops=NEEDED_OF_LESIONS),
        Case(
            "a header line and no row",
            (text("complications", lambda content: content.partition("\n")[0] + "\n"),),
            records={"complications": 0},
            untold={"complications: rows lost": "an empty table is told by its count"},
        ),
        Case(
            "a header line and no row, in a table that everything hangs on",
            (text("patients", lambda content: content.partition("\n")[0]),),
            records={"patients": 0},
            aside={
                "procedures": {"its patient is not in the patients table": tuple(range(2, 10))},
                "follow_up": {"its patient is not in the patients table": tuple(range(2, 8))},
            },
            untold={"patients: rows lost": "an empty table is told by its count"},
        ),
        Case(
            "the header line twice",
            (text("lesions", lambda content: content.partition("\n")[0] + "\n" + content),),
            aside={"lesions": {"the header line again": (2,)}},
            records={"lesions": 10},
        ),
        Case(
            "the header line again in the middle, from files put one behind the other",
            (
                text(
                    "lesions",
                    lambda content: "".join(
                        [
                            *content.splitlines(keepends=True)[:5],
                            content.partition("\n")[0] + "\n",
                            *content.splitlines(keepends=True)[5:],
                        ]
                    ),
                ),
            ),
            aside={"lesions": {"the header line again": (6,)}},
            records={"lesions": 10},
        ),
        Case(
            "the header line again in capitals",
            (text("patients", lambda content: content + content.partition("\n")[0].upper() + "\n"),),
            aside={"patients": {"the header line again": (8,)}},
            records={"patients": 7},
        ),
        Case("headers in capitals", (headers("lesions", str.upper),)),
        Case("headers with spaces around them", (headers("lesions", lambda name: f"  {name} "),)),
        Case("headers with no-break spaces around them", (headers("lesions", lambda name: f"\u00a0{name}\u00a0"),)),
        Case(
            "headers in quotation marks",
            (
                text(
                    "lesions",
                    lambda content: (
                        ",".join(f'"{name}"' for name in content.partition("\n")[0].split(","))
                        + "\n"
                        + content.partition("\n")[2]
                    ),
                ),
            ),
        ),
        Case("headers with zero-width spaces in them", (headers("lesions", lambda name: f"{name}\u200b"),)),
        Case(
            "headers with spaces where ours have underscores",
            (headers("lesions", lambda name: name.replace("_", " ")),),
            stops=(
                "no column lesion_id, which is needed (did you mean 'lesion id'?)",
                "no column procedure_id, which is needed (did you mean 'procedure id'?)",
            ),
        ),
        Case(
            "headers with a line end in them",
            (headers("lesions", lambda name: name.replace("length_mm", "length_mm\n")),),
        ),
        Case(
            "a header that stands over two columns",
            (more_column("lesions", "length_mm", lambda row: "1"),),
            stops=("the header 'length_mm' stands over 2 columns",),
        ),
        Case(
            "two headers that differ in capitals only",
            (more_column("lesions", "LENGTH_MM", lambda row: "1"),),
        ),
        Case("a blank header over a column outside the dictionary", (more_column("lesions", "", lambda row: "7"),)),
        Case(
            "a blank header over one of our columns",
            (header("lesions", "length_mm", ""),),
            untold={"lesions.length_mm": LENGTH},
        ),
        Case(
            "a blank header over a needed column",
            (header("lesions", "segment", ""),),
            stops=("no column segment, which is needed",),
        ),
        Case(
            "a header misspelt over a needed column",
            (header("lesions", "segment", "segmnet"),),
            stops=("(did you mean 'segmnet'?)",),
        ),
        Case(
            "a header misspelt over an optional column",
            (header("lesions", "length_mm", "lenght_mm"),),
            notes={"lesions": "no column length_mm (did you mean 'lenght_mm'?)"},
            untold={"lesions.length_mm": LENGTH},
        ),
        Case(
            "a header with a letter of another script (Cyrillic \u0435)",
            (header("lesions", "segment", "s\u0435gment"),),
            stops=("no column segment, which is needed",),
        ),
        Case(
            "an optional column missing",
            (without_column("lesions", "length_mm"),),
            untold={"lesions.length_mm": LENGTH},
        ),
        Case(
            "a needed column missing",
            (without_column("attempts", "approach"),),
            stops=("attempts.csv: no column approach, which is needed",),
        ),
        Case("columns in another order", (cells("lesions", lambda rows: [row[::-1] for row in rows]),)),
        Case(
            "one title line above the header",
            (line_before("lesions", 1, "Occlusions, export of the invented service"),),
        ),
        Case(
            "several title lines and blank lines above the header",
            (line_before("lesions", 1, "Occlusions", "", "printed on 3 May 2024", ""),),
        ),
        Case("a title padded with separators", (line_before("lesions", 1, "Occlusions" + "," * 14),)),
        Case(
            "eleven title lines above the header: more than are looked at",
            (line_before("lesions", 1, *(f"title {number}" for number in range(11))),),
            stops=NEEDED_OF_LESIONS,
        ),
        Case(
            "two header lines: groups above the columns",
            (
                line_before(
                    "lesions",
                    1,
                    "key,key,place,size,calcium,calcium,cap,cap,other,other,other,grades,grades,grades,grades",
                ),
            ),
        ),
        Case(
            "a line of units below the header",
            (line_before("lesions", 2, ",,,mm,,,,,,,,,,,"),),
            aside={
                "lesions": {
                    "lesion_id is missing": (2,),
                    "procedure_id is missing": (2,),
                    "segment is missing": (2,),
                }
            },
            records={"lesions": 10},
        ),
        Case(
            "a line of column numbers below the header",
            (line_before("lesions", 2, ",".join(map(str, range(1, 16)))),),
            aside={
                "lesions": {
                    "segment is not one of its codes": (2,),
                    "its procedure is not in the procedures table": (2,),
                }
            },
            records={"lesions": 10},
        ),
        Case(
            "the table turned on its side: rows as columns",
            (cells("lesions", lambda rows: [list(row) for row in zip(*rows, strict=True)]),),
            stops=NEEDED_OF_LESIONS[1:],
        ),
        Case(
            "a line of totals at the foot",
            (text("lesions", lambda content: content + "Total: 9" + "," * 14 + "\n"),),
            aside={"lesions": {"a line of totals": (11,)}},
            records={"lesions": 10},
        ),
        Case(
            "a count of rows at the foot, as a database prints it",
            (text("lesions", lambda content: content + "(9 rows)\n"),),
            aside={"lesions": {"the line has 1 field where the header has 15": (11,)}},
            records={"lesions": 10},
        ),
        Case(
            "a footnote at the foot",
            (text("lesions", lambda content: content + "* lengths by the operator's eye\n"),),
            aside={"lesions": {"the line has 1 field where the header has 15": (11,)}},
            records={"lesions": 10},
        ),
        Case("comment lines (#) above the header", (line_before("lesions", 1, "# export 2024-05-03", "# nine rows"),)),
        Case(
            "a header of 70,000 characters",
            (headers("lesions", lambda name: name if name != "pedal_grade" else "x" * 70_000),),
            untold={"lesions.pedal_grade": LENGTH},
        ),
        Case(
            "our columns under the site's own words, without a mapping",
            (headers("lesions", lambda name: f"Spalte {name[:3]}"),),
            stops=NEEDED_OF_LESIONS,
        ),
        Case(
            "our columns under the site's own words, with a mapping",
            (header("lesions", "length_mm", "Länge (cm)"), mapping('[lesions.columns]\nlength_mm = "Länge (cm)"\n')),
        ),
    ),
)
