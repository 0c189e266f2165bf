"""Names of persons, told by how they are written: capitalized words of letters, many different ones, not repeated like codes.

Names of segments, devices, drugs and hospitals are written alike, but they come from a list: the same few again and again.
All thresholds are our choice (common practice, no source); what they let pass and stop is in tests/test_guard_by_content.py.
"""

from __future__ import annotations

import math
import re

import polars as pl

FEWEST_NAMES = 20  # different ones: fewer may be the segments, devices or hospitals of a small export
_FEWEST_TELLING = 3  # different ones, where a title or a common name tells by itself
_FEWEST_LENGTHS = 5  # codes of letters have one length, names many
_VOWELED = 0.95  # share: codes of letters at random often have no vowel
_NEARLY_ALL, _MOST, _SOME = 0.8, 0.5, 0.25
_LOOKED_AT = 500  # different values whose words are looked up, those with the lowest hashes
# A column of n rows drawn from a list has fewer different values than this many times the square root of n: 32 in 100 rows,
# 1,414 in 200,000.
_DIFFERENT_TO_ROOT_OF_ROWS = 10**0.5

_PARTICLES = "van|von|vom|zu|der|den|ten|ter|de|del|della|di|da|do|dos|du|la|le|las|los|el|al|af|bin|y|e|i|und|and"
_WORD = r"\p{Lu}[\p{L}'\x{2019}.]*"
_NAMES = rf"^(?:(?:{_PARTICLES})[ -])*{_WORD}(?:,? ?[ -]?(?:(?:{_PARTICLES})[ -])*{_WORD}){{0,5}}$"
_WORDS = re.compile(r"[^\W\d_]+")
_LETTERS = r"^[\p{L}'\x{2019}., -]+$"
_SURNAME_FIRST = r"^\p{Lu}[\p{L}'\x{2019} -]*, ?\p{Lu}[\p{L}'\x{2019}. -]*$"
_TITLED = (
    r"(?i)^(?:dr|prof|doctor|doktor|mr|mrs|ms|miss|sir|herr|hr|frau|fr|mme|mlle|monsieur|madame|señor|señora|sr|sra|don|doña"
    r"|dott|dott\.ssa|sig|sig\.ra|signor|signora|dhr|mevr|mevrouw|fru|fröken|docteur|doutor|doutora)(?:\. ?| )\pL"
)
_VOWEL = r"(?i)[aeiouyàáâãäåæèéêëìíîïòóôõöøœùúûüý]"
_OF_A_HOUSE = (
    r"(?i)\b(?:st|saint|sainte|sankt|san|santa|santo|são|sint|hospital|hôpital|hopital|clinic|clinica|clínica|klinik|klinikum"
    r"|krankenhaus|clinique|ospedale|policlinico|ziekenhuis|universit\w*|cent\w+|zentrum|infirmary|ward|station)\b"
)

