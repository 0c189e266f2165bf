"""Truth values and codes."""

from __future__ import annotations

from collections.abc import Iterable

from tests.malformed.case import Case, Family
from tests.malformed.changes import cell, column, mapping

# In the sound export in_stent is false on row 3 and true on row 5.
NO_TRUTH = {"lesions": {"in_stent is not a truth value (true or false)": (3,)}}
OTHER_WORDS = (
    "Nein",
    "nein",
    "FALSCH",
    "FAUX",
    "Falso",
    "Nee",
    "Não",
    "x",
    "☒",
    "✗",
    "2",
    "-1",
    "no.",
    "false?",
    "not",
    "none",
    "O",
    "°",
)
OWN_WORDS = ("FALSE", "False", "f", "F", "no", "NO", "n", "0", "0.0", " false ", "'false'"[1:-1])
NO_CODE = {"lesions": {"proximal_cap is not one of its codes": (3,)}}
# Ways to write convex that are none of its codes.
ALMOST = (
    ("a synonym", "blunt"),
    ("another language", "konvex"),
    ("a misspelling", "convx"),
    ("a word cut short", "conv"),
    ("a point behind it", "convex."),
    ("a comma behind it", "convex,"),
    ("a letter of another script (Cyrillic \u0441)", "\u0441onvex"),
    ("full-width letters", "\uff43\uff4f\uff4e\uff56\uff45\uff58"),
    ("a ligature", "conveﬀ"),
    ("two codes", "concave/convex"),
    ("a code and a remark", "convex (calcified)"),
    ("a code's number", "1"),
    ("a question mark", "?"),
    ("'unknown'", "unknown"),
    ("'not seen'", "not seen"),
)


def _truths() -> Iterable[Case]:
    for word in OTHER_WORDS:
        yield Case(f"a truth value written '{word}'", (cell("lesions", 3, "in_stent", word),), blanked=NO_TRUTH)
    for word in OWN_WORDS:
        yield Case(
            f"false written '{word.strip()}'" + (" with spaces around it" if word != word.strip() else ""),
            (cell("lesions", 3, "in_stent", word),),
        )


