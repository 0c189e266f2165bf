"""What the bytes of a text file say: its encoding, told from the whole file and never guessed at where letters would come out wrong."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator

from pipeline.faults import NeedsMending

# Longest first: the mark of UTF-32 begins with that of UTF-16.
_MARKS = (
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
# How files begin that are no text, whatever their name says (the formats' own published signatures), and what to do with them.
_SIGNATURES = (
    (b"PK\x03\x04", "a workbook or a zip archive; end its name in .xlsx or .zip"),
    (b"\x1f\x8b", "packed with gzip; end its name in .gz"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an old office file; end its name in .xls, or save it as .xlsx"),
    (b"PAR1", "a Parquet file; end its name in .parquet"),
    (b"%PDF", "a PDF; export the table itself"),
    (b"{\\rtf", "a document; export the table itself"),
    (b"<stata_dta>", "a Stata file; end its name in .dta"),
    (b"$FL2@(#)", "an SPSS file; end its name in .sav"),
    (b"$FL3@(#)", "an SPSS file; end its name in .zsav"),
    (b"HEADER RECORD*******LIB", "a SAS transport file; end its name in .xpt"),
    (b"\x00" * 12 + b"\xc2\xea\x81\x60\xb3\x14\x11\xcf", "a SAS file; end its name in .sas7bdat"),
    (b"7z\xbc\xaf\x27\x1c", "packed with 7z; unpack it, or pack it as .zip"),
    (b"Rar!\x1a\x07", "packed with rar; unpack it, or pack it as .zip"),
    (b"BZh", "packed with bzip2; unpack it, or pack it as .gz"),
    (b"\xfd7zXZ\x00", "packed with xz; unpack it, or pack it as .gz"),
    (b"\x28\xb5\x2f\xfd", "packed with zstd; unpack it, or pack it as .gz"),
    (b"SQLite format 3\x00", "a database; export the table itself"),
)
_MARKUP = re.compile(rb"\s*<(!doctype|html|table|\?xml|head|body|meta)\b", re.IGNORECASE)
_PART = 16 * 1024 * 1024  # bytes decoded at a time, so that memory does not hold the text twice over
_DAMAGED = "\ufffd"  # stands for a letter that cannot be decoded
_MOST_NULS = 0.25  # share of bytes, padded fields among them; a text with more of them is none

# Two bytes that in Western European text are one letter of UTF-8 (U+00C0 to U+00FF) and never two letters of cp1252.
_UTF8_LETTER = re.compile(rb"\xc3[\x80-\xbf]")
# Bytes that cp1252 does not have, and signs or capitals of it that stand inside a word: the letters of another code page.
_NOT_CP1252 = re.compile(
    rb"[\x80-\xa7](?:(?<=[\x81\x8d\x8f\x90\x9d])|(?<=[A-Za-z][\x82\x84\x88\x8b])"
    rb"|(?<=[A-Za-z][\x80\x86\x87\x89\x8a\x8c\x8e\x93-\x95\x98\x99\x9b\x9f\xa1-\xa5\xa7])(?=[a-z\xa0-\xff]))"
)
_FIRST_UNTORN = 0xC4  # a lone byte below is the half of a letter (lead bytes C2 and C3, following bytes 80 to BF), not one of cp1252

_PADDING = re.compile(rb"\x00+(?=[\r\n;,|\t\"]|$)")
# What a power cut or a full disk leaves: no program pads a field so far, and a sector of a disk has 512 bytes at the least.
_LOST = re.compile(rb"\x00{256,}")
# A newline or a return of UTF-16 read one byte aside: signs that no table of a Western hospital holds.
_ASIDE = ("\u0a00", "\u0d00")
# Line ends of mainframes and of Unicode, which are none where there are others.
_OTHER_LINE_ENDS = ("\x85", "\u2028", "\u2029")
_LONE_RETURN = re.compile(rb"\r(?!\n)")


def as_utf8(data: bytes, *, name: str, stated: str | None) -> tuple[bytes, str]:
    """A text file's bytes as UTF-8 with newlines at its line ends, and how it was decoded, in words for the user.

    In this order: byte order mark, UTF-16 by the place of its NULs, UTF-8, the encoding that the mapping states, cp1252 (told
    as assumed). A letter that is torn becomes U+FFFD and is counted. Raises NeedsMending when the bytes are no text, or when
    their letters are of none of these and none is stated.
    """
    _refuse_other_formats(data, name)
    text, told = _decoded(data, name, stated)
    text = _without_nuls(text)
    # Files put one behind the other leave their marks of beginning and end in the middle.
    for mark in (codecs.BOM_UTF8, b"\x1a"):
        text = text.replace(mark, b"")
    return _with_newlines(text), told


def _refuse_other_formats(data: bytes, name: str) -> None:
    for signature, advice in _SIGNATURES:
        if data.startswith(signature):
            raise NeedsMending(f"{name}: not text but {advice}")
    if _MARKUP.match(data.removeprefix(codecs.BOM_UTF8)[:2000]):
        raise NeedsMending(
            f"{name}: a web page or XML, not a table; open it in a spreadsheet and save it as CSV or .xlsx"
        )


def _decoded(data: bytes, name: str, stated: str | None) -> tuple[bytes, str]:
    if data.startswith(codecs.BOM_UTF8):
        return _mended(data[len(codecs.BOM_UTF8) :])
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            return _strictly(data[len(mark) :], encoding, name), encoding
    if b"\x00" in data:
        without = data.rstrip(b"\x00")
        wide = _wide_encoding(without)
        if wide is not None:
            # A last letter whose own zero went with the padding has it back.
            whole = without + b"\x00" * (len(without) % 2) if len(without) < len(data) else without
            return _strictly(whole, wide, name), wide
        if without.count(0) > _MOST_NULS * len(without):
            raise NeedsMending(f"{name}: not text, or damaged; export it again as CSV")
    if data.isascii() or _is_utf8(data):
        return data, "utf-8"
    if stated is not None:
        return _strictly(data, stated, name), stated
    if _UTF8_LETTER.search(data):
        return _mended(data)
    if _NOT_CP1252.search(data):
        raise NeedsMending(
            f"{name}: its letters are neither UTF-8 nor Windows-1252; save it as UTF-8, or give its encoding in the mapping "
            '(encoding = "cp850", "mac_roman" or "latin-1", for instance)'
        )
    return _strictly(data, "cp1252", name), "cp1252 (assumed: it is not UTF-8)"


def _wide_encoding(data: bytes) -> str | None:
    """UTF-16 without its mark: the NULs stand in one of each two bytes, over the whole file."""
    even, odd = data[0::2].count(0), data[1::2].count(0)
    half = max(len(data) / 2, 1)
    if max(even, odd) > 0.4 * half and min(even, odd) < 0.1 * half:
        return "utf-16-le" if odd > even else "utf-16-be"
    return None


def _is_utf8(data: bytes) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        for part in _parts(data):
            decoder.decode(part)
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _strictly(data: bytes, encoding: str, name: str) -> bytes:
    decoder = codecs.getincrementaldecoder(encoding)()
    aside = False
    try:
        parts: list[bytes] = []
        for part in _parts(data):
            text = decoder.decode(part)
            aside = aside or any(sign in text for sign in _ASIDE)
            parts.append(text.encode())
        parts.append(decoder.decode(b"", final=True).encode())
    except UnicodeError:
        raise NeedsMending(
            f"{name}: the text cannot be decoded as {encoding}; save it as UTF-8, or give its encoding in the mapping"
        ) from None
    if aside and encoding.startswith("utf-16"):
        raise NeedsMending(f"{name}: a byte is missing or too many in its {encoding} text; export or copy it again")
    return b"".join(parts)


def _mended(data: bytes) -> tuple[bytes, str]:
    """UTF-8 in which some letters are torn, or some lines (of another export put behind the first) are cp1252.

    One torn letter must not turn every other letter of the file into two wrong ones, nor one old line every new one.
    """
    torn = foreign = 0

    def replace(error: UnicodeError) -> tuple[str, int]:
        nonlocal torn, foreign
        if not isinstance(error, UnicodeDecodeError):
            raise error
        byte = error.object[error.start]
        if byte < _FIRST_UNTORN:
            torn += 1
            return _DAMAGED, error.end
        foreign += 1
        return bytes([byte]).decode("cp1252"), error.start + 1

    codecs.register_error("crosswise.mend", replace)
    text = data.decode("utf-8", errors="crosswise.mend").encode("utf-8")
    found = [
        f"{foreign} letter{'' if foreign == 1 else 's'} read as cp1252" if foreign else "",
        f"{torn} damaged letter{'' if torn == 1 else 's'}" if torn else "",
    ]
    told = ", ".join(part for part in found if part)
    return text, f"utf-8 ({told})" if told else "utf-8"


def _parts(data: bytes) -> Iterator[memoryview]:
    view = memoryview(data)
    for start in range(0, len(data), _PART):
        yield view[start : start + _PART]


def _without_nuls(text: bytes) -> bytes:
    """The text without the NULs and the end mark (Ctrl-Z) that old programs pad fields and files with; others are damage."""
    if text[-1:] in (b"\x00", b"\x1a") or b"\x1a" in text[-4:] or b"\x00" in text[-4:]:
        text = text.rstrip(b"\x00\x1a\r\n")
    if b"\x00" not in text:
        return text
    # What stood before a stretch that is lost and what stood behind it are not one line, even if their fields add up to one.
    text = _LOST.sub(_DAMAGED.encode() + b"\n", text)
    return _PADDING.sub(b"", text).replace(b"\x00", _DAMAGED.encode())


def _with_newlines(text: bytes) -> bytes:
    """The text with a newline at every line end: a return alone was one on old machines."""
    if text.count(b"\r") != text.count(b"\r\n"):
        text = _LONE_RETURN.sub(b"\n", text)
    if b"\n" not in text:
        for end in _OTHER_LINE_ENDS:
            text = text.replace(end.encode(), b"\n")
    return text
