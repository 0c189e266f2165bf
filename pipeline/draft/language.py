"""The language of an export, told from its headings and codes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from functools import cache

from pipeline.draft.export_sheets import Sheet
from pipeline.draft.phrasebook import OWN, column_book
from pipeline.draft.words import tokens
from pipeline.trade_words import LANGUAGES, phrases

_SAME = 0.9  # a heading so much like a phrase counts for its language
_OF_CODES = 0.5  # what a code counts, where a heading counts 1
_FEWEST = 1.0  # votes; with fewer the language is not known
_SHORT = 2


def language_of(sheets: Sequence[Sheet]) -> str:
    """The language that most headings and codes are in; "" where nothing tells it."""
    votes: dict[str, float] = defaultdict(float)
    for header in {header for sheet in sheets for header in sheet.headers if header}:
        found = [one for one in column_book().search(header) if one.score >= _SAME]
        best = max((one.score for one in found), default=0.0)
        languages = {one.language for one in found if one.score == best} - {OWN}
        for language in languages:
            votes[language] += 1 / len(languages)
    codes = {code for sheet in sheets for column in sheet.columns for code in column.codes}
    for code in codes:
        languages = _languages_of_code().get("".join(tokens(code)), set())
        for language in languages:
            votes[language] += _OF_CODES / len(languages)
    if not votes or max(votes.values()) < _FEWEST:
        return ""
    return max(sorted(votes), key=lambda language: votes[language])


@cache
def _languages_of_code() -> dict[str, set[str]]:
    found: dict[str, set[str]] = defaultdict(set)
    for language in LANGUAGES:
        lists = [words for codes in language.codes.values() for words in codes.values()]
        for written in (*lists, language.yes, language.no):
            for phrase in phrases(written):
                joined = "".join(tokens(phrase.removesuffix("?")))
                if len(joined) > _SHORT:
                    found[joined].add(language.language)
    return dict(found)
