"""Check digits and date parts of national numbers that python-stdnum lacks, or takes in too narrow a way.

Each function takes a number as it is written, with spaces and dashes, and tells whether it is a valid one. None looks at today's
date, so that the same column is judged alike next year.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from stdnum import luhn
from stdnum.dk import cpr
from stdnum.gb import nhs
from stdnum.no import fodselsnummer

_DAYS = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
_BIRTH_YEARS = range(
    30, 90
)  # the last two digits of years that are birth years of patients, and of no procedure in an export
_NPI_PREFIX = "80840"  # ISO 7812 issuer for health applications in the United States (45 CFR 162.406)
_NINO = re.compile(r"(?!BG|GB|KN|NK|NT|TN|ZZ)[A-CEGHJ-PR-TW-Z][A-CEGHJ-NPR-TW-Z]\d{6}[A-D]")
_MBI_LETTER = "[AC-HJKMNP-RT-Y]"  # all but S, L, O, I, B and Z
_MBI = re.compile(rf"[1-9]{_MBI_LETTER}(?:\d|{_MBI_LETTER})\d{_MBI_LETTER}(?:\d|{_MBI_LETTER})\d{_MBI_LETTER}{{2}}\d\d")


def is_chi_number(text: str) -> bool:
    """Community Health Index, Scotland: day, month, year, four digits; check digit as the NHS number's (NHS Data Dictionary)."""
    number = _plain(text)
    return is_day_month(number[:2], number[2:4]) and nhs.is_valid(number)


def is_health_and_care_number(text: str) -> bool:
    """Northern Ireland: the range 320 000 0010 to 399 999 9999, check digit as the NHS number's (NHS Data Dictionary)."""
    number = _plain(text)
    return "32" <= number[:2] <= "39" and nhs.is_valid(number)


def is_national_insurance_number(text: str) -> bool:
    """United Kingdom: two letters, six digits, A to D; no check digit (HMRC, National Insurance Manual NIM39110)."""
    return _NINO.fullmatch(_plain(text)) is not None


def is_medicare_beneficiary(text: str) -> bool:
    """United States Medicare: eleven signs, no check digit (CMS, Understanding the Medicare Beneficiary Identifier Format)."""
    return _MBI.fullmatch(_plain(text)) is not None


def is_npi(text: str) -> bool:
    """United States National Provider Identifier: ten digits from 1 or 2, Luhn's check digit after the prefix 80840 (CMS)."""
    number = _plain(text)
    return number[:1] in ("1", "2") and luhn.is_valid(_NPI_PREFIX + number)


def is_kvnr(text: str) -> bool:
    """German health insurance number, its unchanging part: a letter and nine digits (SGB V section 290, guideline, annex 1).

    The letter as two digits (A = 01), weights 1 and 2 in turn, sum of the products' digits modulo 10.
    """
    number = _plain(text)
    return _digit_sum(_with_letter(number[:-1]), (1, 2) * 5) % 10 == int(number[-1])


def is_rentenversicherungsnummer(text: str) -> bool:
    """German pension insurance number: area, date of birth, letter, serial, check digit (VKVV section 2).

    The letter as two digits, weights 2 1 2 5 7 1 2 1 2 1 2 1, sum of the products' digits modulo 10.
    """
    number = _plain(text)
    weights = (2, 1, 2, 5, 7, 1, 2, 1, 2, 1, 2, 1)
    # The day has 50 added where a number had to be given twice.
    day = f"{int(number[2:4]) % 50:02d}"
    return is_day_month(day, number[4:6]) and _digit_sum(_with_letter(number[:-1]), weights) % 10 == int(number[-1])


def is_nuss(text: str) -> bool:
    """Spanish social security number: province, eight digits, the ten modulo 97 (Tesoreria General; from memory).

    A leading zero of the eight digits does not count.
    """
    number = _plain(text)
    return int(f"{int(number[:2])}{int(number[2:10]):07d}") % 97 == int(number[10:])


def is_coordinated_personnummer(text: str) -> bool:
    """Swedish personnummer or coordination number, whose day has 60 added (Skatteverket SKV 704, SKV 707)."""
    number = _plain(text)[-10:]
    day = int(number[4:6])
    return is_day_month(f"{day - 60 if day > 60 else day:02d}", number[2:4]) and luhn.is_valid(number)


def is_fodselsnummer(text: str) -> bool:
    """Norwegian national number with its two check digits (Skatteetaten).

    D-numbers have 40 added to the day, H-numbers 40 to the month, test persons 65 or 80 to the month; FH-numbers begin with 8
    or 9 and hold no date.
    """
    number = _plain(text)
    if number[-2] != fodselsnummer.calc_check_digit1(number) or number[-1] != fodselsnummer.calc_check_digit2(number):
        return False
    day, month = int(number[:2]), int(number[2:4])
    if number[0] in "89":
        return True
    moved = next((by for by in (80, 65, 40) if month > by), 0)
    return is_day_month(f"{day - 40 if day > 40 else day:02d}", f"{month - moved:02d}")


def is_cpr_number(text: str) -> bool:
    """Danish CPR number with its check digit, which nearly all born before 2007 have (CPR-kontoret, Personnummeret i CPR)."""
    number = _plain(text)
    return is_day_month(number[:2], number[2:4]) and cpr.checksum(number) == 0


def starts_with_a_birth(text: str) -> bool:
    """Whether the first digits are a day, month and year, in either order, of a year that is none of a procedure's."""
    digits = re.match(r"\d*", text)
    number = _plain(text) if digits is None else digits[0]
    if len(number) in (8, 12, 13) and number[:2] == "19":
        number = number[2:]
    first, month, last = number[:2], number[2:4], number[4:6]
    return (is_day_month(first, month) and int(last) in _BIRTH_YEARS) or (
        is_day_month(last, month) and int(first) in _BIRTH_YEARS
    )


def is_day_month(day: str, month: str) -> bool:
    """Whether two pairs of digits are a day of a month, in a leap year if need be."""
    return 1 <= int(month) <= 12 and 1 <= int(day) <= _DAYS[int(month) - 1]


def _plain(text: str) -> str:
    """Letters, in capitals, and digits alone."""
    return "".join(sign for sign in text.upper() if sign.isalnum())


def _with_letter(number: str) -> str:
    """The number with its letter as two digits, A = 01."""
    return "".join(sign if sign.isdigit() else f"{ord(sign) - ord('A') + 1:02d}" for sign in number)


def _digit_sum(number: str, weights: Iterable[int]) -> int:
    """The sum of the digits of each digit's product with its weight."""
    products = (int(digit) * weight for digit, weight in zip(number, weights, strict=True))
    return sum(sum(divmod(product, 10)) for product in products)
