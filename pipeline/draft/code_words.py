"""What a site's codes mean: looked up in the trade's words, in the language of the export first. Numbers are never guessed at."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Literal

from pipeline.case_tables import FALSE_WORDS, TABLES, TRUE_WORDS, Column
from pipeline.draft.phrasebook import OWN, Found, Phrasebook
from pipeline.draft.words import likeness, tokens
from pipeline.mapping import accepted_codes
from pipeline.reading.source import fold
from pipeline.trade_words import LANGUAGES, phrases

Confidence = Literal["certain", "likely", "guess"]

_ALIKE, _APART = 0.8, 0.1  # how well a code must fit, and by how much better than the next; chosen by trying, no source
_SHORT = 2  # letters of an abbreviation that means one thing in one language and another in the next
_STRANGE = 0.05  # of the rows: codes on fewer are slips, and put no doubt on the others
_FEW_CODES = 4  # a column of so few codes needs each of them told from the others
# What a plain yes or no says in a column of codes; a yes that does not say which says nothing.
_YES_AND_NO: Mapping[str, Mapping[str, str]] = {
    "diabetes": {"no": "none"},
    "prior_revascularization": {"no": "none"},
    "prior_bypass": {"no": "none"},
    "rendezvous": {"no": "none"},
    "sheath": {"yes": "sheath", "no": "sheathless"},
}
# Where one letter stands for another word than usual, as its partner shows: H and M are hombre and mujer.
_IN_PAIRS: Mapping[str, Mapping[str, tuple[Mapping[str, str], ...]]] = {
    "sex": {
        "Spanish": ({"h": "male", "m": "female"}, {"v": "male", "m": "female"}),
        "Portuguese": ({"h": "male", "m": "female"},),
    }
}
_WEIGHTS = {OWN: 1.0, "English": 0.97}
_OTHER_LANGUAGE = 0.9


@dataclass(frozen=True, slots=True)
class CodeChoice:
    """One of a site's codes (folded), the rows that have it, and what it means: None where that cannot be told.

    `word`: whether the code is itself a word of the trade for this column, and so nobody's own.
    """

    theirs: str
    rows: int
    ours: str | None
    confidence: Confidence | None
    reason: str
    word: bool


@dataclass(frozen=True, slots=True)
class CodesRead:
    """All codes of a column. `share`: of the rows whose code is known; `telling`: different codes known that are words, not signs."""

    choices: tuple[CodeChoice, ...]
    share: float
    telling: int


def read_codes(
    column: Column, codes: Mapping[str, int], language: str, legend: tuple[tuple[str, str], ...] = ()
) -> CodesRead:
    """What the folded `codes` (with their rows) mean in `column`, for an export in `language`."""
    if not accepted_codes(column):
        return CodesRead((), 0.0, 0)
    paired = _paired(column, codes, language)
    # 0 and 1 are no and yes; where 1 and 2 stand, 1 may well be no.
    beyond = column.type == "bool" and any(code.isdigit() and code not in ("0", "1") for code in codes)
    explained = {fold(code): meaning for code, meaning in legend}
    choices = []
    for theirs, rows in codes.items():
        if theirs in paired:
            choice = CodeChoice(
                theirs, rows, paired[theirs], "likely", f"beside the column's other code, in {language}", True
            )
        else:
            choice = _choice(column, theirs, rows, language)
            if beyond and theirs.isdigit():
                choice = CodeChoice(theirs, rows, None, None, "", False)
            if theirs in explained:
                choice = _by_legend(column, choice, explained[theirs], language)
        choices.append(choice)
    choices = _by_initials(column, choices, language)
    choices = _doubted(column, choices)
    rows = sum(codes.values())
    known = [choice for choice in choices if choice.ours is not None]
    return CodesRead(
        tuple(choices),
        share=sum(choice.rows for choice in known) / rows if rows else 0.0,
        telling=len({choice.ours for choice in known if len(choice.theirs) > _SHORT and not choice.theirs.isdigit()}),
    )


@cache
def code_book(name: str) -> Phrasebook:
    """The words for the codes of the named column, in every language."""
    column = next(column for table in TABLES for column in table.columns if column.name == name)
    entries = [(code, OWN, code) for code in accepted_codes(column)]
    if column.type == "bool":
        entries += [("true", OWN, word) for word in TRUE_WORDS] + [("false", OWN, word) for word in FALSE_WORDS]
    for language in LANGUAGES:
        told = language.codes.get(name, {})
        entries += [(code, language.language, phrase) for code, words in told.items() for phrase in phrases(words)]
        if column.type == "bool":
            entries += [("true", language.language, phrase) for phrase in phrases(language.yes)]
            entries += [("false", language.language, phrase) for phrase in phrases(language.no)]
        for word, code in _YES_AND_NO.get(name, {}).items():
            words = language.yes if word == "yes" else language.no
            entries += [(code, language.language, phrase) for phrase in phrases(words)]
    return Phrasebook(entries, headings=False, lexicon=frozenset())


def _choice(column: Column, theirs: str, rows: int, language: str) -> CodeChoice:
    found = code_book(column.name).search(theirs)
    exact = [one for one in found if one.score == 1.0]
    if exact:
        chosen = _same_words(exact, theirs, language)
        if chosen is None or chosen.meaning not in accepted_codes(column):
            return CodeChoice(theirs, rows, None, None, "a word that may mean different things", True)
        if chosen.doubtful:
            return CodeChoice(theirs, rows, chosen.meaning, "guess", f"{_told(chosen)}, which may mean more", True)
        # The same letters in another language than the export's may be a false friend.
        sure: Confidence = "certain" if chosen.language in (OWN, language) or not language else "likely"
        return CodeChoice(theirs, rows, chosen.meaning, sure, _told(chosen), True)
    if theirs.isdigit() or len("".join(tokens(theirs))) <= _SHORT:
        return CodeChoice(theirs, rows, None, None, "", False)
    best: dict[str, tuple[float, Found]] = {}
    for one in found:
        score = one.score * _weight(one.language, language)
        if one.meaning not in best or score > best[one.meaning][0]:
            best[one.meaning] = score, one
    ranked = sorted(best.values(), key=lambda pair: -pair[0])
    if ranked and ranked[0][0] >= _ALIKE and ranked[0][1].meaning in accepted_codes(column):
        apart = ranked[0][0] - (ranked[1][0] if len(ranked) > 1 else 0.0)
        if apart >= _APART and not ranked[0][1].doubtful:
            return CodeChoice(theirs, rows, ranked[0][1].meaning, "likely", f"like {_told(ranked[0][1])}", False)
    return _by_parts(column, theirs, rows, language)


def _by_parts(column: Column, theirs: str, rows: int, language: str) -> CodeChoice:
    """A code that says the same twice: "concave (tapered)"."""
    parts = [part for part in re.split(r"[()\[\]/]", theirs) if tokens(part)]
    meant = {_choice(column, fold(part), rows, language).ours for part in parts} if len(parts) > 1 else set()
    ours = meant.pop() if len(meant) == 1 else None
    if ours is None:
        return CodeChoice(theirs, rows, None, None, "", False)
    return CodeChoice(theirs, rows, ours, "likely", "each of its parts means so", False)


def _same_words(exact: list[Found], theirs: str, language: str) -> Found | None:
    """The meaning in the export's own language, or the one on which all languages that know the word agree."""
    for one in exact:
        if one.language in (OWN, language):
            return one
    meanings = {one.meaning for one in exact}
    # A letter or two in another language than the export's is no evidence.
    if len(meanings) == 1 and (len(theirs) > _SHORT or not language):
        return exact[0]
    return None


