"""National health, insurance and identity numbers, told by layout and check digit, one entry each.

To add a number, add one `NationalNumber` to `NUMBERS`. Check digits come from python-stdnum wherever it has them, and from
pipeline/guard/check_digits.py where it has not.

**Why ordinary numbers do not trip.** Of ordinary record numbers of the right length, one in ten or eleven has a valid check
digit by chance. So a column counts as holding such numbers only when at least half of its different values of that layout are
valid, and when so many would be valid by chance with a probability of at most one in a million (Chernoff's bound on the
binomial tail; Hoeffding 1963, theorem 1): with a chance of 1 in 11, six of six, or 12 of 20. That is a probability for one
column and one number; with some thirty numbers, at most 3 in 100,000 for one column of record numbers.
tests/test_national_numbers.py simulates it. `chance` supposes that the date in a number is a valid one, so that record
numbers which begin with a date do not trip either.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
import pyarrow as pa
from stdnum import iban
from stdnum.at import vnr
from stdnum.be import bis, nn
from stdnum.br import cpf
from stdnum.ch import ssn as ahv
from stdnum.cz import rc
from stdnum.de import idnr
from stdnum.es import dni, nie
from stdnum.fi import hetu
from stdnum.fr import nir
from stdnum.gb import nhs
from stdnum.ie import pps
from stdnum.is_ import kennitala
from stdnum.it import codicefiscale
from stdnum.nl import bsn
from stdnum.pl import pesel
from stdnum.pt import cc, nif
from stdnum.us import itin, ssn

from pipeline.guard.check_digits import (
    is_chi_number,
    is_coordinated_personnummer,
    is_cpr_number,
    is_fodselsnummer,
    is_health_and_care_number,
    is_kvnr,
    is_medicare_beneficiary,
    is_national_insurance_number,
    is_npi,
    is_nuss,
    is_rentenversicherungsnummer,
    starts_with_a_birth,
)

MOST_BY_CHANCE = 1e-6
FEWEST_VALID = 0.5  # share of the different values of that layout
_LOOKED_AT = 200  # different values of a layout: enough for the bound above, whatever the column's length
_MOST_LAYOUTS = 50
_FEWEST_DIGITS, _LONGEST = 5, 40
_LAYOUT_ONLY = 0.1  # no check digit: that at most one code in ten so laid out is something else; our choice, no source

_GAP = r"[ ./\u00a0\u2010-\u2015-]?"  # spaces and dashes as they are met, the typographic ones too
_LABEL = r"[^9]*"  # "NHS no. 943 476 5919"
_LABEL_APART = r"(?:[^9]*[ :#])?"  # where the number itself starts with a letter


@dataclass(frozen=True, slots=True)
class NationalNumber:
    """One kind of number. `name` is the plural that a message prints.

    `layout` is a pattern on the value with every digit written as 9 and every letter as A. `valid` takes the number as it stands
    in the value, its spaces and dashes included. `chance` is the probability that another value of that layout, with a valid date
    where the number has one, is valid too.
    """

    name: str
    layout: str
    valid: Callable[[str], bool]
    chance: float


def _digits(*groups: int) -> str:
    """The layout of groups of digits, each with or without a gap before the next."""
    return _GAP.join(f"9{{{size}}}" for size in groups)


NUMBERS: tuple[NationalNumber, ...] = (
    # United Kingdom and Ireland. One check digit for all three health numbers (NHS Data Dictionary: NHS NUMBER, CHI NUMBER,
    # HEALTH AND CARE NUMBER); the narrower ranges first.
    NationalNumber("CHI numbers", _digits(6, 4) + "|" + _digits(3, 3, 4), is_chi_number, 1 / 11),
    NationalNumber("Health and Care numbers", _digits(3, 3, 4), is_health_and_care_number, 1 / 11),
    NationalNumber("NHS numbers", _digits(3, 3, 4), nhs.is_valid, 1 / 11),
    NationalNumber(
        "National Insurance numbers", f"AA{_GAP}{_digits(2, 2, 2)}{_GAP}A", is_national_insurance_number, _LAYOUT_ONLY
    ),
    NationalNumber("PPS numbers", f"9{{7}}{_GAP}A{{1,2}}", pps.is_valid, 1 / 23),
    # United States
    NationalNumber(
        "social security numbers",
        "9{3}[ -]9{2}[ -]9{4}",
        lambda text: ssn.is_valid(text.replace(" ", "-")) or itin.is_valid(text.replace(" ", "-")),
        _LAYOUT_ONLY,
    ),
    NationalNumber("Medicare numbers", f"9A[9A]9{_GAP}A[9A]9{_GAP}AA99", is_medicare_beneficiary, _LAYOUT_ONLY),
    NationalNumber("physicians' NPI numbers", _digits(10), is_npi, 1 / 10),
    # Germany, Austria, Switzerland
    NationalNumber("health insurance numbers (KVNR)", f"A{_GAP}{_digits(3, 3, 3)}", is_kvnr, 1 / 10),
    NationalNumber(
        "pension insurance numbers (RVNR)",
        f"{_digits(2, 6)}{_GAP}A{_GAP}{_digits(2, 1)}|{_digits(2, 2, 2, 2)}{_GAP}A{_GAP}9{{3}}",
        is_rentenversicherungsnummer,
        1 / 10,
    ),
    NationalNumber("tax numbers (IdNr)", _digits(2, 3, 3, 3), idnr.is_valid, 1 / 10),
    NationalNumber("social insurance numbers (SVNR)", _digits(4, 6) + "|" + _digits(4, 2, 2, 2), vnr.is_valid, 1 / 11),
    NationalNumber("AHV numbers", _digits(3, 4, 4, 2), ahv.is_valid, 1 / 10),
    # France, Belgium, Netherlands
    NationalNumber("NIR numbers", f"{_digits(1, 2, 2)}{_GAP}9[9A]{_GAP}{_digits(3, 3, 2)}", nir.is_valid, 1 / 97),
    NationalNumber(
        "national register numbers (NISS)",
        _digits(2, 2, 2, 3, 2),
        lambda text: nn.is_valid(text) or bis.is_valid(text),
        2 / 97,  # with and without the 2 that is put before those born from 2000
    ),
    NationalNumber("BSN numbers", f"9(?:{_GAP}9){{7,8}}", bsn.is_valid, 1 / 11),
    # Spain, Portugal, Italy
    NationalNumber("DNI numbers", f"{_digits(2, 3, 3)}{_GAP}A", dni.is_valid, 1 / 23),
    NationalNumber("NIE numbers", f"A{_GAP}9{{7}}{_GAP}A", nie.is_valid, 1 / 23),
    NationalNumber("social security numbers (NUSS)", _digits(2, 8, 2), is_nuss, 1 / 97),
    NationalNumber("NIF numbers", _digits(3, 3, 3), nif.is_valid, 1 / 10),
    NationalNumber("citizen card numbers", f"9{{8}}{_GAP}9{_GAP}[9A]{{2}}9", cc.is_valid, 1 / 10),
    NationalNumber(
        "codici fiscali",
        f"A{{3}}{_GAP}A{{3}}{_GAP}[9A]{{2}}A[9A]{{2}}{_GAP}A[9A]{{3}}A",
        codicefiscale.is_valid,
        1 / 26,
    ),
    # Sweden, Norway, Denmark, Finland, Iceland
    NationalNumber("personnummer", "(?:99)?9{6}[ +-]?9{4}", is_coordinated_personnummer, 1 / 10),
    NationalNumber("fødselsnummer", _digits(6, 5) + "|" + _digits(6, 3, 2), is_fodselsnummer, 1 / 121),
    NationalNumber("CPR numbers", _digits(6, 4), is_cpr_number, 1 / 11),
    NationalNumber(
        "henkilötunnus", "9{6}[A+-]9{3}[9A]", lambda text: hetu.is_valid(text, allow_temporary=True), 1 / 31
    ),
    NationalNumber("kennitala", _digits(6, 4), kennitala.is_valid, 1 / 11),
    # Poland, the Czech Republic and Slovakia, Brazil
    NationalNumber("PESEL numbers", _digits(11), pesel.is_valid, 1 / 10),
    NationalNumber("rodné číslo", _digits(6, 4), rc.is_valid, 1 / 11),
    NationalNumber("CPF numbers", _digits(3, 3, 3, 2), cpf.is_valid, 1 / 100),
    # Any country
    NationalNumber(
        "bank account numbers (IBAN)",
        f"AA99(?:{_GAP}[9A]){{11,30}}",
        lambda text: iban.is_valid(text, check_country=False),
        1 / 97,
    ),
    # The last resort: numbers led by a date of birth without a check digit, or with one that no longer has to hold, as in Denmark
    # since 2007. Record numbers led by a procedure's date have other years; one in ten may pass where day and year change places.
    NationalNumber(
        "numbers that begin with a date of birth", "(?:99)?9{6}[ A+-]?9{3,4}[9A]", starts_with_a_birth, 1 / 10
    ),
)

_PATTERNS = tuple(
    re.compile(f"{_LABEL_APART if number.layout.startswith('A') else _LABEL}({number.layout})(?:\\.9)?")
    for number in NUMBERS
)


def national_number(distinct: pl.Series) -> str | None:
    """The name of the kind of national number that a column's `distinct` values (text, stripped) hold; None for none.

    Where several fit, the one with the most valid values, and of these the first in `NUMBERS`. Numbers of one kind among
    values of other layouts are found; a few among other numbers of the same layout are not.
    """
    values = distinct.filter(distinct.str.len_chars().is_between(_FEWEST_DIGITS, _LONGEST))
    laid_out = _laid_out(values)
    layouts = _frequent(laid_out)
    best, most = None, 0
    seen: dict[tuple[str, ...], list[tuple[str, str]]] = {}
    for number, pattern in zip(NUMBERS, _PATTERNS, strict=True):
        spans = {layout: fits.span(1) for layout in layouts if (fits := pattern.fullmatch(layout))}
        if not spans:
            continue
        fitting = tuple(spans)
        if fitting not in seen:
            seen[fitting] = _looked_at(values, laid_out, fitting)
        texts = seen[fitting]
        valid = sum(number.valid(text[slice(*spans[layout])]) for text, layout in texts)
        if valid > most and beyond_chance(valid, len(texts), number.chance):
            best, most = number.name, valid
    return best


def beyond_chance(valid: int, looked_at: int, chance: float) -> bool:
    """Whether so many valid check digits among the numbers looked at cannot be put down to chance (see the module)."""
    share = valid / looked_at if looked_at else 0.0
    if share < FEWEST_VALID or share <= chance:
        return False
    # Relative entropy of the share seen to that by chance, in nats.
    entropy = share * math.log(share / chance)
    if share < 1:
        entropy += (1 - share) * math.log((1 - share) / (1 - chance))
    return math.exp(-looked_at * entropy) <= MOST_BY_CHANCE * (1 + 1e-9)  # six of six at 1 in 10 is just enough


def _frequent(laid_out: pl.Series) -> list[str]:
    """The layouts that have digits enough. Of very many, the frequent ones: numbers of one kind share a few."""
    counts = laid_out.value_counts().filter(pl.col("layout").str.count_matches("9", literal=True) >= _FEWEST_DIGITS)
    if counts.height > _MOST_LAYOUTS:
        counts = (
            counts.filter(pl.col("count") > 1).sort("count", "layout", descending=[True, False]).head(_MOST_LAYOUTS)
        )
    return counts["layout"].to_list()


def _looked_at(values: pl.Series, laid_out: pl.Series, layouts: Sequence[str]) -> list[tuple[str, str]]:
    """Values so laid out, each with its layout: all of a few, of many those with the lowest hashes, whatever their order."""
    here = laid_out.is_in(list(layouts))
    fitting = pl.DataFrame({"value": values.filter(here), "layout": laid_out.filter(here)})
    if fitting.height > _LOOKED_AT:
        fitting = fitting.with_columns(hash=pl.col("value").hash(seed=0)).bottom_k(_LOOKED_AT, by="hash").drop("hash")
    return fitting.rows()


_WRITTEN_AS = np.arange(256, dtype=np.uint8)
_WRITTEN_AS[[*range(ord("0"), ord("9") + 1)]] = ord("9")
_WRITTEN_AS[[*range(ord("A"), ord("Z") + 1), *range(ord("a"), ord("z") + 1)]] = ord("A")


def _laid_out(values: pl.Series) -> pl.Series:
    """Each value with 9 for a digit and A for a letter. Byte by byte: twenty times as fast as by pattern."""
    text = values.to_arrow().cast(pa.large_string())
    missing, offsets, letters = text.buffers()
    written = _WRITTEN_AS[np.frombuffer(letters, dtype=np.uint8)]
    again = pa.LargeStringArray.from_buffers(
        len(text), offsets, pa.py_buffer(written), missing, text.null_count, text.offset
    )
    return pl.Series("layout", again)