# Frequent given names and surnames of the trade's languages (from memory), so that a column of a few names is told too.
COMMON_NAMES_OF = {
    "English": (
        "john james robert michael william david richard joseph thomas charles george edward henry peter paul "
        "mary patricia jennifer linda elizabeth barbara susan jane sarah margaret dorothy helen alice anne "
        "smith jones williams taylor davies evans johnson roberts walker wright robinson thompson hughes "
        "edwards clarke jackson wilson anderson doe murphy"
    ),
    "German": (
        "hans peter karl heinz wolfgang klaus werner helmut gerhard jürgen dieter manfred horst günter ursula "
        "renate ingrid helga karin monika gisela brigitte erika hildegard müller schmidt schneider fischer "
        "weber meyer wagner becker schulz hoffmann koch bauer richter schröder neumann zimmermann braun "
        "krüger hofmann lehmann"
    ),
    "French": (
        "jean pierre michel andré philippe rené louis jacques bernard françois marie jeanne françoise monique "
        "catherine nathalie isabelle jacqueline sylvie dubois durand moreau lefebvre leroy roux fournier "
        "girard lefèvre mercier dupont"
    ),
    "Spanish and Portuguese": (
        "josé antonio manuel francisco juan luis carlos miguel maria maría carmen josefa isabel dolores pilar "
        "teresa joão fernanda garcía garcia gonzález gonzalez rodríguez rodriguez fernández fernandez lópez "
        "lopez martínez martinez sánchez sanchez pérez perez gómez gomez martín jiménez ruiz hernández silva "
        "santos ferreira pereira oliveira costa rodrigues"
    ),
    "Italian": (
        "giuseppe giovanni mario luigi francesco angelo vincenzo anna rosa giuseppina angela giovanna rossi "
        "russo ferrari esposito bianchi romano colombo ricci marino greco"
    ),
    "Dutch and Nordic": (
        "johannes cornelis hendrik willem pieter gerrit johanna cornelia wilhelmina jansen janssen bakker "
        "visser smit meijer mulder dekker erik lars anders nils karl ole kari inger astrid birgitta andersson "
        "johansson karlsson nilsson eriksson larsson hansen johansen olsen larsen andersen nielsen jensen "
        "pedersen korhonen virtanen"
    ),
}
COMMON_NAMES = frozenset(name for names in COMMON_NAMES_OF.values() for name in names.split())


def holds_names(counts: pl.DataFrame) -> bool:
    """Whether a column holds names of persons. `counts`: its different values (`value`, text, stripped) and their rows (`count`)."""
    rows = _rows(counts)
    written = counts.filter(pl.col("value").str.contains(_LETTERS))
    if _rows(written) < _MOST * rows:
        return False
    return (
        _titled(written, rows)
        or _surname_first(written, rows)
        or _with_common_names(written, rows)
        or _many_different(written, rows)
    )


def holds_titles(counts: pl.DataFrame) -> bool:
    """Whether any value begins with a person's title."""
    return bool(counts["value"].str.contains(_TITLED).any())


def _titled(written: pl.DataFrame, rows: int) -> bool:
    titled = written.filter(pl.col("value").str.contains(_TITLED))
    return titled.height >= _FEWEST_TELLING and _rows(titled) >= _MOST * rows


def _surname_first(written: pl.DataFrame, rows: int) -> bool:
    """Surname, then given name. A list of terms may be written so too, but then each of them comes often."""
    named = written.filter(pl.col("value").str.contains(_SURNAME_FIRST))
    return (
        named.height >= 2 * _FEWEST_TELLING
        and _rows(named) >= _MOST * rows
        and (named.height >= _MOST * rows or _too_many_for_a_list(named.height, rows))
    )


def _with_common_names(written: pl.DataFrame, rows: int) -> bool:
    persons = written.filter(~pl.col("value").str.contains(_OF_A_HOUSE))
    if persons.height < _FEWEST_TELLING or _rows(persons) < _MOST * rows:
        return False
    if persons.height > _LOOKED_AT:
        persons = persons.with_columns(hash=pl.col("value").hash(seed=0)).bottom_k(_LOOKED_AT, by="hash")
    looked_at = persons["value"].to_list()
    common = sum(not COMMON_NAMES.isdisjoint(_WORDS.findall(value.casefold())) for value in looked_at)
    return common >= max(_FEWEST_TELLING, _SOME * len(looked_at))


def _many_different(written: pl.DataFrame, rows: int) -> bool:
    named = written.filter(pl.col("value").str.contains(_NAMES))
    if not _too_many_for_a_list(named.height, rows) or _rows(named) < _NEARLY_ALL * rows:
        return False
    values = named["value"]
    voweled = values.str.contains(_VOWEL).sum()
    return bool(voweled >= _VOWELED * len(values) and values.str.len_chars().n_unique() >= _FEWEST_LENGTHS)


def _too_many_for_a_list(different: int, rows: int) -> bool:
    return different >= max(float(FEWEST_NAMES), _DIFFERENT_TO_ROOT_OF_ROWS * math.sqrt(rows))


def _rows(counts: pl.DataFrame) -> int:
    return int(counts["count"].sum())