def _weight(of: str, language: str) -> float:
    return 1.0 if of == language else _WEIGHTS.get(of, _OTHER_LANGUAGE)


def _told(found: Found) -> str:
    return "the dictionary's own" if found.language == OWN else f"'{found.written}' in {found.language}"


def _paired(column: Column, codes: Mapping[str, int], language: str) -> Mapping[str, str]:
    for pair in _IN_PAIRS.get(column.name, {}).get(language, ()):
        if set(pair) <= set(codes) and "f" not in codes:
            return pair
    return {}


def _by_legend(column: Column, choice: CodeChoice, meaning: str, language: str) -> CodeChoice:
    """What the header itself says of a code goes before anything that could be thought of it."""
    explained = _choice(column, fold(meaning), choice.rows, language)
    if explained.ours is None:
        return CodeChoice(choice.theirs, choice.rows, None, None, "", True)
    return CodeChoice(choice.theirs, choice.rows, explained.ours, "likely", "the header explains its codes", True)


def _by_initials(column: Column, choices: list[CodeChoice], language: str) -> list[CodeChoice]:
    """Single letters that are the first letters of the words for the codes, each of another: A and R for the approach."""
    open_ones = [choice for choice in choices if choice.ours is None]
    if not open_ones or any(len(choice.theirs) != 1 or not choice.theirs.isalpha() for choice in choices):
        return choices
    for told in LANGUAGES:
        if told.language != language:
            continue
        words = told.codes.get(column.name, {})
        initials = {code: tokens(phrases(words[code])[0])[0][0] for code in column.codes if words.get(code)}
        letters = [choice.theirs for choice in choices]
        meant = {letter: [code for code, initial in initials.items() if initial == letter] for letter in letters}
        if len(letters) < 2 or any(len(codes) != 1 for codes in meant.values()):
            continue
        sure: Confidence = "likely" if len(letters) == len(column.codes) else "guess"
        return [
            choice
            if choice.ours is not None and choice.ours == meant[choice.theirs][0]
            else CodeChoice(
                choice.theirs, choice.rows, meant[choice.theirs][0], sure, f"first letter of the {language} word", True
            )
            for choice in choices
        ]
    return choices


def _doubted(column: Column, choices: list[CodeChoice]) -> list[CodeChoice]:
    """Doubts that only the column as a whole gives."""
    accepted = accepted_codes(column)
    rows = sum(choice.rows for choice in choices)
    strange = sum(choice.rows for choice in choices if choice.ours is None and not choice.theirs.isdigit())
    strangers = strange >= _STRANGE * rows
    used = {choice.ours for choice in choices}
    doubted = []
    for choice in choices:
        doubt = ""
        if choice.ours is not None:
            if len(choice.theirs) <= _SHORT and strangers and not choice.theirs.isdigit():
                doubt = "a short code beside others that are not known"
            else:
                twins = [
                    other
                    for other in choices
                    if other.ours == choice.ours and other is not choice and not _one_word(other.theirs, choice.theirs)
                ]
                if twins and len(accepted) <= _FEW_CODES and set(accepted) - used:
                    doubt = "two different codes would mean the same, and one of ours would have none"
                elif choice.rows < _STRANGE * max((twin.rows for twin in twins), default=0):
                    doubt = "a rare code, and another one means the same"
        if doubt:
            choice = CodeChoice(
                choice.theirs, choice.rows, choice.ours, "guess", f"{choice.reason}; {doubt}", choice.word
            )
        doubted.append(choice)
    return doubted


def _one_word(one: str, other: str) -> bool:
    """Whether two codes are one word, written out and abbreviated."""
    first, second = "".join(tokens(one)), "".join(tokens(other))
    return first.startswith(second) or second.startswith(first) or likeness(first, second) > 0
