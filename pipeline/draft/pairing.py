"""Which of a file's columns is which of a table's, all of them at once: the pairs that fit best together, and how sure each is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from pipeline.case_tables import Column, Table
from pipeline.draft.code_words import Confidence, read_codes
from pipeline.draft.export_sheets import Sheet, repeated
from pipeline.draft.fit import Fit, fit
from pipeline.draft.phrasebook import NOT_OURS, OWN, Found, column_book
from pipeline.draft.words import heading
from pipeline.reading.source import fold

# How name and values add up, and from which sum on a pair is proposed, likely or certain; chosen by trying, no source.
_OF_VALUES, _OF_TELLING = 0.35, 0.3
_NAMED = 0.45  # a name less like ours says nothing
_PROPOSED, _LIKELY = 0.6, 0.85
_SAME_NAME, _LIKE_NAME = 0.95, 0.8
_MARGIN, _LIKELY_MARGIN = 0.25, 0.12
_ANOTHERS_NAME = 0.85  # a heading so much like one that is none of ours is none of ours
_OTHER_LANGUAGE, _ENGLISH = 0.85, 0.97
_AGAINST = -0.5  # values that speak against the column, and not only fail to speak for it
_SHORT = 3  # signs
_NEVER = -1e6


@dataclass(frozen=True, slots=True)
class Pair:
    """One of our columns and where it stands in the file. `name` is 0 to 1, `margin` what the next best solution would lose."""

    column: Column
    position: int
    header: str
    name: float
    found: Found | None
    fit: Fit
    margin: float
    confidence: Confidence


Keys = Mapping[tuple[str, int], Fit]  # (our column, position) -> what is known of it as a key of another table


@dataclass(frozen=True, slots=True)
class _Candidate:
    total: float
    name: float
    found: Found | None
    fit: Fit


def pair(table: Table, sheet: Sheet, language: str, keys: Keys) -> tuple[Pair, ...]:
    """The best pairs of the table's columns with the sheet's, in the table's order; each of either at most once."""
    twice = repeated(sheet.headers)
    usable = {at for at, header in enumerate(sheet.headers) if header and fold(header) not in twice}
    candidates = [
        [
            _candidate(table, column, sheet, position, language, keys) if position in usable else None
            for position in range(len(sheet.headers))
        ]
        for column in table.columns
    ]
    totals = np.array([[c.total if c is not None else _NEVER for c in row] for row in candidates], dtype=np.float64)
    totals = totals.reshape(len(table.columns), len(sheet.headers))
    best, chosen = _assigned(totals)
    pairs = []
    for row, position in chosen:
        candidate = candidates[row][position]
        if candidate is None:
            continue
        without = totals.copy()
        without[row, position] = _NEVER
        margin = best - _assigned(without)[0]
        pairs.append(
            Pair(
                table.columns[row],
                position,
                sheet.headers[position],
                candidate.name,
                candidate.found,
                candidate.fit,
                margin,
                _confidence(candidate, margin),
            )
        )
    return tuple(pairs)


def likeness_of_columns(pairs: Sequence[Pair], table: Table) -> float:
    """How much a sheet's columns look like the table's: the sum of what is paired, needed columns counting twice."""
    return sum((2.0 if pair.column.needed else 1.0) * _worth(pair) for pair in pairs) / sum(
        2.0 if column.needed else 1.0 for column in table.columns
    )


def _worth(pair: Pair) -> float:
    # A key's heading and a date's are alike in all tables: what tells tables apart is the rest.
    return max(pair.name, 0.6 if pair.fit.telling else 0.0) * (0.5 if pair.confidence == "guess" else 1.0)


def name_of(column: Column, header: str, language: str) -> tuple[Found | None, float, float]:
    """The best phrase for the column that the header is like, how much it is, and how much it is like what is none of ours."""
    best: Found | None = None
    score = other = 0.0
    for found in column_book().search(header):
        weighed = found.score * _weight(found.language, language)
        if len(found.written) <= _SHORT and found.language not in (OWN, language) and language:
            weighed *= 0.5  # two letters of another language than the export's
        if found.meaning == NOT_OURS:
            other = max(other, weighed)
        elif found.meaning == column.name and weighed > score:
            best, score = found, weighed
    return best, score, other


def _weight(of: str, language: str) -> float:
    if of in (OWN, language) or not language:
        return 1.0
    return _ENGLISH if of == "English" else _OTHER_LANGUAGE


def _candidate(
    table: Table, column: Column, sheet: Sheet, position: int, language: str, keys: Keys
) -> _Candidate | None:
    header, held = sheet.headers[position], sheet.columns[position]
    found, name, other = name_of(column, header, language)
    fits = keys.get((column.name, position))
    if fits is None:
        if name < _NAMED and not held.codes:
            return None
        codes = read_codes(column, held.codes, language, heading(header).legend)
        fits = fit(table, column, held, codes)
    if fits.impossible or (name < _NAMED and not fits.telling):
        return None
    total = name + _OF_VALUES * fits.score + (_OF_TELLING if fits.telling else 0.0)
    if other > name:
        if other >= _ANOTHERS_NAME:
            return None
        total -= 0.3
    return _Candidate(total, name, found, fits) if total >= _PROPOSED else None


def _assigned(totals: NDArray[np.float64]) -> tuple[float, list[tuple[int, int]]]:
    """The pairs with the highest sum, where leaving a column without a partner is worth what the weakest pair is."""
    ours, theirs = totals.shape
    alone = np.full((ours, ours), _PROPOSED)
    board = np.concatenate([totals, alone], axis=1)
    rows, columns = linear_sum_assignment(board, maximize=True)
    chosen = [(int(r), int(c)) for r, c in zip(rows, columns, strict=True) if c < theirs and totals[r, c] > _NEVER]
    return float(board[rows, columns].sum()), chosen


def _confidence(candidate: _Candidate, margin: float) -> Confidence:
    doubtful = candidate.found is not None and candidate.found.doubtful
    if doubtful or candidate.fit.score <= _AGAINST:
        return "guess"
    if candidate.fit.score < 0:
        # Codes that nobody knows are no reason to doubt a heading that is plain: they stay unread until they are filled in.
        return "likely" if candidate.name >= _SAME_NAME and margin >= _MARGIN else "guess"
    apart = margin >= _MARGIN
    if apart and (candidate.name >= _SAME_NAME or (candidate.name >= _LIKE_NAME and candidate.fit.telling)):
        return "certain"
    named = candidate.name >= _NAMED or candidate.fit.a_key
    return "likely" if candidate.total >= _LIKELY and margin >= _LIKELY_MARGIN and named else "guess"
