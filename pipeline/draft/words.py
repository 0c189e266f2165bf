"""How names are compared: without capitals, accents and signs, cut into words, with abbreviations and compounds seen through."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import SequenceMatcher
from functools import cache

NUMBER_WORD, ID_WORD, DOSE_AREA = "nr", "id", "dap"
NUMBERED = frozenset({NUMBER_WORD, ID_WORD})
_NUMBER_WORDS = frozenset({"nr", "no", "num", "number", "nummer", "numero", "n", "nro", "nbr"})
_ID_WORDS = frozenset(
    {"id", "key", "code", "cod", "codigo", "codice", "kennung", "schlussel", "schl", "kurzel", "identifier", "identifiant"}
    | {"identificador", "identificativo", "ident", "cle", "clave", "chave", "chiave", "sleutel", "kode"}
)  # fmt: skip
# Letters that stand for one with a mark above it: "Laenge" is "Länge". Both sides of a comparison are written so.
_TWO_LETTERS = (("ß", "ss"), ("æ", "ae"), ("ø", "oe"), ("œ", "oe"), ("ae", "a"), ("oe", "o"), ("ue", "u"))

# What a unit in a heading looks like -> the unit as the mapping writes it. Alone on the right: only within brackets.
_UNITS = {
    **dict.fromkeys(("mm", "millimeter", "millimetre", "milimetros", "millimetri"), "mm"),
    **dict.fromkeys(("cm", "centimeter", "centimetre", "zentimeter", "centimetros", "centimetri"), "cm"),
    **dict.fromkeys(("mgy", "milligray"), "mGy"),
    **dict.fromkeys(("cgy",), "cGy"),
    **dict.fromkeys(("gy", "gray"), "Gy"),
    **dict.fromkeys(("min", "mins", "minute", "minutes", "minuten", "minutos", "minuti"), "min"),
    **dict.fromkeys(("sec", "secs", "seconds", "sek", "sekunden", "secondes", "segundos", "secondi", "seconden"), "s"),
    **dict.fromkeys(("hr", "hrs", "hours", "std", "stunden", "heures", "horas", "ore", "uur", "uren"), "h"),
    **dict.fromkeys(("ml", "milliliter", "millilitre", "cc"), "mL"),
    **dict.fromkeys(("cl",), "cL"),
    **dict.fromkeys(("liter", "litre", "litros", "litri"), "L"),
    **dict.fromkeys(("mmhg", "mm hg"), "mmHg"),
    **dict.fromkeys(("kpa",), "kPa"),
    **dict.fromkeys(("kg",), "kg"),
}
_UNITS_IN_BRACKETS = _UNITS | {"m": "m", "in": "in", "inch": "in", "s": "s", "h": "h", "l": "L"}
_BRACKETS = re.compile(r"[(\[{]([^()\[\]{}]*)[)\]}]")
_AREA = re.compile(r"(?i)\b[mcµμ]?gy\s*[.*·x\u00d7-]?\s*c?m(2|²|\b)|\bgycm|\bgym")
# What a heading says of its codes and not of its meaning: "Sheath (y/n)".
_YES_OR_NO = re.compile(
    r"(?i)[(\[]?\b(ja/nein|j/n|yes/no|y/n|oui/non|o/n|s[ií]/no|s/n|s[iì]/no|ja/nee|sim/n[aã]o|[01]/[01])\b[)\]]?"
)
_LEGEND = re.compile(r"(?<![\w.])(\w{1,3})\s*[=:]\s*([^=:;,/|()\[\]]+?)\s*(?=[;,/|()\[\]]|\s\w{1,3}\s*[=:]|$)")
_SHORTEST_PIECE = 4  # letters of a word that a compound may be cut at
_LINKS = ("", "s", "n", "en", "es", "e")  # letters between the parts of a compound
_ALIKE = 0.82  # share of letters in common below which two words are two words; chosen by trying, no source


def plain(text: str) -> str:
    """The text in lower case, without accents and marks."""
    lowered = text.casefold()
    for written, meant in _TWO_LETTERS[:4]:
        lowered = lowered.replace(written, meant)
    bare = "".join(sign for sign in unicodedata.normalize("NFD", lowered) if not unicodedata.combining(sign))
    for written, meant in _TWO_LETTERS[4:]:
        bare = bare.replace(written, meant)
    return bare


@cache
def tokens(text: str) -> tuple[str, ...]:
    """The words and numbers of a text: 'PatName', 'pat_name' and 'Pat. Name' all give pat, name."""
    spread = re.sub(r"(?<=[a-zß-ÿ])(?=[A-ZÀ-Þ])", " ", unicodedata.normalize("NFC", text))
    return tuple(re.findall(r"[^\W\d_]+|\d+", plain(spread)))


@dataclass(frozen=True, slots=True)
class Heading:
    """A header as it is compared: its words without unit and legend.

    `unit` is the one that it states, as a mapping writes it, "" for none. `legend` is what it says of its codes, theirs to
    meaning: "Stent (0=no, 1=yes)".
    """

    words: tuple[str, ...]
    unit: str
    legend: tuple[tuple[str, str], ...]


@cache
def heading(header: str) -> Heading:
    """A header taken apart."""
    legend = tuple((code, meaning.strip()) for code, meaning in _LEGEND.findall(header))
    bare = header if len(legend) < 2 else _LEGEND.sub(" ", header)
    bare = _YES_OR_NO.sub(" ", bare) if _YES_OR_NO.sub("", bare).strip() else bare
    if _AREA.search(bare):
        # A dose-area product is another quantity than air kerma, whatever the rest of the heading says.
        return Heading((*_canonical(_AREA.sub(" ", bare)), DOSE_AREA), "", ())
    unit = ""
    for inside in _BRACKETS.findall(bare):
        found = _UNITS_IN_BRACKETS.get(plain(inside).strip(" .").replace("/", ""))
        if found:
            unit, bare = found, bare.replace(inside, " ")
    words = _canonical(bare)
    if words and not unit and words[-1] in _UNITS:
        # A heading that is nothing but a unit is the name of what it measures, too: "Minutes".
        unit, words = _UNITS[words[-1]], words[:-1] or words
    return Heading(words, unit, legend if len(legend) > 1 else ())


def _canonical(text: str) -> tuple[str, ...]:
    """A header's words, with one word for all the ways to write number and key."""
    signs = re.sub(r"#|№|\b[Nn]\s?[.]?\s?[°º]|\b[Nn][ro]\.", f" {NUMBER_WORD} ", text)
    found = list(tokens(signs))
    for at, word in enumerate(found):
        last = at == len(found) - 1 and at > 0
        if word in _ID_WORDS:
            found[at] = ID_WORD
        elif word in _NUMBER_WORDS and (word not in ("no", "n") or last):
            # "no" in front of a word is a no: "no bypass".
            found[at] = NUMBER_WORD
    return tuple(found)


