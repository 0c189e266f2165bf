"""What one language of the trade gives: its words for tables, columns and codes, as phrases with commas between them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TradeWords:
    """One language. Every value is a list of phrases, with commas between them; capitals, accents and order do not matter.

    A phrase with a question mark behind it may as well mean something else ("dose?"): it is proposed, and never used undecided.

    `tables` and `columns` are keyed by the dictionary's names. `codes` is, for each column, code = what a site writes for it;
    a column of true or false may have `true` and `false` here, beside `yes` and `no`, which hold for all of them.
    `not_ours` are headings met beside ours that mean something else. `small` words count for little in a comparison, and
    `negations` turn a phrase into its opposite.
    """

    language: str
    tables: Mapping[str, str]
    columns: Mapping[str, str]
    codes: Mapping[str, Mapping[str, str]]
    yes: str
    no: str
    not_ours: str
    small: str
    negations: str


def phrases(written: str) -> tuple[str, ...]:
    """The phrases in one value: 'length, lesion length' gives two."""
    return tuple(phrase.strip() for phrase in written.split(",") if phrase.strip())
