"""What the trade calls the dictionary's tables, columns and codes, in seven languages.

One file a language, so that somebody who speaks it can read it through. To add a word, add it to its line; to add a
language, add a file like the others and name it here. The words are common practice; no source.
"""

from __future__ import annotations

from pipeline.trade_words.dutch import DUTCH
from pipeline.trade_words.english import ENGLISH
from pipeline.trade_words.french import FRENCH
from pipeline.trade_words.german import GERMAN
from pipeline.trade_words.italian import ITALIAN
from pipeline.trade_words.portuguese import PORTUGUESE
from pipeline.trade_words.spanish import SPANISH
from pipeline.trade_words.wording import TradeWords, phrases

__all__ = ["LANGUAGES", "TradeWords", "phrases"]

LANGUAGES: tuple[TradeWords, ...] = (ENGLISH, GERMAN, FRENCH, SPANISH, ITALIAN, DUTCH, PORTUGUESE)