def pieces(words: Iterable[str], lexicon: frozenset[str]) -> tuple[str, ...]:
    """The words with compounds of known words cut: verschlusslange gives verschluss, lange."""
    return tuple(piece for word in words for piece in _cut(word, lexicon))


@cache
def _cut(word: str, lexicon: frozenset[str]) -> tuple[str, ...]:
    best: list[tuple[str, ...] | None] = [None] * (len(word) + 1)
    best[0] = ()
    for end in range(_SHORTEST_PIECE, len(word) + 1):
        for start in range(end - _SHORTEST_PIECE + 1):
            before = best[start]
            if before is None or (start == 0 and end == len(word)):
                continue
            for link in _LINKS if end < len(word) else ("",):
                part = word[start : end - len(link)] if word[start:end].endswith(link) else ""
                if len(part) >= _SHORTEST_PIECE and part in lexicon:
                    known = best[end]
                    # Fewest parts: a compound is cut at its words, not inside them.
                    if known is None or len(before) + 1 < len(known):
                        best[end] = (*before, part)
    return best[len(word)] or (word,)


@cache
def likeness(one: str, other: str) -> float:
    """How much two words look like the same one, from 0 to 1: the same, an abbreviation, or another spelling."""
    if one == other:
        return 1.0
    if {one, other} == NUMBERED:
        return 0.75
    short, long = sorted((one, other), key=len)
    if one.isdigit() or other.isdigit() or not short:
        return 0.0
    if long.startswith(short):
        if len(short) >= 3:
            return 0.75 + 0.25 * len(short) / len(long)
        return 0.6 if len(short) == 2 else 0.45
    if short[0] != long[0]:
        return 0.0
    if len(short) >= 4 and len(long) - len(short) <= 4:
        matcher = SequenceMatcher(None, short, long, autojunk=False)
        if matcher.quick_ratio() >= _ALIKE and matcher.ratio() >= _ALIKE:
            return 0.95 * matcher.ratio()
    return 0.6 if 3 <= len(short) <= 6 and _is_skeleton(short, long) else 0.0


def _is_skeleton(short: str, long: str) -> bool:
    """Whether the letters of `short` stand in `long` in this order: lgth in length."""
    rest = iter(long)
    return all(letter in rest for letter in short)
