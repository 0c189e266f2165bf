"""What a column holds gives it away, whatever stands above it; and what the trade writes passes. All values are invented."""

from __future__ import annotations

import random
import time

import polars as pl
import pytest

from pipeline.guard.identifiers import (
    _SHORT_NUMBER,
    _serial_births,
    held_by_key,
    holds_full_dates,
    identifier_columns,
    kind_by_content,
    kind_of_used,
)

SEGMENTS = [
    "Anterior tibial",
    "Posterior tibial",
    "Peroneal",
    "Popliteal",
    "Dorsalis pedis",
    "Plantar",
    "Femoral",
    "TPT",
]
DEVICES = [
    f"{first} {second}" for first in ("Balloon", "Wire", "Stent", "Catheter") for second in ("Alpha", "Beta", "Gamma")
]
TOWNS = ["Altdorf", "Neustadt", "Bergheim", "Seefeld", "Talheim"]
ONSETS, CODAS = (
    ["B", "Dr", "F", "Gr", "H", "K", "M", "P", "R", "Sch", "St", "T", "V", "W"],
    ["ann", "er", "old", "ink", "us"],
)


def invented_surnames(count: int, seed: int = 3) -> list[str]:
    """So many different words that are written like surnames."""
    dice = random.Random(seed)  # noqa: S311 - invented data
    found: dict[str, None] = {}
    while len(found) < count:
        middle = "".join(dice.choice("aeiou") + dice.choice("lmnrst") for _ in range(dice.randrange(1, 4)))
        found[dice.choice(ONSETS) + middle + dice.choice(CODAS)] = None
    return list(found)


def drawn(from_list: list[str], rows: int) -> list[str]:
    """So many rows, drawn from a list."""
    dice = random.Random(rows)  # noqa: S311
    return [dice.choice(from_list) for _ in range(rows)]


@pytest.mark.parametrize(
    "values",
    [
        invented_surnames(40),
        [name.upper() for name in invented_surnames(40)],
        [f"van der {name}" for name in invented_surnames(40)],
        [f"{one}-{two}" for one, two in zip(invented_surnames(30), invented_surnames(30, 4), strict=True)],
        [
            f"{one.upper()} {two.upper()}"
            for one, two in zip(invented_surnames(30), invented_surnames(30, 4), strict=True)
        ],
        [f"{name}, J." for name in invented_surnames(8)],
        [f"Dr. {name}" for name in invented_surnames(4)],
        [f"Frau {name}" for name in invented_surnames(4)],
        ["SMITH, John", "DOE, Jane", "SMITH, Mary", "MURPHY, Paul"],
        ["Müller", "Schmidt", "Schneider", "van der Berg"],
        ["GARCIA LOPEZ", "MARTINEZ RUIZ", "SANCHEZ GOMEZ"],
        ["jan jansen", "piet visser", "kees bakker", "anna smit"],
        # Follow-up has several rows a patient, and a register some surnames that are frequent.
        drawn(invented_surnames(150), 600),
        drawn(invented_surnames(6000), 200_000),
    ],
)
def test_names_of_persons_are_told_under_any_header(values: list[str]) -> None:
    assert kind_by_content(pl.Series(values)) == "names of persons"


@pytest.mark.parametrize(
    "values",
    [
        SEGMENTS,
        DEVICES,
        TOWNS,
        drawn(SEGMENTS, 10),
        drawn(DEVICES, 300),
        drawn([f"{one} {two}" for one in SEGMENTS for two in DEVICES], 2000),
        drawn(TOWNS, 500),
        ["St. Johannes", "San José", "Santa Maria", "Klinik St. Anna", "Hospital San Juan"],
        ["Artery, anterior tibial", "Artery, Posterior Tibial", "Artery, Peroneal"] * 50,
        # Study keys of letters: of one length, or without vowels.
        ["".join(random.Random(i).choices("ABCDEFGHIJKLMNOPQRSTUVWXYZ", k=6)) for i in range(200)],  # noqa: S311
        ["left", "right"] * 100,
        [f"P{i:04d}" for i in range(300)],
        [f"{i / 7:.3f}" for i in range(300)],
        [str(1_000_000_000 + i) for i in range(100)],
        ["balloon 3 mm", "Arteria tibialis anterior links"],
        ["12", "14.5", "1e3"],
        ["2023-04-05", "2024-12-30"],
        ["20230405", "20241230"],
        ["05.04.23", "30.12.24"],
        ["2023-04-05 10:30:00", "2024-12-30 00:00:00"],
        ["A1", "B2", "L3", "S12"],
        [f"AB{i} {i}" for i in range(40)],
        ["stent 6 x 120 mm, drug eluting, over the wire"] * 30
        + ["balloon 3 x 100 mm, high pressure, 150 cm shaft"] * 30,
        [None, ""],
        [],
    ],
)
def test_what_the_trade_writes_passes(values: list[str | None]) -> None:
    assert kind_by_content(pl.Series(values, dtype=pl.String)) is None


