"""National numbers are told from ordinary record numbers: by published examples, and by simulation of what chance does.

The numbers of whole columns are made when the test runs, from a seed, in test ranges where a country has them (NHS numbers from
999); none is written down and none is looked up for a person.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable

import polars as pl
import pytest

from pipeline.guard import check_digits
from pipeline.guard.identifiers import kind_by_content
from pipeline.guard.national_numbers import MOST_BY_CHANCE, NUMBERS, beyond_chance, national_number

BY_NAME = {number.name: number for number in NUMBERS}
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@pytest.mark.parametrize(
    ("name", "published", "wrong"),
    [
        # The documentation of python-stdnum 2.2, of each number's module.
        ("NHS numbers", "943-476-5870", "943-476-5871"),
        ("PPS numbers", "6433435F", "6433435E"),
        ("social security numbers", "536-90-4399", "666-00-0000"),
        ("social security numbers", "912-90-3456", "912-93-4567"),
        ("tax numbers (IdNr)", "36 574 261 809", "36574261890"),
        ("NIR numbers", "2 95 10 99 126 111 93", "295109912611199"),
        ("NIR numbers", "253072B07300470", "253072C07300443"),
        ("national register numbers (NISS)", "85.07.30-033 28", "85.07.30-033 29"),
        ("BSN numbers", "1112.22.333", "1112.52.333"),
        ("DNI numbers", "54362315-K", "54362315Z"),
        ("NIE numbers", "x-2482300w", "x-2482300a"),
        ("NIF numbers", "501 964 843", "501 964 842"),
        ("citizen card numbers", "00000000 0 ZZ4", "00000000 0 ZZ3"),
        ("codici fiscali", "RCCMNL83S18D969H", "RCCMNL83S18D969A"),
        ("personnummer", "880320-0016", "880320-0018"),
        ("fødselsnummer", "151086 95088", "15108695077"),
        ("CPR numbers", "211062-5629", "511062-5629"),
        ("henkilötunnus", "131052-308T", "131052-308U"),
        ("kennitala", "120174-3399", "320174-3399"),
        ("PESEL numbers", "44051401359", "44051401358"),
        ("rodné číslo", "710319/2745", "710319/2746"),
        ("bank account numbers (IBAN)", "GR16 0110 1050 0000 1054 7023 795", "GR16 0110 1050 0000 1054 7023 796"),
        # NHS Data Dictionary: NHS NUMBER.
        ("NHS numbers", "943 476 5919", "943 476 5918"),
        # CMS, National Provider Identifier standard: the check digit's example.
        ("physicians' NPI numbers", "1234567893", "1234567890"),
        # CMS, Understanding the Medicare Beneficiary Identifier Format: the card's example.
        ("Medicare numbers", "1EG4-TE5-MK73", "1SG4-TE5-MK73"),
        # gematik, the insured person of its test suite.
        ("health insurance numbers (KVNR)", "X110411675", "X110411674"),
        # CPAN Algorithm::CheckDigits::M10_006, its example.
        ("pension insurance numbers (RVNR)", "65180539W001", "65180539W002"),
        # HMRC, National Insurance Manual NIM39110: the prefix and suffix rules.
        ("National Insurance numbers", "AA 12 34 56 A", "BG 12 34 56 A"),
    ],
)
def test_a_published_number_is_valid_and_a_changed_one_is_not(name: str, published: str, wrong: str) -> None:
    assert BY_NAME[name].valid(published)
    assert not BY_NAME[name].valid(wrong)


def test_numbers_with_a_moved_day_or_month_count_too() -> None:
    # A Swedish coordination number has 60 added to the day, a Norwegian D-number 40; the check digits are then made anew.
    assert any(check_digits.is_coordinated_personnummer(f"880380-001{last}") for last in range(10))
    assert not any(check_digits.is_coordinated_personnummer(f"880332-001{last}") for last in range(10))
    moved = [f"{55:02d}10860{serial:02d}{check:02d}" for serial in range(20) for check in range(100)]
    assert any(check_digits.is_fodselsnummer(number) for number in moved)


def test_the_same_digits_in_scotland_and_northern_ireland_have_names_of_their_own() -> None:
    chi = made("CHI numbers", lambda dice: f"{dice.randrange(1, 29):02d}0340{dice.randrange(10**4):04d}")
    irish = made("Health and Care numbers", lambda dice: f"32{dice.randrange(10**8):08d}")
    assert national_number(pl.Series(chi)) == "CHI numbers"
    assert national_number(pl.Series(irish)) == "Health and Care numbers"


def digits(dice: random.Random, *, like: str) -> str:
    """A number like the pattern: 9 is any digit, ? any letter, other signs stand for themselves."""
    return "".join(
        str(dice.randrange(10)) if sign == "9" else dice.choice(LETTERS) if sign == "?" else sign for sign in like
    )


def birth(dice: random.Random, order: str) -> str:
    """A day of the years 1931 to 1969."""
    day = {
        "D": f"{dice.randrange(1, 29):02d}",
        "M": f"{dice.randrange(1, 13):02d}",
        "Y": f"{dice.randrange(31, 70):02d}",
    }
    return "".join(day[part] for part in order)


MAKING: dict[str, Callable[[random.Random], str]] = {
    "NHS numbers": lambda dice: digits(dice, like="NNN 999 9999").replace("N", "9"),
    "CHI numbers": lambda dice: birth(dice, "DMY") + digits(dice, like="9999"),
    "Health and Care numbers": lambda dice: "3" + dice.choice("23456789") + digits(dice, like="9 999 9999"),
    "National Insurance numbers": lambda dice: "QQ".replace("Q", "A") + digits(dice, like=" 99 99 99 ") + "A",
    "PPS numbers": lambda dice: digits(dice, like="9999999?A"),
    "social security numbers": lambda dice: digits(dice, like="999-99-9999"),
    "Medicare numbers": lambda dice: digits(dice, like="9?99-?99-??99"),
    "physicians' NPI numbers": lambda dice: "1" + digits(dice, like="999999999"),
    "health insurance numbers (KVNR)": lambda dice: digits(dice, like="?999999999"),
    "pension insurance numbers (RVNR)": lambda dice: "65 " + birth(dice, "DMY") + digits(dice, like=" ? 999"),
    "tax numbers (IdNr)": lambda dice: digits(dice, like="99 999 999 999"),
    "social insurance numbers (SVNR)": lambda dice: digits(dice, like="9999 ") + birth(dice, "DMY"),
    "AHV numbers": lambda dice: "756." + digits(dice, like="9999.9999.99"),
    "NIR numbers": lambda dice: "1 " + birth(dice, "Y") + " 03 75 " + digits(dice, like="999 999 99"),
    "national register numbers (NISS)": lambda dice: birth(dice, "YMD") + digits(dice, like="-999.99"),
    "BSN numbers": lambda dice: digits(dice, like="999999999"),
    "DNI numbers": lambda dice: digits(dice, like="99999999-?"),
    "NIE numbers": lambda dice: "X" + digits(dice, like="9999999?"),
    "social security numbers (NUSS)": lambda dice: "28/" + digits(dice, like="99999999/99"),
    "NIF numbers": lambda dice: "2" + digits(dice, like="99 999 999"),
    "citizen card numbers": lambda dice: digits(dice, like="99999999 9 ??9"),
    "codici fiscali": lambda dice: digits(dice, like="??????99A99?999?"),
    "personnummer": lambda dice: birth(dice, "YMD") + digits(dice, like="-9999"),
    "fødselsnummer": lambda dice: birth(dice, "DMY") + digits(dice, like=" 99999"),
    "CPR numbers": lambda dice: birth(dice, "DMY") + digits(dice, like="-9999"),
    "henkilötunnus": lambda dice: birth(dice, "DMY") + digits(dice, like="-999") + dice.choice("0123456789ABCDEF"),
    "kennitala": lambda dice: birth(dice, "DMY") + digits(dice, like="-9999"),
    "PESEL numbers": lambda dice: birth(dice, "YMD") + digits(dice, like="99999"),
    "rodné číslo": lambda dice: birth(dice, "YMD") + digits(dice, like="/9999"),
    "CPF numbers": lambda dice: digits(dice, like="999.999.999-99"),
    "bank account numbers (IBAN)": lambda dice: digits(dice, like="DE99999999999999999999"),
    "numbers that begin with a date of birth": lambda dice: birth(dice, "DMY") + digits(dice, like="-9999"),
}


def made(name: str, one: Callable[[random.Random], str], count: int = 12) -> list[str]:
    """So many different valid numbers, from the number's name as seed."""
    dice = random.Random(name)  # noqa: S311 - invented data
    found: set[str] = set()
    while len(found) < count:
        text = one(dice)
        if BY_NAME[name].valid(text):
            found.add(text)
    return sorted(found)


