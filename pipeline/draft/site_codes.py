"""The lines for a column's codes: what is translated, what is left to be filled in, and what of it may be shown."""

from __future__ import annotations

import polars as pl

from pipeline.case_tables import FALSE_WORDS, TRUE_WORDS, Column
from pipeline.draft.code_words import CodeChoice, read_codes
from pipeline.draft.held import Held
from pipeline.draft.lines import CodeLine, CodeLines
from pipeline.draft.words import heading
from pipeline.guard.identifiers import kind_by_content
from pipeline.mapping import NOT_RECORDED, accepted_codes
from pipeline.reading.source import fold
from pipeline.reading.value_labels import NOT_KNOWN

# A value seen less often, longer, or beyond so many different ones could be a patient's. Common practice, no source.
_FEWEST_ROWS, _LONGEST, _MOST_SHOWN = 5, 40, 30


def code_lines(column: Column, header: str, held: Held, language: str, *, guessed: bool) -> CodeLines:
    """The codes that differ from ours, the most frequent first; none for a column that is written in ours.

    `guessed`: whether the column itself is a guess, so that its unknown values may be anything and are not shown.
    """
    choices = read_codes(column, held.codes, language, heading(header).legend).choices
    if all(_is_ours(column, choice) for choice in choices):
        return CodeLines((), 0)
    nobodys = _may_be_shown(choices, guessed=guessed)
    lines: list[CodeLine] = []
    unshown = 0
    for choice in sorted(choices, key=lambda choice: (-choice.rows, choice.theirs)):
        # Once a column of true or false has codes of its own, only these are read, so ours stand there too.
        if _is_ours(column, choice) and column.type != "bool":
            continue
        often = choice.rows >= _FEWEST_ROWS
        known = fold(choice.theirs) in NOT_KNOWN
        short = len(choice.theirs) <= _LONGEST
        digit = len(choice.theirs) == 1 and choice.theirs.isdigit()
        if not short or not (choice.word or known or digit or (often and nobodys)) or len(lines) == _MOST_SHOWN:
            unshown += 1
            continue
        rows = choice.rows if often else None
        shown = held.shown[choice.theirs]
        if known and choice.ours is None:
            lines.append(CodeLine(shown, NOT_RECORDED, "certain", "nothing is known", rows))
        else:
            lines.append(CodeLine(shown, choice.ours, choice.confidence, choice.reason, rows))
    return CodeLines(tuple(lines), unshown)


def _is_ours(column: Column, choice: CodeChoice) -> bool:
    """Whether the reader takes the code as it stands, and as what it means."""
    if column.type != "bool":
        return choice.theirs in accepted_codes(column)
    words = TRUE_WORDS if choice.ours == "true" else FALSE_WORDS if choice.ours == "false" else ()
    return choice.theirs in words


def _may_be_shown(choices: tuple[CodeChoice, ...], *, guessed: bool) -> bool:
    """Whether the values that are no words of the trade look like codes, and not like names or the like."""
    unknown = [choice for choice in choices if choice.ours is None and not choice.theirs.isdigit()]
    if guessed and unknown:
        return False
    values = pl.Series(
        [value for choice in unknown for value in [choice.theirs] * min(choice.rows, 50)], dtype=pl.String
    )
    return kind_by_content(values) is None