@pytest.mark.parametrize(
    ("kind", "values"),
    [
        ("e-mail addresses", ["", "x", "write to a.b@example.org"]),
        # Numbers that the regulators keep for films and examples (Ofcom, Bundesnetzagentur, NANPA 555-01xx).
        ("telephone numbers", ["+49 30 23125 123", "+44 20 7946 0958"]),
        ("telephone numbers", ["020 7946 0958", "(020) 7946 0123", "07700 900123"]),
        ("telephone numbers", ["07700900123", "07700900456"]),
        ("telephone numbers", ["212-555-0101", "(212) 555-0199"]),
        ("dates of birth", ["1938-04-05", "1941-12-30", "1950-01-02"]),
        ("dates of birth", ["05.04.1938", "30.12.1941", "2.1.1950"]),
        ("dates of birth", ["19380405", "19411230", "19500102"]),
        ("dates of birth", ["05.04.38", "30/12/41", "2-1-50"]),
        ("dates of birth", ["5 Apr 1938", "30. Dezember 1941", "January 2, 1950"]),
        ("dates of birth", ["1938-04-05 00:00:00", "1941-12-30T00:00:00"]),
        # ZZ99 is what the Office for National Statistics writes where no postcode is known.
        ("postcodes", ["ZZ1 1AA", "ZZ99 3VZ", "ZZ99 3WZ"]),
        ("postcodes", ["zz11aa", "ZZ993VZ", "ZZ993WZ"]),
        ("postcodes", ["1234 AB", "5678 CD", "9012EF"]),
        ("postcodes", ["A1A 1A1", "X0X0X0", "B2B-2B2"]),
        ("postcodes", ["12345 Altdorf", "D-54321 Neustadt", "99999 Bad Seefeld"]),
        ("free text", ["wire would not pass, went from below after all"]),
        ("free text", ["ok"] * 15 + ["wire would not pass, went from below after all"]),
    ],
)
def test_what_a_column_holds_gives_it_away(kind: str, values: list[str]) -> None:
    assert kind_by_content(pl.Series(values)) == kind


def test_dates_of_birth_that_a_spreadsheet_kept_as_numbers_are_told_in_a_column_outside_the_dictionary() -> None:
    dice = random.Random(1)  # noqa: S311
    births = [str(dice.randrange(11_000, 22_000)) for _ in range(60)]  # 1930 to 1960
    counted = [str(10_000 + 300 * i) for i in range(60)]
    areas = [str(int(dice.lognormvariate(9.7, 0.8))) for _ in range(60)]  # dose-area products
    frame = pl.DataFrame({"0": births, "1": [f"{day}.0" for day in births], "2": counted, "3": areas})
    found = identifier_columns(["x1", "x2", "case", "dap"], frame)
    assert [(f.position, f.kind) for f in found] == [(0, "dates of birth"), (1, "dates of birth")]


@pytest.mark.parametrize(
    "written", ["1938-04-05", "05.04.38", "19380405", "19380405.0", "14000", "14000.0", "5 Apr 1938"]
)
def test_a_birth_year_that_is_a_day_is_told_however_it_is_written(written: str) -> None:
    assert holds_full_dates(pl.Series([written]))
    assert not holds_full_dates(pl.Series(["1938", "1938.0", None, ""]))


# Columns that are used


