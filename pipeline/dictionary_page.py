"""Writes docs/data_dictionary.md from the data dictionary: `python -m pipeline.dictionary_page`."""

from __future__ import annotations

from pathlib import Path

from pipeline.case_tables import FALSE_WORDS, PSEUDONYM_COLUMNS, TABLES, TRUE_WORDS, Column, Table
from pipeline.mapping import UNIT_FACTORS
from pipeline.rules import CALCIUM_GRADES, FIRST_DATE, LAST_DATE, MAY_BE_ABSENT, OPTIONAL_REFERENCES

PAGE = Path(__file__).parent.parent / "docs" / "data_dictionary.md"

TYPES_IN_WORDS = {
    "text": "text",
    "int": "whole number",
    "real": "number",
    "bool": "true or false",
    "date": "date",
    "code": "code",
}


def data_dictionary_markdown() -> str:
    """The data dictionary as a page in Markdown, ending with a newline."""
    return "\n".join([*_introduction(), *(line for table in TABLES for line in _table(table))]) + "\n"


def _introduction() -> list[str]:
    units = "; ".join(
        f"{ours} from {', '.join(u for u in theirs if u != ours)}" for ours, theirs in UNIT_FACTORS.items()
    )
    scales = "; ".join(f"`{scale}`: {', '.join(grades)}" for scale, grades in CALCIUM_GRADES.items())
    return [
        "# Data dictionary",
        "",
        "<!-- Written by `python -m pipeline.dictionary_page` from pipeline/case_tables.py; change it there. -->",
        "",
        "The layout in which Crosswise takes case tables. An export that is written in another way is translated by a mapping file:",
        "see [Preparing an export](preparing_an_export.md). Only the columns on this page are ever loaded.",
        "",
        f"- **Tables.** {', '.join(f'`{table.name}`' for table in TABLES)}. "
        f"{' and '.join(f'`{name}`' for name in MAY_BE_ABSENT)} may be absent; the others are needed.",
        "- **Needed columns.** A row without a readable value there is set aside. In any other column a bad value is blanked and listed, and the row stays.",
        f"- **Dates** are written YYYY-MM-DD and lie in {FIRST_DATE.year} to {LAST_DATE.year}.",
        f"- **True or false** may be written {', '.join(TRUE_WORDS)} or {', '.join(FALSE_WORDS)}, in capitals or not.",
        "- **Limits** are inclusive and in the column's unit.",
        f"- **Units** that a mapping converts: {units}.",
        f"- **Calcium** is graded on one of three scales, named in `calcium_scale`. {scales}.",
        f"- **Keys** ({', '.join(f'`{name}`' for name in PSEUDONYM_COLUMNS)}) are replaced by keyed pseudonyms when they are read.",
    ]


def _table(table: Table) -> list[str]:
    references = [f"`{column}` is a row of `{parent}`" for column, parent in table.refers.items()]
    references += [
        f"`{column}`, where given, is a row of `{parent}`"
        for name, column, parent in OPTIONAL_REFERENCES
        if name == table.name
    ]
    return [
        "",
        f"## {table.name}",
        "",
        f"{table.meaning} The key is `{table.key}`, different on every row."
        + (f" {'; '.join(references)}." if references else ""),
        "",
        "| column | type | needed | unit | limits | meaning and codes |",
        "|---|---|---|---|---|---|",
        *(_row(column) for column in table.columns),
    ]


def _row(column: Column) -> str:
    limits = "" if column.limits is None else f"{column.limits[0]:g} to {column.limits[1]:g}"
    codes = ", ".join(f"`{code}`" for code in column.codes)
    meaning = "; ".join(part for part in (column.meaning, codes) if part)
    cells = (
        f"`{column.name}`",
        TYPES_IN_WORDS[column.type],
        "yes" if column.needed else "",
        column.unit,
        limits,
        meaning,
    )
    return "| " + " | ".join(cells) + " |"


if __name__ == "__main__":
    PAGE.write_text(data_dictionary_markdown(), encoding="utf-8", newline="\n")
