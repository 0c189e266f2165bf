"""Every phrase that the trade has for a table, a column or a code, and how well a name fits each of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from math import log

from pipeline.case_tables import TABLES
from pipeline.draft.words import DOSE_AREA, NUMBERED, heading, likeness, pieces, plain, tokens
from pipeline.reading.source import fold
from pipeline.trade_words import LANGUAGES, phrases

OWN = "the dictionary"  # the language of the dictionary's own names
NOT_OURS = ""  # what a phrase means that is met beside ours and is none of ours
_SMALL_WEIGHT = 0.05
_UNKNOWN_WEIGHT = 0.9  # of a word that no phrase has
_LEAST = 0.3  # a phrase that fits less is not told
# Pairs that make a name its opposite. One side of a pair in a name, the other in a phrase: not the same thing.
_OPPOSITES = tuple(
    (frozenset(one.split()), frozenset(other.split()))
    for one, other in (
        ("prox proximal proximale prossimale proximaal", "dist distal distale distaal"),
        ("ant anterior anteriore anterieure anteriort vorder", "post posterior posteriore posterieure"),
        ("med medial mediale medialis mediaal interne interna interno", "lat lateral laterale lateralis lateraal externe externa externo"),
        ("ipsi ipsilateral omolaterale homolateral homolaterale gleichseitig gleichseitige", "contra kontra contralateral kontralateral controlaterale contralaterale contralateraal controlateral kontralaterale"),
        ("minor mineure menor minore klein kleine", "major majeure mayor maior maggiore gross grosse"),
        ("left links izquierda izquierdo gauche sinistra sinistro esquerda esquerdo", "right rechts derecha derecho droite droit destra destro direita direito"),
        ("ante antegrad antegrade anterograde anterogrado anterograda antegraad", "retro retrograd retrograde retrogrado retrograda retrograad"),
        ("pre pra praop preop preoperatorio preoperatoire baseline basal vor", "post postop postoperativ postoperatoire postoperatorio nach after na"),
        ("planned intended geplant geplante prevu prevue previsto prevista pianificato planeada planejada geplande planificado", "performed actual effective tatsachlich"),
    )
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Phrase:
    """One phrase: what it means (the dictionary's name), in which language, as it is written, and its words as compared.

    `doubtful`: it may as well mean something else.
    """

    meaning: str
    language: str
    written: str
    doubtful: bool
    pieces: tuple[str, ...]
    joined: str


@dataclass(frozen=True, slots=True)
class Found:
    """The best phrase for one meaning, and how well it fits, from 0 to 1 (1: the same words)."""

    meaning: str
    language: str
    written: str
    score: float
    doubtful: bool = False


class Phrasebook:
    """Phrases with what they mean, to be searched by a name."""

    def __init__(self, entries: Iterable[tuple[str, str, str]], *, headings: bool, lexicon: frozenset[str]) -> None:
        """`entries`: meaning, language, phrase. `headings`: whether units and the like are taken off a name."""
        self._headings = headings
        self._lexicon = lexicon
        self._phrases: list[Phrase] = []
        self._by_piece: dict[str, set[int]] = defaultdict(set)
        meanings: dict[str, set[str]] = defaultdict(set)
        for meaning, language, written in entries:
            bare = written.removesuffix("?")
            words = self._words(bare)
            phrase = Phrase(meaning, language, bare, bare != written, pieces(words, lexicon), "".join(words))
            if not phrase.joined:
                continue
            for piece in phrase.pieces:
                self._by_piece[piece].add(len(self._phrases))
                meanings[piece].add(meaning)
            self._phrases.append(phrase)
        self._by_letter: dict[str, list[str]] = defaultdict(list)
        for piece in self._by_piece:
            self._by_letter[piece[0]].append(piece)
        # A word that many meanings share (date, grade) tells little.
        self._weights = {piece: 1 / (1 + log(len(of))) for piece, of in meanings.items()}
        self._weights |= dict.fromkeys(SMALL & self._weights.keys(), _SMALL_WEIGHT)
        self._known: dict[str, tuple[Found, ...]] = {}

    @property
    def known_headings(self) -> frozenset[str]:
        """Every phrase as headers are compared by the reader."""
        return frozenset(fold(phrase.written) for phrase in self._phrases)

    def search(self, name: str) -> tuple[Found, ...]:
        """The meanings that the name may have, one entry a meaning and language, the best first."""
        if name not in self._known:
            self._known[name] = self._searched(name)
        return self._known[name]

    def _words(self, text: str) -> tuple[str, ...]:
        return heading(text).words if self._headings else tokens(text)

    def _searched(self, name: str) -> tuple[Found, ...]:
        words = self._words(name)
        mine, joined = pieces(words, self._lexicon), "".join(words)
        if not joined:
            return ()
        if self._headings and DOSE_AREA in words:
            return (Found(NOT_OURS, OWN, "dose-area product", 1.0),)
        near = {word: self._near(word) for word in mine}
        candidates = {number for close in near.values() for piece in close for number in self._by_piece[piece]}
        best: dict[tuple[str, str], Found] = {}
        for number in candidates:
            phrase = self._phrases[number]
            score = 1.0 if phrase.joined == joined else self._score(mine, phrase, near)
            key = phrase.meaning, phrase.language
            if score >= _LEAST and (key not in best or score > best[key].score):
                best[key] = Found(phrase.meaning, phrase.language, phrase.written, score, phrase.doubtful)
        return tuple(sorted(best.values(), key=lambda found: (-found.score, found.meaning, found.language)))

    def _near(self, word: str) -> dict[str, float]:
        # Words that begin differently are never alike; "id" and "nr" are the exception that likeness makes.
        alike = (*self._by_letter[word[0]], *(NUMBERED if word in NUMBERED else ()))
        return {piece: like for piece in alike if piece in self._by_piece and (like := likeness(word, piece)) > 0}

    def _score(self, mine: Sequence[str], phrase: Phrase, near: Mapping[str, Mapping[str, float]]) -> float:
        """Harmonic mean of how much of the phrase is in the name and how much of the name is in the phrase."""
        theirs = phrase.pieces
        if are_opposite(mine, theirs, NEGATIONS.get(phrase.language, _ANY_NEGATION)):
            return 0.0
        pairs = sorted(
            ((near[word].get(piece, 0.0), i, j) for i, word in enumerate(mine) for j, piece in enumerate(theirs)),
            reverse=True,
        )
        taken_mine: dict[int, float] = {}
        taken_theirs: dict[int, float] = {}
        for like, i, j in pairs:
            if like > 0 and i not in taken_mine and j not in taken_theirs:
                taken_mine[i] = taken_theirs[j] = like
        in_name = self._share(theirs, taken_theirs)
        in_phrase = self._share(mine, taken_mine)
        if in_name + in_phrase == 0:
            return 0.0
        # The same words in another order, or joined otherwise, are a little less than the same.
        return 0.98 * 2 * in_name * in_phrase / (in_name + in_phrase)

    def _share(self, words: Sequence[str], taken: Mapping[int, float]) -> float:
        weights = [self._weights.get(word, _SMALL_WEIGHT if word in SMALL else _UNKNOWN_WEIGHT) for word in words]
        return sum(weight * taken.get(at, 0.0) for at, weight in enumerate(weights)) / sum(weights)


def are_opposite(mine: Sequence[str], theirs: Sequence[str], negations: frozenset[str]) -> bool:
    """Whether one says the contrary of the other: proximal and distal, or one of the `negations` that only one of them has."""
    here, there = set(mine), set(theirs)
    if bool(here & negations) != bool(there & negations):
        return True
    for one, other in _OPPOSITES:
        first, second = bool(here & one), bool(here & other)
        if first != second and bool(there & one) != bool(there & other) and first != bool(there & one):
            return True
    return _in_compounds("".join(mine), "".join(theirs))


def _in_compounds(mine: str, theirs: str) -> bool:
    """The same inside a compound: Minoramputation and Majoramputation."""
    for one, other in (("minor", "major"), ("proxim", "dist"), ("ipsi", "contra"), ("ipsi", "kontra"), ("konkav", "konvex"), ("concav", "conve")):  # fmt: skip
        for here, there in ((one, other), (other, one)):
            if here in mine and there not in mine and there in theirs and here not in theirs:
                return True
    return False


def _plain_words(lists: Iterable[str]) -> frozenset[str]:
    return frozenset(plain(word) for written in lists for word in phrases(written))


# By language: "no" is a no in English, Spanish and Italian, and "in the" in Portuguese.
NEGATIONS = {language.language: _plain_words([language.negations]) for language in LANGUAGES}
_ANY_NEGATION = frozenset[str]().union(*NEGATIONS.values())
SMALL = _plain_words(language.small for language in LANGUAGES) - _ANY_NEGATION


@cache
def lexicon() -> frozenset[str]:
    """The words of headings and table names, at which a compound is cut."""
    written = [
        phrase
        for language in LANGUAGES
        for lists in (language.tables, language.columns, {"": language.not_ours})
        for value in lists.values()
        for phrase in phrases(value)
    ]
    return frozenset(word for phrase in written for word in tokens(phrase))


@cache
def column_book() -> Phrasebook:
    """Headings of columns; what is met beside ours means NOT_OURS."""
    entries = [(column.name, OWN, column.name) for table in TABLES for column in table.columns]
    for language in LANGUAGES:
        entries += [(name, language.language, p) for name, value in language.columns.items() for p in phrases(value)]
        entries += [(NOT_OURS, language.language, p) for p in phrases(language.not_ours)]
    return Phrasebook(entries, headings=True, lexicon=lexicon())


@cache
def table_book() -> Phrasebook:
    """Names of tables: of files and sheets."""
    entries = [(table.name, OWN, table.name) for table in TABLES]
    for language in LANGUAGES:
        entries += [(name, language.language, p) for name, value in language.tables.items() for p in phrases(value)]
    return Phrasebook(entries, headings=False, lexicon=lexicon())
