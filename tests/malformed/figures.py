"""Numbers. Most cases write one of three ways into one cell: it is read right, or it is blanked and listed, and never anything else."""

from __future__ import annotations

from collections.abc import Iterable

from tests.malformed.case import Case, Family
from tests.malformed.changes import cell, column, mapping, written
from tests.malformed.draft import Change

NOT_A_NUMBER = {"lesions": {"length_mm is not a number": (3,)}}
NOT_WHOLE = {"procedures": {"rutherford is not a whole number": (3,)}}
OUT_OF_LIMITS = {"lesions": {"length_mm is outside 1 to 900 mm": (3,)}}
# What is written in place of 95.0 mm, in words.
UNREADABLE = (
    ("with its unit", "95 mm"),
    ("with its unit, without a space", "95mm"),
    ("as a bound", ">90"),
    ("as a bound in words", "over 90"),
    ("as a range", "90-100"),
    ("as about", "~95"),
    ("as a sum", "50+45"),
    ("as a percentage", "95%"),
    ("with a question mark", "95?"),
    ("with a fraction in figures", "95 1/2"),
    ("with a fraction sign (½)", "95½"),
    ("as a bare fraction sign", "½"),
    ("as a formula", "=95"),
    ("as a formula that failed", "#DIV/0!"),
    ("as a cell too narrow to be shown", "########"),
    ("in words", "ninety-five"),
    ("in Roman numerals", "XCV"),
    ("as an infinity", "inf"),
    ("as an infinity in capitals", "Infinity"),
    ("as minus infinity", "-inf"),
    ("as a hexadecimal number", "0x5F"),
    ("with an underscore", "9_5"),
    ("in Arabic-Indic figures", "٩٥"),
    ("in Devanagari figures", "९५"),
    ("in full-width figures", "\uff19\uff15"),
    ("with a raised figure", "9²"),
    ("with two points", "9.5.0"),
    ("with two signs", "--95"),
    ("with the sign behind", "95-"),
    ("with a minus sign of typography", "\u221295"),
    ("in brackets, for negative", "(95)"),
    ("with an apostrophe before it, as spreadsheets mark text", "'95"),
    ("with letters O for zeros", "1OO"),
    ("with a letter l for a one", "l00"),
    ("as a date that a spreadsheet made of 1-2", "1-Feb"),
    ("as a day that a spreadsheet made of 1/2", "2024-02-01"),
    ("as a truth value", "true"),
    ("as a remark", "see report"),
    ("with a unit in another script", "95 мм"),
    ("with a line end in it", "95\n0"),
    ("with a tab in it", "9\t5"),
    ("with a space in it", "9 5"),
    ("in 400 figures", "9" * 400),
)
# Other ways to write 95.0 itself.
READABLE = (
    ("without a fraction", "95"),
    ("with a trailing point", "95."),
    ("with a sign", "+95"),
    ("with zeros before it", "0095.0"),
    ("with many zeros behind it", "95.000000000000000"),
    ("with an exponent", "9.5e1"),
    ("with an exponent in capitals", "9.5E+01"),
    ("with spaces around it", "  95.0  "),
    ("with no-break spaces around it", "\u00a095.0\u00a0"),
    ("with a tab behind it", "95.0\t"),
)
IMPOSSIBLE = (
    ("zero", "0"),
    ("minus zero", "-0.0"),
    ("negative", "-95"),
    ("a thousand times too large", "95000"),
    ("too small for a computer's number (1E-400)", "1E-400"),
    ("a code for not measured (999)", "999"),
    ("a code for not measured (-99)", "-99"),
    ("2 to the power of 63", "9223372036854775808"),
)


def _lengths(ways: Iterable[tuple[str, str]], blanked: dict[str, dict[str, tuple[int, ...]]]) -> Iterable[Case]:
    return (
        Case(f"a number {way}: {_shown(value)}", (cell("lesions", 3, "length_mm", value),), blanked=blanked)
        for way, value in ways
    )


def _shown(value: str) -> str:
    return "9999..." if len(value) > 40 else repr(value)[1:-1].strip()


def _large(sign: str) -> Change:
    """Air kerma with a sign between its thousands."""
    return column("procedures", "air_kerma_mgy", lambda value: f"{float(value) * 10:,.1f}".replace(",", sign))