def test_every_number_that_is_declared_is_made_here() -> None:
    assert set(MAKING) == set(BY_NAME)


@pytest.mark.parametrize("name", MAKING)
@pytest.mark.parametrize(
    "written", [str, lambda text: text.lower(), lambda text: "  " + text + " ", lambda text: "No. " + text]
)
def test_a_column_of_national_numbers_is_told_however_they_are_written(
    name: str, written: Callable[[str], str]
) -> None:
    values = pl.Series([written(text) for text in made(name, MAKING[name])] * 3)
    assert kind_by_content(values) == name


@pytest.mark.parametrize("name", ["NHS numbers", "NIR numbers", "fødselsnummer", "AHV numbers"])
def test_numbers_that_a_program_kept_as_decimals_are_told_too(name: str) -> None:
    bare = ["".join(sign for sign in text if sign.isdigit()) + ".0" for text in made(name, MAKING[name])]
    assert kind_by_content(pl.Series(bare)) == name


def test_a_few_misread_numbers_among_many_change_nothing() -> None:
    values = made("NHS numbers", MAKING["NHS numbers"], 40) + ["999 000 0001", "999 000 0002", "unknown", "H12345"] * 3
    assert kind_by_content(pl.Series(values)) == "NHS numbers"


def test_national_numbers_among_a_hospitals_own_of_another_layout_are_told() -> None:
    own = [f"H{i:06d}" for i in range(5000)]
    assert kind_by_content(pl.Series(own + made("NHS numbers", MAKING["NHS numbers"]))) == "NHS numbers"


