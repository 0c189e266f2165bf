"""The trade's words: complete in every language, and of one meaning where they must be."""

from __future__ import annotations

from collections import defaultdict

import pytest

from pipeline.case_tables import TABLES
from pipeline.draft.phrasebook import NEGATIONS, SMALL, are_opposite, column_book
from pipeline.draft.words import tokens
from pipeline.trade_words import LANGUAGES, TradeWords, phrases

COLUMNS = {column.name: column for table in TABLES for column in table.columns}
# A lone word that is one of ours in several tables is told apart by the table: Datum, Art.
by_language = pytest.mark.parametrize("language", LANGUAGES, ids=lambda language: language.language)


@by_language
def test_each_language_has_words_for_every_table_column_and_code(language: TradeWords) -> None:
    assert set(language.tables) == {table.name for table in TABLES}
    assert set(language.columns) == set(COLUMNS)
    for name, column in COLUMNS.items():
        assert set(column.codes) <= set(language.codes.get(name, {})), name
    lists = [*language.tables.values(), *language.columns.values(), language.yes, language.no, language.not_ours]
    lists += [words for codes in language.codes.values() for words in codes.values()]
    assert all(phrases(words) for words in lists)


@by_language
def test_no_word_of_a_language_means_two_codes_of_one_column(language: TradeWords) -> None:
    for name, codes in language.codes.items():
        meant: dict[str, set[str]] = defaultdict(set)
        for code, words in codes.items():
            for phrase in phrases(words):
                meant["".join(tokens(phrase.removesuffix("?")))].add(code)
        assert {word: codes for word, codes in meant.items() if len(codes) > 1} == {}, name


@by_language
def test_no_heading_of_a_language_means_two_columns_of_one_table(language: TradeWords) -> None:
    for table in TABLES:
        meant: dict[str, set[str]] = defaultdict(set)
        for column in table.columns:
            for phrase in phrases(language.columns[column.name]):
                meant["".join(tokens(phrase.removesuffix("?")))].add(column.name)
        assert {word: names for word, names in meant.items() if len(names) > 1} == {}, table.name


@by_language
def test_what_is_none_of_ours_is_not_a_word_for_ours(language: TradeWords) -> None:
    ours = {"".join(tokens(p.removesuffix("?"))) for words in language.columns.values() for p in phrases(words)}
    assert {"".join(tokens(phrase)) for phrase in phrases(language.not_ours)} & ours == set()


@pytest.mark.parametrize("name", COLUMNS)
def test_the_dictionarys_own_name_of_a_column_leads_to_it(name: str) -> None:
    assert name in {found.meaning for found in column_book().search(name) if found.score == 1.0}


def test_a_no_makes_the_opposite_in_its_own_language_alone() -> None:
    assert are_opposite(["no", "bypass"], ["bypass"], NEGATIONS["English"])
    assert are_opposite(["nicht", "passiert"], ["passiert"], NEGATIONS["German"])
    # "No" is "in the" in Portuguese.
    assert not are_opposite(["kerma", "ar"], ["kerma", "no", "ar"], NEGATIONS["Portuguese"])
    assert not any(SMALL & negations for negations in NEGATIONS.values())
