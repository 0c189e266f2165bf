"""Mistakes in the mapping file."""

from __future__ import annotations

from tests.malformed.case import Case, Family
from tests.malformed.changes import cell, column, copied, header, headers, mapping, more_column, renamed, written


def _mapping(name: str, toml: str | bytes, *stops: str) -> Case:
    return Case(name, (mapping(toml),), stops=stops)


NO_TOML = "mapping.toml: not a TOML file in UTF-8"

MAPPINGS = Family(
    "Mapping files",
    (
        _mapping("an empty mapping file", ""),
        _mapping("a mapping file of remarks alone", "# nothing differs\n"),
        _mapping("a bracket that is not closed", "[lesions\n", NO_TOML),
        _mapping("a value without quotation marks", "[lesions]\nfile = occlusions.csv\n", NO_TOML),
        _mapping("a setting twice", '[lesions]\ndecimal = ","\ndecimal = "."\n', NO_TOML),
        _mapping("a table twice", '[lesions]\ndecimal = ","\n[lesions]\ndates = "%d.%m.%Y"\n', NO_TOML),
        _mapping("a header with umlauts and no quotation marks", "[lesions.columns]\nlength_mm = Länge\n", NO_TOML),
        _mapping(
            "a mapping file in Windows-1252", '[lesions.columns]\nlength_mm = "Länge"\n'.encode("cp1252"), NO_TOML
        ),
        _mapping("a mapping file with a byte order mark", '\ufeff[lesions]\nseparator = ","\n'),
        _mapping("a mapping file in UTF-16", '[lesions]\ndecimal = ","\n'.encode("utf-16"), NO_TOML),
        _mapping("JSON in place of TOML", '{"lesions": {"decimal": ","}}', NO_TOML),
        _mapping("a table that there is not", '[lesion]\ndecimal = ","\n', "[lesion] is not a table"),
        _mapping("a table as a bare value", 'lesions = "occlusions.csv"\n', "[lesions]"),
        _mapping("a list of tables", '[[lesions]]\ndecimal = ","\n', "[lesions]"),
        _mapping("a setting that there is not", '[lesions]\ncolour = "red"\n', "[lesions.colour] is not a setting"),
        _mapping("a setting of the wrong kind", "[lesions]\ndecimal = 5\n", "[lesions.decimal] should be text"),
        _mapping(
            "a column that there is not",
            '[lesions.columns]\nlenght_mm = "L"\n',
            "'lenght_mm' is not a column of lesions",
        ),
        _mapping("a column of another table", '[lesions.columns]\nabi = "ABI"\n', "'abi' is not a column of lesions"),
        _mapping(
            "theirs and ours the wrong way round",
            '[lesions.columns]\n"Länge" = "length_mm"\n',
            "'Länge' is not a column of lesions",
        ),
        _mapping(
            "a header that the file does not have",
            '[lesions.columns]\nlength_mm = "Laenge"\n',
            "lesions.csv: no column 'Laenge', which the mapping gives for length_mm",
        ),
        _mapping(
            "one header for two columns",
            '[lesions.columns]\nlength_mm = "L"\nfp_grade = "L"\n',
            "'L' is given to both length_mm and fp_grade",
        ),
        _mapping(
            "one header for two columns, but for its capitals",
            '[lesions.columns]\nip_grade = "fp_grade"\nfp_grade = "FP_GRADE"\n',
            "fp_grade",
        ),
        _mapping(
            "a header of ours given to another column of ours", '[lesions.columns]\nip_grade = "fp_grade"\n', "fp_grade"
        ),
        _mapping("a header of nothing", '[lesions.columns]\nlength_mm = " "\n', "length_mm has no header"),
        Case(
            "a header that stands twice in the file",
            (
                header("lesions", "length_mm", "L"),
                more_column("lesions", "L", lambda row: "7"),
                mapping('[lesions.columns]\nlength_mm = "L"\n'),
            ),
            stops=("the header 'L' stands over 2 columns",),
        ),
        _mapping(
            "a needed column dropped",
            '[lesions]\ndrop = ["segment"]\n',
            "drop: 'segment' is needed; it cannot be dropped",
        ),
        _mapping(
            "a column dropped and used",
            '[lesions]\ndrop = ["L"]\n[lesions.columns]\nlength_mm = "L"\n',
            "'L' is both dropped and used for length_mm",
        ),
        _mapping("drop as one word in place of a list", '[lesions]\ndrop = "Surname"\n', "[lesions.drop]"),
        Case(
            "an optional column dropped",
            (mapping('[lesions]\ndrop = ["length_mm"]\n'),),
            truth=(column("lesions", "length_mm", ""),),
        ),
        _mapping(
            "a file outside the folder (../)",
            '[lesions]\nfile = "../lesions.csv"\n',
            "should be the name of a file inside the folder of tables",
        ),
        _mapping(
            "a file by its whole path",
            '[lesions]\nfile = "/tmp/lesions.csv"\n',
            "should be the name of a file inside the folder of tables",
        ),
        _mapping(
            "a file outside the folder, by way of a folder in it",
            '[lesions]\nfile = "a/../../lesions.csv"\n',
            "should be the name of a file inside the folder of tables",
        ),
        _mapping(
            "a file with no name", '[lesions]\nfile = ""\n', "should be the name of a file inside the folder of tables"
        ),
        _mapping("the folder itself as the file", '[lesions]\nfile = "."\n', "[lesions] file '.'"),
        _mapping("a file with a NUL sign in its name", '[lesions]\nfile = "a\\u0000b.csv"\n', "[lesions] file"),
        _mapping("a file name of 5,000 letters", f'[lesions]\nfile = "{"x" * 5000}.csv"\n', "[lesions] file"),
        _mapping(
            "a sheet for a CSV file",
            '[lesions]\nfile = "lesions.csv"\nsheet = "S"\n',
            "'lesions.csv' is not a workbook",
        ),
        _mapping(
            "a sheet, where the file is found to be CSV",
            '[lesions]\nsheet = "S"\n',
            "[lesions] sheet is given, but lesions.csv is not a workbook",
        ),
        Case(
            "one file named for two tables",
            (mapping('[lesions]\nfile = "attempts.csv"\n'),),
            stops=("attempts.csv: no column procedure_id", "attempts.csv: no column segment"),
        ),
        _mapping("an encoding that there is not", '[lesions]\nencoding = "utf-9"\n', "encoding = 'utf-9' is not known"),
        _mapping(
            "an encoding that is none of text", '[lesions]\nencoding = "base64"\n', "encoding = 'base64' is not known"
        ),
        _mapping("a separator of two signs", '[lesions]\nseparator = "||"\n', "separator should be one sign"),
        _mapping("a quotation mark as the separator", "[lesions]\nseparator = '\"'\n", "separator should be one sign"),
        _mapping("a letter as the separator", '[lesions]\nseparator = "x"\n', "separator should be one sign"),
        _mapping("a line end as the separator", '[lesions]\nseparator = "\\n"\n', "separator should be one sign"),
        _mapping("a decimal sign that is none", '[lesions]\ndecimal = ";"\n', "decimal should be '.' or ','"),
        _mapping(
            "the same sign for thousands and fractions",
            '[lesions]\ndecimal = ","\nthousands = ","\n',
            "thousands and decimal are the same sign",
        ),
        Case(
            "a decimal comma stated, and points written",
            (mapping('[lesions]\ndecimal = ","\n'),),
            blanked={"lesions": {"length_mm is not a number": tuple(range(2, 11))}},
        ),
        Case(
            "points between thousands stated, and fractions written with them",
            (mapping('[lesions]\ndecimal = ","\nthousands = "."\n'),),
            blanked={"lesions": {"length_mm is not a number": tuple(range(2, 11))}},
        ),
        _mapping("dates without a year", '[procedures]\ndates = "%d.%m."\n', "does not give day, month and year"),
        _mapping("dates in words", '[procedures]\ndates = "day.month.year"\n', "does not give day, month and year"),
        _mapping(
            "dates with a sign that means nothing",
            '[procedures]\ndates = "%d.%m.%Q"\n',
            "does not give day, month and year",
        ),
        _mapping(
            "a unit that there is not",
            '[lesions.units]\nlength_mm = "inches"\n',
            "'inches' is not one of mm, cm, m, in",
        ),
        _mapping("a unit of something else", '[lesions.units]\nlength_mm = "Gy"\n', "'Gy' is not one of mm, cm, m, in"),
        _mapping(
            "a unit for a column without one",
            '[lesions.units]\nfp_grade = "mm"\n',
            "fp_grade has no unit to be converted",
        ),
        Case(
            "a unit that is not the file's: millimeters read as meters",
            (mapping('[lesions.units]\nlength_mm = "m"\n'),),
            blanked={"lesions": {"length_mm is outside 1 to 900 mm": tuple(range(2, 11))}},
        ),
        _mapping(
            "a code to one that there is not",
            '[lesions.codes.proximal_cap]\n"1" = "blunt"\n',
            "'blunt' (for '1') is not one of concave, convex",
        ),
        _mapping(
            "codes for a column of measurements", '[lesions.codes.length_mm]\n"1" = "10"\n', "length_mm holds no codes"
        ),
        _mapping(
            "codes for a column that there is not",
            '[lesions.codes.cap]\n"1" = "convex"\n',
            "'cap' is not a column of lesions",
        ),
        _mapping(
            "codes that differ in capitals alone",
            '[lesions.codes.in_stent]\n"J" = "true"\n"j" = "false"\n',
            "two codes differ only in capitals or spaces",
        ),
        _mapping(
            "truth values without quotation marks",
            '[lesions.codes.in_stent]\n"J" = true\n',
            "[lesions.codes.in_stent.J]",
        ),
        Case(
            "a code to the wrong one of ours",
            (mapping('[lesions.codes.proximal_cap]\n"concave" = "convex"\n'),),
            untold={"lesions.proximal_cap": "what a mapping says of a code is believed"},
        ),
        _mapping("a constant for a key", '[lesions.constants]\nprocedure_id = "ses-01"\n', "procedure_id is a key"),
        _mapping(
            "a constant that is none of its codes",
            '[lesions.constants]\ncalcium_scale = "agatston"\n',
            "'agatston' is not one of pacss, parc, descriptive",
        ),
        _mapping(
            "a constant out of its limits",
            "[lesions.constants]\nlength_mm = 9000\n",
            "length_mm should be a number from 1 to 900",
        ),
        _mapping(
            "a constant for a column that the file has",
            '[lesions.constants]\ncalcium_scale = "pacss"\n',
            "calcium_scale is a constant in the mapping, and the file has it too",
        ),
        Case(
            "two mistakes in one mapping file",
            (mapping('[lesion]\ndecimal = ","\n[attempts.units]\nminutes = "mm"\n'),),
            stops=("[lesion] is not a table", "[attempts.units] minutes: 'mm' is not one of"),
        ),
        Case(
            "a mapping for headers with odd spaces",
            (
                headers("lesions", lambda name: name.replace("length_mm", "Length \u00a0 (mm)")),
                mapping('[lesions.columns]\nlength_mm = "length (MM)"\n'),
            ),
        ),
        Case(
            "a file named with its capitals wrong",
            (
                copied("lesions.csv", "Occlusions.csv"),
                renamed("lesions.csv", "old.bin"),
                mapping('[lesions]\nfile = "occlusions.csv"\n'),
            ),
            stops=("[lesions] file 'occlusions.csv' is not in the folder of tables",),
        ),
        Case(
            "a separator stated that only the values have",
            (
                written("lesions", separator=";"),
                cell("lesions", 3, "proximal_cap", "a,b"),
                mapping('[lesions]\nseparator = ","\n'),
            ),
            stops=(
                "lesions.csv: no column lesion_id",
                "lesions.csv: no column procedure_id",
                "lesions.csv: no column segment",
            ),
        ),
    ),
)
