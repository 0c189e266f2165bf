"""Letters and encodings. In the sound export a letter beyond ASCII stands in every `site_id` of procedures."""

from __future__ import annotations

import codecs

from tests.malformed.case import Case, Family
from tests.malformed.changes import cell, column, data, mapping, text, written
from tests.malformed.draft import Change

ROWS_OF_SESSIONS = tuple(range(2, 10))
MOJIBAKE = "a letter that was wrong before the export is a letter: nobody can know"


def _again(*steps: str) -> Change:
    """The procedures' bytes written as one encoding and taken for another, in turn, as careless programs do."""

    def make(content: bytes) -> bytes:
        for wrote, took in zip(steps[0::2], steps[1::2], strict=True):
            content = content.decode(took).encode(wrote)
        return content

    return data("procedures", make)


CASES = (
    Case("UTF-8 with a byte order mark", (written(encoding="utf-8-sig"),)),
    Case("UTF-16 with a byte order mark", (written(encoding="utf-16"),), notes={"procedures": "utf-16"}),
    Case(
        "UTF-16, big end first, without its mark", (written(encoding="utf-16-be"),), notes={"procedures": "utf-16-be"}
    ),
    Case(
        "UTF-16, little end first, without its mark", (written(encoding="utf-16-le"),), notes={"patients": "utf-16-le"}
    ),
    Case("UTF-32 with a byte order mark", (written(encoding="utf-32"),), notes={"patients": "utf-32"}),
    Case("Windows-1252", (written(encoding="cp1252"),), notes={"procedures": "cp1252 (assumed: it is not UTF-8)"}),
    Case(
        "Windows-1252, stated",
        (written(encoding="cp1252"), mapping("[procedures]\nencoding = 'cp1252'\n")),
        notes={"procedures": "cp1252"},
    ),
    Case("Latin-1", (written(encoding="latin-1"),), notes={"procedures": "cp1252 (assumed"}),
    Case("UTF-8, stated as Windows-1252", (mapping("[procedures]\nencoding = 'cp1252'\n"),)),
    Case("UTF-8, stated as UTF-16", (mapping("[procedures]\nencoding = 'utf-16'\n"),)),
    Case(
        "Windows-1252, stated as UTF-8",
        (written(encoding="cp1252"), mapping("[procedures]\nencoding = 'utf-8'\n")),
        stops=("procedures.csv: the text cannot be decoded as utf-8",),
    ),
    Case(
        "Windows-1252, stated as ASCII",
        (written(encoding="cp1252"), mapping("[procedures]\nencoding = 'ascii'\n")),
        stops=("procedures.csv: the text cannot be decoded as ascii",),
    ),
    Case(
        "Windows-1252, stated as UTF-16",
        (written("procedures", encoding="cp1252"), mapping("[procedures]\nencoding = 'utf-16'\n")),
        stops=("procedures.csv",),
    ),
    Case(
        "the code page of DOS (cp437), not stated",
        (written(encoding="cp437"),),
        stops=("procedures.csv: its letters are neither UTF-8 nor Windows-1252",),
    ),
    Case(
        "the code page of DOS (cp850), stated",
        (written(encoding="cp850"), mapping("[procedures]\nencoding = 'cp850'\n")),
        notes={"procedures": "cp850"},
    ),
    Case(
        "the letters of old Macintoshes, not stated",
        (written(encoding="mac_roman"),),
        stops=("procedures.csv: its letters are neither",),
    ),
    Case(
        "an encoding for Chinese (gb18030), stated",
        (written(encoding="gb18030"), mapping("[procedures]\nencoding = 'gb18030'\n")),
        notes={"procedures": "gb18030"},
    ),
    Case(
        "bytes that Windows-1252 does not have",
        (data("procedures", lambda content: content.replace("ü".encode(), b"\x81")),),
        stops=("procedures.csv: its letters are neither",),
    ),
    Case(
        "control characters of Latin-1 (0x85) among the letters",
        (written(encoding="latin-1"), column("procedures", "site_id", "S\x85\xfcd")),
        notes={"procedures": "cp1252 (assumed"},
        untold={
            "procedures.site_id": "a byte that is a control sign of Latin-1 is three points of Windows-1252, which is told as assumed"
        },
    ),
    Case(
        "two exports put one behind the other: UTF-8, then Windows-1252",
        (data("procedures", lambda content: _half(content, "cp1252")),),
        notes={"procedures": "letters read as cp1252"},
    ),
    Case(
        "one letter torn in two by a program that cuts at bytes",
        (data("procedures", lambda content: content.replace("ü".encode(), b"\xc3", 1)),),
        blanked={"procedures": {"site_id has a damaged letter": (2,)}},
        notes={"procedures": "1 damaged letter"},
    ),
    Case(
        "a byte order mark in the middle, from files put one behind the other",
        (data("procedures", lambda content: _mark_before(content, b"ses-05")),),
    ),
    Case(
        "a byte order mark twice at the beginning", (data("procedures", lambda content: codecs.BOM_UTF8 * 2 + content),)
    ),
    Case(
        "UTF-16 that lost its last byte",
        (written(encoding="utf-16-le"), data("procedures", lambda content: content[:-1])),
        stops=("procedures.csv: the text cannot be decoded as utf-16-le",),
    ),
    Case(
        "UTF-16 with a byte too many in the middle",
        (written(encoding="utf-16"), data("procedures", lambda content: content[:601] + b"x" + content[601:])),
        stops=("procedures.csv",),
    ),
    Case(
        "UTF-16 that was opened and saved as UTF-8",
        (data("procedures", lambda content: content.decode().encode("utf-16-le").decode("latin-1").encode()),),
        stops=("procedures.csv: not text, or damaged",),
    ),
    Case(
        "fields padded with NUL bytes", (text("procedures", lambda content: content.replace("Süd", "Süd\x00\x00\x00")),)
    ),
    Case(
        "a NUL byte inside a value",
        (cell("procedures", 3, "site_id", "Sü\x00d"),),
        blanked={"procedures": {"site_id has a damaged letter": (3,)}},
    ),
    Case("the end of the file padded with NUL bytes", (data("procedures", lambda content: content + b"\x00" * 512),)),
    Case(
        "a file of NUL bytes alone, as a full disk leaves it",
        (data("patients", lambda content: b"\x00" * len(content)),),
        stops=("patients.csv",),
    ),
    Case(
        "a stretch of NUL bytes in the middle, as a power cut leaves it",
        (data("attempts", lambda content: content[:500] + b"\x00" * 260 + content[760:]),),
        aside={
            "attempts": {
                "the line has 2 fields where the header has 14": (5,),
                "the line has 9 fields where the header has 14": (6,),
                "an attempt before it on its lesion is missing": (7, 8),
            }
        },
        blanked={"complications": {"its attempt is not in the attempts table": (3,)}},
        records={"attempts": 11},
        untold={"attempts: rows lost": "the row between the two halves is gone; they tell that something is"},
    ),
    Case(
        "a stretch of NUL bytes from the middle of one row to the middle of another, so that their halves would make one",
        (data("procedures", lambda content: _blotted(content, b"1250.75", b",63.0")),),
        aside={
            "procedures": {
                "the line has 18 fields where the header has 19": (3,),
                "the line has 2 fields where the header has 19": (4,),
            },
            "lesions": {"its procedure is not in the procedures table": (3, 4, 5)},
            "complications": {"its procedure is not in the procedures table": (2,)},
        },
    ),
    Case(
        "a file that is NUL bytes for a third",
        (data("procedures", lambda content: content[:500] + b"\x00" * 600 + content[500:]),),
        stops=("procedures.csv: not text, or damaged",),
    ),
    Case("letters written in two parts (u and two dots)", (column("procedures", "site_id", "Su\u0308d"),)),
    Case(
        "UTF-8 taken for Windows-1252 and saved again",
        (_again("utf-8", "cp1252"),),
        untold={"procedures.site_id": MOJIBAKE},
    ),
    Case(
        "UTF-8 whose letters were turned into question marks",
        (column("procedures", "site_id", "S?d"),),
        untold={"procedures.site_id": MOJIBAKE},
    ),
    Case(
        "letters written as in a web page (&uuml;)",
        (column("procedures", "site_id", "S&uuml;d"),),
        untold={"procedures.site_id": MOJIBAKE},
    ),
    Case(
        "UTF-7",
        (data("procedures", lambda content: content.decode().encode("utf-7")),),
        untold={"procedures.site_id": MOJIBAKE},
    ),
    Case(
        "UTF-8 with lone halves of surrogate pairs",
        (data("procedures", lambda content: content.replace("ü".encode(), b"\xed\xa0\xbc", 1)),),
        blanked={"procedures": {"site_id has a damaged letter": (2,)}},
    ),
    Case(
        "a letter in more bytes than UTF-8 allows",
        (data("procedures", lambda content: content.replace(b"ses-03", b"ses-0\xc0\xb3", 1)),),
        aside={
            "procedures": {"procedure_id has a damaged letter": (4,)},
            "lesions": {"its procedure is not in the procedures table": (4, 5)},
        },
    ),
    Case("EBCDIC, from a mainframe", (written("procedures", encoding="cp500"),), stops=("procedures.csv",)),
    Case(
        "random bytes",
        (data("patients", lambda content: bytes((i * 197 + 89) % 256 for i in range(4000))),),
        stops=("patients.csv",),
    ),
)


def _blotted(content: bytes, after: bytes, before: bytes) -> bytes:
    """NUL bytes in place of all between two values of neighboring columns in two rows."""
    first, last = content.index(after) + len(after), content.index(before)
    return content[:first] + b"\x00" * 300 + content[last:]


def _half(content: bytes, encoding: str) -> bytes:
    at = content.index(b"ses-05")
    return content[:at] + content[at:].decode().encode(encoding)


def _mark_before(content: bytes, before: bytes) -> bytes:
    return content.replace(before, codecs.BOM_UTF8 + before, 1)


LETTERS = Family("Letters and encodings", CASES)