WORDS = Family(
    "Truth values and codes",
    (
        *_truths(),
        Case(
            "an empty truth value", (cell("lesions", 3, "in_stent", ""),), truth=(cell("lesions", 3, "in_stent", ""),)
        ),
        Case(
            "Ja and Nein, stated",
            (
                column("lesions", "in_stent", lambda value: "Ja" if value == "true" else "Nein"),
                mapping('[lesions.codes.in_stent]\n"Ja" = "true"\n"Nein" = "false"\n'),
            ),
        ),
        Case(
            "1 for no and 2 for yes, stated",
            (
                column("lesions", "in_stent", lambda value: "2" if value == "true" else "1"),
                mapping('[lesions.codes.in_stent]\n"2" = "true"\n"1" = "false"\n'),
            ),
        ),
        Case(
            "1 for no stated, and a 0 that the mapping does not know",
            (
                column("lesions", "in_stent", lambda value: "2" if value == "true" else "1"),
                cell("lesions", 3, "in_stent", "0"),
                mapping('[lesions.codes.in_stent]\n"2" = "true"\n"1" = "false"\n'),
            ),
            blanked=NO_TRUTH,
        ),
        Case(
            "a cross for yes and nothing for no",
            (column("lesions", "in_stent", lambda value: "x" if value == "true" else ""),),
            blanked={"lesions": {"in_stent is not a truth value (true or false)": (5,)}},
            untold={"lesions.in_stent": "an empty cell is never read as no: it is not recorded"},
        ),
        Case(
            "whether an attempt crossed, in a word that is not known",
            (cell("attempts", 13, "crossed", "perhaps"),),
            aside={"attempts": {"crossed is not a truth value (true or false)": (13,)}},
        ),
        Case(
            "whether an attempt crossed, left out",
            (cell("attempts", 13, "crossed", ""),),
            aside={"attempts": {"crossed is missing": (13,)}},
        ),
        *(
            Case(f"a code with {way}: {value}", (cell("lesions", 3, "proximal_cap", value),), blanked=NO_CODE)
            for way, value in ALMOST
        ),
        Case("a code in capitals", (column("lesions", "proximal_cap", str.upper),)),
        Case("a code with a capital", (column("lesions", "proximal_cap", str.title),)),
        Case("a code with spaces around it", (column("lesions", "proximal_cap", lambda value: f"  {value}  "),)),
        Case(
            "a code with no-break spaces around it",
            (column("lesions", "proximal_cap", lambda value: f"\u00a0{value}\u00a0"),),
        ),
        Case(
            "a code with a zero-width space behind it",
            (column("lesions", "proximal_cap", lambda value: f"{value}\u200b"),),
        ),
        Case(
            "a code with a soft hyphen in it",
            (column("lesions", "proximal_cap", lambda value: f"con\u00ad{value[3:]}"),),
        ),
        Case(
            "a code with a mark of direction before it",
            (column("lesions", "proximal_cap", lambda value: f"\u200e{value}"),),
        ),
        Case(
            "a code with a space in place of the underscore",
            (cell("lesions", 10, "segment", "anterior tibial"),),
            aside={"lesions": {"segment is not one of its codes": (10,)}},
        ),
        Case(
            "a code with a hyphen in place of the underscore",
            (cell("lesions", 10, "segment", "anterior-tibial"),),
            aside={"lesions": {"segment is not one of its codes": (10,)}},
        ),
        Case(
            "a needed code left out",
            (cell("attempts", 13, "approach", ""),),
            aside={"attempts": {"approach is missing": (13,)}},
        ),
        Case(
            "'unknown' for a needed code",
            (cell("attempts", 13, "approach", "unknown"),),
            aside={"attempts": {"approach is not one of its codes": (13,)}},
        ),
        Case(
            "both approaches in one cell",
            (cell("attempts", 13, "approach", "antegrade + retrograde"),),
            aside={"attempts": {"approach is not one of its codes": (13,)}},
        ),
        Case(
            "a side written L",
            (cell("procedures", 9, "side", "L"),),
            aside={"procedures": {"side is not one of its codes": (9,)}},
        ),
        Case(
            "both sides in one cell",
            (cell("procedures", 9, "side", "both"),),
            aside={"procedures": {"side is not one of its codes": (9,)}},
        ),
        Case(
            "a calcium grade of another scale",
            (cell("lesions", 3, "calcium_grade", "severe"),),
            blanked={"lesions": {"calcium_grade is not a grade of its calcium_scale": (3,)}},
        ),
        Case(
            "a calcium grade of no scale",
            (cell("lesions", 3, "calcium_grade", "heavy"),),
            blanked={"lesions": {"calcium_grade is not a grade of its calcium_scale": (3,)}},
        ),
        Case(
            "a calcium grade with a fraction of zero (2.0)",
            (column("lesions", "calcium_grade", lambda value: f"{value}.0"),),
        ),
        Case(
            "a calcium grade without its scale",
            (cell("lesions", 3, "calcium_scale", ""),),
            blanked={"lesions": {"calcium_grade has no calcium_scale to be read on": (3,)}},
            truth=(cell("lesions", 3, "calcium_scale", ""),),
        ),
        Case(
            "codes of the site's own, without a mapping",
            (column("lesions", "proximal_cap", lambda value: "1"),),
            blanked={"lesions": {"proximal_cap is not one of its codes": tuple(range(2, 11))}},
        ),
        Case(
            "codes of the site's own, with a mapping",
            (
                column("lesions", "proximal_cap", lambda value: {"concave": "1", "convex": "2"}[value]),
                mapping('[lesions.codes.proximal_cap]\n"1" = "concave"\n"2" = "convex"\n'),
            ),
        ),
        Case(
            "codes of the site's own as 1.0 and 2.0, with a mapping",
            (
                column("lesions", "proximal_cap", lambda value: {"concave": "1.0", "convex": "2.0"}[value]),
                mapping('[lesions.codes.proximal_cap]\n"1" = "concave"\n"2" = "convex"\n'),
            ),
        ),
        Case(
            "a code that the mapping does not know",
            (
                cell("lesions", 3, "proximal_cap", "9"),
                mapping('[lesions.codes.proximal_cap]\n"1" = "concave"\n"2" = "convex"\n'),
            ),
            blanked=NO_CODE,
        ),
        Case(
            "a code that the mapping says means not recorded",
            (cell("lesions", 3, "proximal_cap", "9"), mapping('[lesions.codes.proximal_cap]\n"9" = ""\n')),
            truth=(cell("lesions", 3, "proximal_cap", ""),),
        ),
    ),
)