def test_a_site_is_a_code_and_no_person_and_no_patient() -> None:
    def site(values: list[str]) -> str | None:
        return kind_of_used("site", pl.Series(values), key=False, column="site_id")

    assert site(drawn(["S1", "S2", "Altdorf", "St. Anna, Neustadt"], 200)) is None
    assert site(drawn([f"Site {i}" for i in range(60)], 2000)) is None
    assert site(invented_surnames(40)) == "names of persons"
    assert site(["Altdorf"] * 50 + ["Dr. Grolink"]) == "names of persons"
    assert site([f"case-{i}" for i in range(100)]) == "nearly as many different values as rows"
    assert site(["S1"] * 99 + ["the wire would not pass, so we went from below"]) == "free text"
    assert site(["S1"] * 99 + ["S1 " + "x" * 60]) == "free text"


def test_an_operator_may_be_named_because_a_pseudonym_takes_the_names_place() -> None:
    names = pl.Series(drawn([f"Dr {name}" for name in invented_surnames(12)], 400))
    assert kind_of_used("Operator name", names, key=True, column="operator_id") is None
    assert held_by_key(names) == "names of persons"
    assert kind_of_used("Operator notes", names, key=True, column="operator_id") == "free text"


@pytest.mark.parametrize("values", [invented_surnames(40), ["1938-04-05", "1941-12-30"]])
def test_a_patients_key_is_no_name_and_no_birth_date(values: list[str]) -> None:
    assert kind_of_used("Pat", pl.Series(values), key=True, column="patient_id") is not None


def test_a_patients_key_may_be_a_national_number_and_the_note_says_so() -> None:
    numbers = pl.Series([f"999{i:06d}{c}" for i in range(9) for c in range(10)])
    valid = pl.Series([n for n in numbers if kind_by_content(pl.Series([n])) is None and _is_nhs(n)])
    assert kind_of_used("Pat", valid, key=True, column="patient_id") is None
    assert held_by_key(valid) == "NHS numbers"
    assert kind_of_used("Code", valid, key=False, column="calcium_grade") == "NHS numbers"


def _is_nhs(number: str) -> bool:
    from stdnum.gb import nhs

    return nhs.is_valid(number)


def test_a_few_sentences_among_codes_are_left_to_the_check_and_a_column_of_them_is_not() -> None:
    sentence = "heavily calcified in its whole length, see report"
    assert kind_of_used("grade", pl.Series(["2"] * 9 + [sentence]), key=False, column="calcium_grade") is None
    assert kind_of_used("grade", pl.Series([sentence, "2"]), key=False, column="calcium_grade") == "free text"


@pytest.mark.parametrize("codes", [drawn(SEGMENTS, 200_000), [f"P{i:07d}" for i in range(200_000)]])
def test_a_column_of_200000_codes_is_judged_within_the_blink_of_an_eye(codes: list[str]) -> None:
    values = pl.Series(codes)
    taken = []
    for _ in range(3):
        start = time.perf_counter()
        assert kind_by_content(values) is None
        taken.append(time.perf_counter() - start)
    # 0.03 s on a quiet machine at the most; ten times that, so that a busy one does not fail.
    assert min(taken) < 0.3


def test_a_short_number_that_is_passed_over_is_no_identifier_to_the_whole_guard() -> None:
    draw = random.Random(7)  # noqa: S311
    ways = (
        lambda: f"{draw.randint(0, 9999)}",
        lambda: f"{draw.randint(0, 9999):04}",
        lambda: f"{draw.randint(1900, 1990)}",
        lambda: f"{draw.randint(0, 999)}.{draw.randint(0, 999)}",
        lambda: f" -{draw.randint(0, 999)},{draw.randint(0, 99)} ",
        lambda: "",
    )
    for _ in range(60):
        chosen = draw.sample(ways, 3)
        values = pl.Series([draw.choice(chosen)() for _ in range(200)])
        assert values.str.contains(_SHORT_NUMBER).all()
        assert kind_by_content(values) is None and _serial_births(values) is None
    for longer in ("19501231", "1950.12.31", "0612345678", "12345", "31.12.50", "M11AA", "x@y.org"):
        assert not pl.Series([longer]).str.contains(_SHORT_NUMBER).any()
