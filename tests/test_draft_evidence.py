"""What a draft concludes from values and headings: units, dates, signs in numbers, codes; and where it asks instead."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl
import pytest

from pipeline.case_tables import Column, Table, table
from pipeline.draft.code_words import read_codes
from pipeline.draft.held import Held, as_number, counted, held
from pipeline.draft.manner import Dates, dates_of, numbers_of
from pipeline.draft.pairing import name_of
from pipeline.draft.phrasebook import column_book
from pipeline.draft.units import choose_unit
from pipeline.draft.words import heading, pieces, plain


def holding(values: list[str]) -> Held:
    return held(counted(pl.Series(values, dtype=pl.String)))


def around(median: float, decimal: str = ".") -> Held:
    return holding([f"{median * share:.4g}".replace(".", decimal) for share in (0.5, 0.8, 0.9, 1.0, 1.1, 1.3, 2.0)])


def at(place: str) -> tuple[Table, Column]:
    name, column = place.split(".")
    return table(name), table(name).column(column)


@pytest.mark.parametrize(
    ("place", "median", "unit"),
    [
        # Usual medians of this trade: common practice, no source (pipeline/quality/measured_columns.py).
        ("lesions.length_mm", 14, "cm"),
        ("lesions.length_mm", 140, "mm"),
        ("procedures.air_kerma_mgy", 0.3, "Gy"),
        ("procedures.air_kerma_mgy", 300, "mGy"),
        ("procedures.duration_min", 80, "min"),
        ("procedures.duration_min", 1.3, "h"),
        ("procedures.duration_min", 4800, "s"),
        ("procedures.fluoroscopy_min", 1500, "s"),
        ("procedures.fluoroscopy_min", 25, "min"),
        ("attempts.minutes", 840, "s"),
        ("procedures.contrast_ml", 0.09, "L"),
        ("procedures.contrast_ml", 90, "mL"),
        ("procedures.toe_pressure_mmhg", 5, "kPa"),
        ("procedures.toe_pressure_mmhg", 38, "mmHg"),
    ],
)
def test_a_unit_that_no_heading_states_is_told_by_the_median(place: str, median: float, unit: str) -> None:
    chosen = choose_unit(*at(place), around(median), "")
    assert chosen is not None and (chosen.unit, chosen.sure) == (unit, False)
    assert "the median is" in chosen.reason


@pytest.mark.parametrize(
    ("place", "median", "stated", "why"),
    [
        ("lesions.length_mm", 33, "", "could be mm or cm"),  # 33 mm or 330 mm: either may be
        ("procedures.toe_pressure_mmhg", 12, "", "could be mmHg or kPa"),
        ("lesions.length_mm", 14, "mm", "the heading says mm, but the median is 14, as in cm"),
        ("procedures.fluoroscopy_min", 1500, "min", "as in s"),
        ("procedures.air_kerma_mgy", 60_000, "", "unusual"),  # a dose-area product in mGy cm2, perhaps
        ("lesions.length_mm", 140, "kg", "no unit of length_mm"),
    ],
)
def test_a_unit_that_cannot_be_told_is_asked_for(place: str, median: float, stated: str, why: str) -> None:
    chosen = choose_unit(*at(place), around(median), stated)
    assert chosen is not None and chosen.unit is None
    assert why in chosen.reason


def test_a_unit_that_the_heading_states_is_believed_when_its_size_is_usual_or_no_other_explains_it() -> None:
    length = at("lesions.length_mm")
    usual = choose_unit(*length, around(13.5, ","), "cm")
    short = choose_unit(*length, around(22), "mm")
    inches = choose_unit(*length, around(5.5), "in")
    assert usual is not None and (usual.unit, usual.sure) == ("cm", True)
    assert inches is not None and inches.unit == "in"
    # 22 mm is short, and 22 cm would be usual: that is a question.
    assert short is not None and short.unit is None


def test_two_values_tell_no_unit() -> None:
    chosen = choose_unit(*at("lesions.length_mm"), holding(["14", "15"]), "")
    assert chosen is not None and chosen.unit is None and "too few values" in chosen.reason


def dates_found(dates: list[str]) -> Dates:
    return dates_of("event_date", pl.Series(dates), epoch=None)


@pytest.mark.parametrize(
    ("dates", "pattern"),
    [
        (["2024-03-28", "2024-12-01"], None),
        (["28.03.2024", "01.12.2024"], "%d.%m.%Y"),
        (["28/03/2024", "01/12/2024"], "%d/%m/%Y"),
        (["03/28/2024", "12/01/2024"], "%m/%d/%Y"),
        (["28-03-2024", "01-12-2024"], "%d-%m-%Y"),
        (["28.03.24", "01.12.24"], "%d.%m.%y"),
        (["03/28/24", "12/01/24"], "%m/%d/%y"),
        (["3/28/2024", "12/1/2024"], "%m/%d/%Y"),
        (["20240328", "20241201"], "%Y%m%d"),
        (["2024/03/28", "2024/12/01"], "%Y/%m/%d"),
        (["28.03.2024 10:15", "01.12.2024 08:00:30"], "%d.%m.%Y"),
        (["04.03.2024", "01.12.2024"], "%d.%m.%Y"),  # points: day first, common practice
        (["28-Mar-2024", "01 dez 2024"], None),  # the reader finds out, and no one pattern says it
    ],
)
def test_the_order_of_dates_is_told_from_all_of_them(dates: list[str], pattern: str | None) -> None:
    found = dates_found(dates)
    assert (found.pattern, found.choices) == (pattern, ())


@pytest.mark.parametrize(
    ("dates", "choices"),
    [
        (["03/04/2024", "12/01/2024", "05/05/2024"], ("%d/%m/%Y", "%m/%d/%Y")),
        (["28/03/2024", "03/28/2024"], ("%d/%m/%Y", "%m/%d/%Y")),
        (["03/04/24", "12/01/24"], ("%d/%m/%y", "%m/%d/%y")),
    ],
)
def test_dates_that_could_be_either_way_are_left_to_be_decided(dates: list[str], choices: tuple[str, ...]) -> None:
    found = dates_found(dates)
    assert found.pattern is None and found.choices == choices and found.note


def test_a_date_that_cannot_be_one_does_not_turn_the_others_round() -> None:
    assert dates_found([f"{day:02}.03.2024" for day in range(1, 29)] + ["32.13.2024"]).pattern == "%d.%m.%Y"


@pytest.mark.parametrize("dates", [["45379", "45380"], ["soon", "later"]])
def test_dates_that_no_pattern_reads_are_given_none(dates: list[str]) -> None:
    found = dates_found(dates)
    assert found.pattern is None and found.choices == ()


@pytest.mark.parametrize(
    ("numbers", "decimal", "thousands", "choices"),
    [
        (["12.5", "13"], None, None, 0),
        (["12,5", "13"], ",", None, 0),
        (["1.234,5", "12,5"], ",", ".", 0),
        (["1,234.5", "12.5"], ".", ",", 0),
        (["1 234,5", "12,5"], ",", " ", 0),
        (["1'234.5", "12.5"], ".", "'", 0),
        (["0,813", "1,159", "0,2"], ",", None, 0),  # grays with three figures
        (["1,500", "2,250", "850"], None, None, 2),
        (["1.500", "2.250", "850"], None, None, 1),
    ],
)
def test_signs_in_numbers_are_told_or_asked_for(
    numbers: list[str], decimal: str | None, thousands: str | None, choices: int
) -> None:
    found = numbers_of({"length_mm": pl.Series(numbers)}, typed_cells=False)
    assert (found.decimal, found.thousands, len(found.choices)) == (decimal, thousands, choices)


def test_columns_that_write_numbers_differently_are_left_to_the_reader() -> None:
    found = numbers_of(
        {"abi": pl.Series(["0.85", "1.1"]), "air_kerma_mgy": pl.Series(["812,5", "90,25"])}, typed_cells=False
    )
    assert found.decimal is None and found.choices == () and "each in its way" in found.note


@pytest.mark.parametrize(
    ("text", "number"),
    [("1.234,5", 1234.5), ("1,234.5", 1234.5), ("1 234", 1234.0), ("1.234.567", 1234567.0), ("x", None)],
)
def test_a_number_is_read_for_its_size_however_it_is_written(text: str, number: float | None) -> None:
    assert as_number(text) == number


CODES = [
    # H and M are hombre and mujer, M and V man and vrouw, D and S destra and sinistra: one letter, two meanings.
    ("patients.sex", "Spanish", {"h": 60, "m": 40}, {"h": "male", "m": "female"}),
    ("patients.sex", "Spanish", {"m": 60, "f": 40}, {"m": "male", "f": "female"}),
    ("patients.sex", "Dutch", {"m": 60, "v": 40}, {"m": "male", "v": "female"}),
    ("patients.sex", "German", {"m": 60, "w": 40, "d": 5}, {"m": "male", "w": "female", "d": "other"}),
    ("patients.sex", "French", {"h": 60, "f": 40}, {"h": "male", "f": "female"}),
    ("procedures.side", "Italian", {"d": 60, "s": 40}, {"d": "right", "s": "left"}),
    ("procedures.side", "Spanish", {"d": 60, "i": 40}, {"d": "right", "i": "left"}),
    ("procedures.side", "Portuguese", {"d": 60, "e": 40}, {"d": "right", "e": "left"}),
    ("procedures.side", "French", {"d": 60, "g": 40}, {"d": "right", "g": "left"}),
    ("attempts.crossed", "German", {"j": 60, "n": 40}, {"j": "true", "n": "false"}),
    ("attempts.crossed", "French", {"vrai": 60, "faux": 40}, {"vrai": "true", "faux": "false"}),
    ("attempts.crossed", "Italian", {"sì": 60, "no": 40}, {"sì": "true", "no": "false"}),
    ("attempts.crossed", "English", {"0": 60, "1": 40}, {"0": "false", "1": "true"}),
    ("attempts.approach", "French", {"a": 60, "r": 40}, {"a": "antegrade", "r": "retrograde"}),
    ("follow_up.event", "German", {"minoramputation": 9, "majoramputation": 9}, {"minoramputation": "minor_amputation", "majoramputation": "major_amputation"}),
    ("lesions.proximal_cap", "English", {"concave (tapered)": 9, "convex/blunt": 9}, {"concave (tapered)": "concave", "convex/blunt": "convex"}),
    ("attempts.sheath", "French", {"o": 60, "n": 40}, {"o": "sheath", "n": "sheathless"}),
    ("lesions.prior_bypass", "German", {"j": 9, "n": 40}, {}),  # a yes does not say whether it is patent
    ("lesions.segment", "English", {"ant. tibial artery": 9, "post. tibial artery": 9}, {"ant. tibial artery": "anterior_tibial", "post. tibial artery": "posterior_tibial"}),
]  # fmt: skip


@pytest.mark.parametrize(("place", "language", "codes", "meant"), CODES)
def test_codes_are_read_in_the_language_of_the_export(
    place: str, language: str, codes: Mapping[str, int], meant: Mapping[str, str]
) -> None:
    choices = read_codes(at(place)[1], codes, language).choices
    assert {choice.theirs: choice.ours for choice in choices if choice.confidence in ("certain", "likely")} == meant


@pytest.mark.parametrize(
    ("place", "language", "codes"),
    [
        ("patients.sex", "English", {"1": 60, "2": 40}),
        ("attempts.crossed", "English", {"1": 60, "2": 40}),  # 1 may well be no
        ("lesions.prior_bypass", "German", {"0": 60, "1": 9, "2": 9}),
        ("complications.severity", "English", {"1": 60, "5": 9}),
        (
            "procedures.urgency",
            "Spanish",
            {"preferente": 60, "urgente": 40},
        ),  # two words, one of ours: which is the other?
        ("patients.sex", "English", {"m": 60, "q": 40}),  # M beside something that is not known
        ("procedures.side", "German", {"d": 60, "g": 40}),  # droite and gauche, in an export that looks German
        (
            "complications.kind",
            "English",
            {"bleeding": 9, "infection": 9},
        ),  # transfused or not? of the access or the wound?
        ("complications.kind", "English", {"a complication nobody has a word for": 9}),
    ],
)
def test_codes_that_may_mean_something_else_are_left_to_be_decided(
    place: str, language: str, codes: Mapping[str, int]
) -> None:
    choices = read_codes(at(place)[1], codes, language).choices
    assert [choice for choice in choices if choice.confidence in ("certain", "likely")] == []


def test_a_heading_that_explains_its_numbers_is_believed() -> None:
    told = heading("Bypass (0=kein, 1=offen, 2=verschlossen)")
    choices = read_codes(at("lesions.prior_bypass")[1], {"0": 60, "1": 9, "2": 9}, "German", told.legend).choices
    assert {choice.theirs: choice.ours for choice in choices} == {"0": "none", "1": "patent", "2": "occluded"}
    assert {choice.confidence for choice in choices} == {"likely"}


@pytest.mark.parametrize(
    ("header", "words", "unit"),
    [
        ("Verschluss-Länge (cm)", ("verschluss", "lange"), "cm"),
        ("VERSCHLUSSLAENGE_MM", ("verschlusslange",), "mm"),
        ("Procedure time [hrs]", ("procedure", "time"), "h"),
        ("fluoroTimeMin", ("fluoro", "time"), "min"),
        ("Minuten", ("minuten",), "min"),
        ("Lesion no.", ("lesion", "nr"), ""),
        ("N° lésion", ("nr", "lesion"), ""),
        ("no bypass", ("no", "bypass"), ""),
        ("Sheath (y/n)", ("sheath",), ""),
        ("Pat.-Schlüssel", ("pat", "id"), ""),
    ],
)
def test_a_heading_is_taken_apart_into_words_and_unit(header: str, words: tuple[str, ...], unit: str) -> None:
    told = heading(header)
    assert (told.words, told.unit) == (words, unit)


def test_a_compound_is_cut_at_its_words() -> None:
    words = frozenset({"verschluss", "lange", "occlusie", "lengte", "durchleuchtung", "zeit"})
    assert pieces(["verschlusslange"], words) == ("verschluss", "lange")
    assert pieces(["durchleuchtungszeit", "occlusielengte"], words) == ("durchleuchtung", "zeit", "occlusie", "lengte")
    assert pieces(["operation"], words) == ("operation",)
    assert plain("LAENGE") == plain("Länge") and plain("Verschluß") == plain("VERSCHLUSS")


@pytest.mark.parametrize(
    ("place", "language", "header"),
    [
        ("lesions.length_mm", "English", "Occl. length"),
        ("lesions.length_mm", "French", "Longueur de l'occlusion (mm)"),
        ("lesions.length_mm", "Dutch", "occlusielengte"),
        ("lesions.length_mm", "Portuguese", "COMPR_OCLUSAO"),
        ("procedures.fluoroscopy_min", "Italian", "Tempo di scopia"),
        ("procedures.fluoroscopy_min", "Spanish", "T. escopia (min)"),
        ("attempts.access_site", "French", "Site ponction"),
    ],
)
def test_a_heading_is_known_in_spite_of_abbreviations_and_spelling(place: str, language: str, header: str) -> None:
    _, score, other = name_of(at(place)[1], header, language)
    assert score >= 0.75 and other < score


@pytest.mark.parametrize(
    ("place", "language", "header"),
    [
        ("procedures.air_kerma_mgy", "English", "Dose area product"),
        ("procedures.air_kerma_mgy", "English", "Dose (Gy·cm²)"),
        ("procedures.air_kerma_mgy", "German", "Dosis (cGy*cm2)"),
        ("procedures.air_kerma_mgy", "French", "PDS"),
        ("lesions.length_mm", "German", "Stentlänge"),
        ("lesions.length_mm", "English", "Balloon length (mm)"),
        ("lesions.length_mm", "Dutch", "Lengte patiënt (cm)"),
        ("procedures.abi", "English", "ABI post"),
        ("patients.ambulatory", "German", "nicht gehfähig"),
        ("lesions.proximal_cap", "English", "distal cap"),
        ("procedures.procedure_date", "Spanish", "Fecha de alta"),
        ("attempts.sheath", "English", "Sheathless"),
    ],
)
def test_a_heading_of_something_else_is_not_taken_for_ours(place: str, language: str, header: str) -> None:
    _, score, other = name_of(at(place)[1], header, language)
    assert other >= 0.85 or score < 0.45


def test_a_word_that_may_mean_more_is_never_more_than_a_guess() -> None:
    (best, *_) = column_book().search("Dosis")
    assert best.meaning == "air_kerma_mgy" and best.doubtful