FIGURES = Family(
    "Numbers",
    (
        *_lengths(UNREADABLE, NOT_A_NUMBER),
        *_lengths(READABLE, {}),
        *_lengths(IMPOSSIBLE, OUT_OF_LIMITS),
        Case(
            "a number beyond a computer's range: 1e999",
            (cell("lesions", 3, "length_mm", "1e999"),),
            blanked=NOT_A_NUMBER,
        ),
        *(
            Case(
                f"'{word}' for not recorded, in a column of numbers",
                (cell("lesions", 3, "length_mm", word),),
                truth=(cell("lesions", 3, "length_mm", ""),),
            )
            for word in ("NA", "n/a", "NULL", "NaN", "-", ".")
        ),
        Case("'unknown' in a column of numbers", (cell("lesions", 3, "length_mm", "unknown"),), blanked=NOT_A_NUMBER),
        Case(
            "a decimal comma in one cell of a file with points",
            (cell("lesions", 3, "length_mm", "95,5"),),
            blanked=NOT_A_NUMBER,
        ),
        Case(
            "decimal commas in all cells",
            (column("lesions", "length_mm", lambda value: value.replace(".", ",")),),
            notes={"lesions": "decimal comma"},
        ),
        Case(
            "decimal commas in all cells of one column, points in another",
            (column("procedures", "abi", lambda value: value.replace(".", ",")),),
            notes={"procedures": "abi"},
        ),
        Case(
            "commas between thousands, and points",
            (_large(","),),
            truth=(column("procedures", "air_kerma_mgy", lambda value: str(float(value) * 10)),),
        ),
        Case(
            "points between thousands, and commas",
            (_large("."), column("procedures", "air_kerma_mgy", lambda value: ",".join(value.rsplit(".", 1)))),
            truth=(column("procedures", "air_kerma_mgy", lambda value: str(float(value) * 10)),),
            blanked={},
        ),
        Case(
            "spaces between thousands",
            (_large(" "),),
            truth=(column("procedures", "air_kerma_mgy", lambda value: str(float(value) * 10)),),
        ),
        Case(
            "no-break spaces between thousands",
            (_large("\u00a0"),),
            truth=(column("procedures", "air_kerma_mgy", lambda value: str(float(value) * 10)),),
        ),
        Case(
            "apostrophes between thousands",
            (_large("'"),),
            truth=(column("procedures", "air_kerma_mgy", lambda value: str(float(value) * 10)),),
        ),
        Case(
            "commas between thousands, stated",
            (_large(","), mapping('[procedures]\nthousands = ","\n')),
            truth=(column("procedures", "air_kerma_mgy", lambda value: str(float(value) * 10)),),
        ),
        Case(
            "one number with a comma that could be thousands: 1,250",
            (cell("procedures", 3, "air_kerma_mgy", "1,250"),),
            blanked={"procedures": {"air_kerma_mgy is not a number": (3,)}},
        ),
        Case(
            "numbers that could all be thousands or fractions: 1,250 and 2,105",
            (column("procedures", "air_kerma_mgy", "1,250"),),
            blanked={"procedures": {"air_kerma_mgy is not a number": tuple(range(2, 10))}},
        ),
        Case(
            "semicolons, decimal commas, and one number with a point: 1.250",
            (
                written("procedures", separator=";"),
                *(
                    column("procedures", name, lambda value: value.replace(".", ","))
                    for name in (
                        "abi",
                        "toe_pressure_mmhg",
                        "duration_min",
                        "fluoroscopy_min",
                        "contrast_ml",
                        "air_kerma_mgy",
                    )
                ),
                cell("procedures", 3, "air_kerma_mgy", "1.250"),
            ),
            blanked={"procedures": {"air_kerma_mgy is not a number": (3,)}},
        ),
        Case(
            "thousands in twos (Indian): 1,25,000.5",
            (cell("procedures", 3, "air_kerma_mgy", "1,25,000.5"),),
            blanked={"procedures": {"air_kerma_mgy is not a number": (3,)}},
        ),
        Case("a whole number with a fraction of zero: 5.0", (cell("procedures", 3, "rutherford", "5.0"),)),
        Case("a whole number with an exponent: 5E0", (cell("procedures", 3, "rutherford", "5E0"),)),
        Case(
            "a fraction where a whole number is asked for: 4.5",
            (cell("procedures", 3, "rutherford", "4.5"),),
            blanked=NOT_WHOLE,
        ),
        Case(
            "a fraction so small that it vanishes: 5.0000000000000000001",
            (cell("procedures", 3, "rutherford", "5.0000000000000000001"),),
        ),
        Case("a grade in Roman numerals", (cell("procedures", 3, "rutherford", "V"),), blanked=NOT_WHOLE),
        Case("a grade with its name", (cell("procedures", 3, "rutherford", "R5"),), blanked=NOT_WHOLE),
        Case(
            "a grade out of its limits",
            (cell("procedures", 3, "rutherford", "7"),),
            blanked={"procedures": {"rutherford is outside 0 to 6": (3,)}},
        ),
        Case(
            "an attempt's number out of its limits",
            (cell("attempts", 13, "attempt_no", "0"),),
            aside={"attempts": {"attempt_no is outside 1 to 20": (13,)}},
        ),
        Case(
            "an attempt's number in words",
            (cell("attempts", 13, "attempt_no", "first"),),
            aside={"attempts": {"attempt_no is not a whole number": (13,)}},
        ),
        Case("an attempt's number with a point behind it: 1.", (cell("attempts", 13, "attempt_no", "1."),)),
        Case(
            "a birth year of two figures",
            (cell("patients", 7, "birth_year", "56"),),
            blanked={"patients": {"birth_year is outside 1900 to 2030": (7,)}},
        ),
        Case(
            "an age where the birth year is asked for",
            (column("patients", "birth_year", lambda value: str(2023 - int(value))),),
            blanked={"patients": {"birth_year is outside 1900 to 2030": tuple(range(2, 8))}},
        ),
        Case(
            "the sign of minutes and seconds: 1:15",
            (cell("procedures", 3, "duration_min", "1:15"),),
            blanked={"procedures": {"duration_min is not a number": (3,)}},
        ),
        Case(
            "hours and minutes: 1h15",
            (cell("procedures", 3, "duration_min", "1h15"),),
            blanked={"procedures": {"duration_min is not a number": (3,)}},
        ),
        Case(
            "lengths in centimeters, with the unit in the mapping",
            (
                column("lesions", "length_mm", lambda value: str(float(value) / 10)),
                mapping('[lesions.units]\nlength_mm = "cm"\n'),
            ),
        ),
        Case(
            "air kerma in gray, with the unit in the mapping",
            (
                column("procedures", "air_kerma_mgy", lambda value: f"{float(value) / 1000:.5f}"),
                mapping('[procedures.units]\nair_kerma_mgy = "Gy"\n'),
            ),
        ),
        Case(
            "one length in centimeters among millimeters",
            (cell("lesions", 3, "length_mm", "9.5"),),
            untold={"lesions.length_mm": "9.5 mm is a possible length: nobody can know"},
        ),
    ),
)