def test_danish_numbers_need_no_check_digit_any_more() -> None:
    dice = random.Random(4)  # noqa: S311
    unchecked = [birth(dice, "DMY") + digits(dice, like="-9999") for _ in range(60)]
    unchecked = [text for text in unchecked if not check_digits.is_cpr_number(text)]
    assert kind_by_content(pl.Series(unchecked)) == "numbers that begin with a date of birth"


# What chance does


def test_the_bound_on_chance_is_never_below_the_exact_probability() -> None:
    from scipy.stats import binom

    for chance in {number.chance for number in NUMBERS}:
        for looked_at in range(1, 201):
            for valid in range(looked_at + 1):
                if beyond_chance(valid, looked_at, chance):
                    assert binom.sf(valid - 1, looked_at, chance) <= MOST_BY_CHANCE * (1 + 1e-6)
                    break


@pytest.mark.parametrize(
    ("valid", "looked_at", "enough"), [(5, 5, False), (6, 6, True), (11, 20, False), (12, 20, True)]
)
def test_six_of_six_valid_check_digits_in_eleven_are_no_chance(valid: int, looked_at: int, enough: bool) -> None:
    assert beyond_chance(valid, looked_at, 1 / 11) is enough


ORDINARY: dict[str, Callable[[random.Random, int], str]] = {
    **{f"{size} digits at random": lambda dice, _i, size=size: digits(dice, like="9" * size) for size in range(7, 16)},
    "nine digits counted up": lambda dice, i: str(dice.randrange(10) * 10 + 400_000_000 + i),
    "ten digits counted up": lambda _dice, i: str(2_400_000_000 + i),
    "ten digits counted up in tens": lambda _dice, i: str(2_400_000_000 + 10 * i),
    "eleven digits counted up": lambda _dice, i: str(24_000_000_000 + i),
    "the day of the procedure and a count": lambda dice, i: (
        f"{dice.randrange(10, 26)}{birth(dice, 'MD')}{i % 10000:04d}"
    ),
    "the day of the procedure, written day first": lambda dice, i: (
        f"{birth(dice, 'DM')}{dice.randrange(10, 26)}-{i % 10000:04d}"
    ),
    "year, day and a count": lambda dice, i: f"20{dice.randrange(10, 26)}{birth(dice, 'MD')}{i % 10000:04d}",
    "a letter and nine digits": lambda dice, _i: digits(dice, like="?999999999"),
    "eight digits and a letter": lambda dice, _i: digits(dice, like="99999999?"),
    "groups with dashes": lambda dice, _i: digits(dice, like="9999-99-9999"),
    "seconds since 1970": lambda dice, _i: str(dice.randrange(1_262_304_000, 1_767_225_600)),
    "dose area product": lambda dice, _i: f"{dice.lognormvariate(9.7, 0.8):.4f}",
    "article numbers": lambda dice, _i: f"0{digits(dice, like='999999999999')}",
    "letters and digits": lambda dice, _i: f"{dice.getrandbits(48):012X}",
}


@pytest.mark.parametrize("ordinary", ORDINARY)
def test_ordinary_numbers_are_not_taken_for_national_ones(ordinary: str) -> None:
    # 132 columns of each kind, 3,000 in all: by the bound in the module one false alarm in ten such tests at most.
    dice = random.Random(ordinary)  # noqa: S311
    for rows, columns in ((3, 30), (6, 40), (12, 30), (40, 20), (400, 10), (2000, 2)):
        for _ in range(columns):
            values = [ORDINARY[ordinary](dice, i) for i in range(rows)]
            assert national_number(pl.Series(values).unique(maintain_order=True)) is None


@pytest.mark.parametrize("ordinary", ["ten digits at random", "a letter and nine digits"])
def test_a_column_of_200000_record_numbers_is_judged_within_the_blink_of_an_eye(ordinary: str) -> None:
    dice = random.Random(5)  # noqa: S311
    like = "9999999999" if ordinary.startswith("ten") else "?999999999"
    values = pl.Series([digits(dice, like=like) for _ in range(200_000)])
    taken = []
    for _ in range(3):
        start = time.perf_counter()
        assert kind_by_content(values) is None
        taken.append(time.perf_counter() - start)
    # 0.04 s on a quiet machine; ten times that, so that a busy one does not fail.
    assert min(taken) < 0.4
