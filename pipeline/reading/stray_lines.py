"""Lines of a table that are no rows of it: the header line again (exports put one behind the other) and totals at its foot."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

HEADER_AGAIN = "the header line again"
TOTAL = "a line of totals"

# What a line of totals begins with, in the languages of the trade's exports; common practice, no source.
_TOTAL_WORDS = (
    *(
        "total",
        "totals",
        "grand total",
        "subtotal",
        "sum",
        "count",
        "summe",
        "gesamt",
        "gesamtsumme",
        "anzahl",
        "somme",
    ),
    *("nombre", "totale", "totali", "somma", "conteggio", "suma", "recuento", "totaal", "aantal", "soma", "contagem"),
)
_ROW_WORDS = "rows?|records?|lines?|zeilen?|datensätze|lignes?|filas?|registros?|righe|rijen|regels|linhas?"
_TOTAL_LINE = (
    rf"^(?i:\W*({'|'.join(_TOTAL_WORDS)})\s*([:=(]?\s*\d[\d.,' ]*\)?|[:=]|\(?({_ROW_WORDS})\)?\W*\d*)?"
    rf"|\W*\d+ ({_ROW_WORDS})( (affected|selected|ausgewählt|sélectionnées))?)\W*$"
)


def told_apart(rows: pl.DataFrame, headers: Sequence[str]) -> pl.DataFrame:
    """`rows` (`row`, `fault`, text columns named by position) in which each line that is no row has a fault and holds nothing.

    The header again: every value is what stands in the header over it, whatever its capitals. A total: the first value says so, and no more than
    one other is there.
    """
    names = [name for name in rows.columns if name not in ("row", "fault")]
    if len(names) < 2 or rows.is_empty():
        return rows
    first, *others = names
    again = _where(
        rows,
        # One cheap look at the first column spares the others of nearly every file.
        pl.col(first).str.strip_chars().str.to_lowercase() == headers[int(first)].lower(),
        pl.all_horizontal(
            pl.col(name).str.strip_chars().str.to_lowercase().fill_null("") == headers[int(name)].lower()
            for name in others
        ),
    )
    there = pl.sum_horizontal(pl.col(name).str.strip_chars().fill_null("") != "" for name in others)
    total = _where(rows, _blank(others[0]) | _blank(others[-1]), (there <= 1) & pl.col(first).str.contains(_TOTAL_LINE))
    if again.is_empty() and total.is_empty():
        return rows
    fault = (
        pl.when(pl.col("row").is_in(again.implode()))
        .then(pl.lit(HEADER_AGAIN))
        .when(pl.col("row").is_in(total.implode()))
        .then(pl.lit(TOTAL))
    )
    return rows.with_columns(pl.coalesce("fault", fault).alias("fault")).with_columns(
        pl.when(pl.col("fault").is_null()).then(pl.col(name)).alias(name) for name in names
    )


def _blank(name: str) -> pl.Expr:
    return pl.col(name).is_null() | (pl.col(name) == "")


def _where(rows: pl.DataFrame, seems: pl.Expr, certain: pl.Expr) -> pl.Series:
    """The row numbers for which both hold; the second is asked of those alone for which the first does."""
    return rows.filter(seems & pl.col("fault").is_null()).filter(certain)["row"]
