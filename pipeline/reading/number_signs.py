"""Which sign a table puts before fractions and which between thousands, told from all of its numbers.

A number that could be read in two ways ("1.500" among "850" and "2.250") is never guessed at: it is left unread and listed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import polars as pl

SPACES = " \u00a0\u202f\u2009"  # plain, no-break, narrow no-break, thin
APOSTROPHES = "'\u2019"
_SIGNS_BESIDE_POINT = rf"[,{SPACES}{APOSTROPHES}]"
_THREES = r"\d{1,3}"


@dataclass(frozen=True, slots=True)
class Signs:
    """How a column's numbers are written. `thousands` is None where nothing stands between them.

    `unsure` are the signs with which a number such as "1.500" could be read in two ways, and is not. `all_threes`: every number
    has three figures behind its point, and is read as a fraction.
    """

    decimal: str = "."
    thousands: str | None = None
    unsure: str = ""
    all_threes: bool = False


@dataclass(slots=True)
class _Seen:
    """What one column shows of one sign, point or comma."""

    fraction: bool = False  # "12,5": could be nothing but a decimal sign
    threes: bool = False  # "1,500": thousands, or a fraction of three figures
    grouped: bool = False  # "1,500,000" or "1,500.5": could be nothing but thousands


class NumberSigns:
    """Looks at a table's number columns block by block.

    `typed`: the file holds numbers as such, and commas only in text. A column there is text all the same where it shows a nought
    at the end of a fraction, which no number has.
    """

    def __init__(self, columns: Sequence[str], *, typed: bool) -> None:
        self._typed = typed
        self._seen = {name: {",": _Seen(), ".": _Seen()} for name in columns}
        self._text = dict.fromkeys(columns, not typed)
        self._whole = dict.fromkeys(columns, False)  # "850": a number without either sign
        self._between: dict[str, set[str]] = {
            name: set() for name in columns
        }  # spaces or apostrophes that part thousands

    def see(self, name: str, values: pl.Series) -> None:
        """Take in some of a column's values, as they are written."""
        beside = values.filter(values.str.contains(_SIGNS_BESIDE_POINT)).str.strip_chars()
        if not beside.is_empty():
            self._look(name, beside, ",")
            for sign, signs in ((" ", SPACES), ("'", APOSTROPHES)):
                if _any(beside, rf"^[+-]?{_THREES}([{signs}]\d{{3}})+([.,]\d+)?$"):
                    self._between[name].add(sign)
                    self._look(name, beside.str.replace_all(f"[{signs}]", ""), ",")
                    self._look(name, beside.str.replace_all(f"[{signs}]", ""), ".")
        point = self._seen[name]["."]
        if not point.fraction or not self._text[name]:
            pointed = values.filter(values.str.contains(".", literal=True)).str.strip_chars()
            self._look(name, pointed, ".")
            # "1.0" is how some programs write a whole number.
            self._text[name] = self._text[name] or _any(pointed, rf"^[+-]?{_THREES}\.\d\d+0$|^[+-]?\d+\.[1-9]0$")
        if not self._whole[name]:
            self._whole[name] = _any(values, r"^\s*[+-]?\d+\s*$")

    @property
    def is_plain(self) -> bool:
        """Whether every number so far is written as the dictionary writes it."""
        commas = (seen[","] for seen in self._seen.values())
        points = (seen["."] for seen in self._seen.values())
        return (
            not any(self._between.values())
            and not any(seen.fraction or seen.grouped or seen.threes for seen in commas)
            and not any(seen.grouped for seen in points)
        )

    @property
    def is_in_doubt(self) -> bool:
        """Whether, with all seen, a point may part thousands where nothing else tells."""
        return any(self._text[name] and (self._doubtful(name, ".") or self._all_threes(name)) for name in self._seen)

    def signs(self) -> dict[str, Signs]:
        """What all that was seen amounts to, for each column: its own evidence first, then that of the others."""
        return {name: self._of(name) for name in self._seen}

    def _of(self, name: str) -> Signs:
        own = self._decimals([name])
        decimals = own or self._decimals(self._seen)
        decimal = decimals if len(decimals) == 1 else "."
        parted = self._parted([name], decimal) or self._parted(self._seen, decimal)
        thousands = parted if len(parted) == 1 else None
        if len(decimals) > 1:
            # Written in both ways: a point is still the dictionary's, and three figures behind either sign tell nothing.
            return Signs(decimal, None, "".join(sign for sign in ".," if self._seen[name][sign].threes))
        unsure = "".join(s for s in ".," if self._is_unsure(name, s, decimal, thousands))
        fractions = decimal == "." and thousands is None and not unsure and self._text[name]
        return Signs(decimal, thousands, unsure, all_threes=fractions and self._all_threes(name))

    def _decimals(self, names: Iterable[str]) -> str:
        """The signs that stand before fractions in these columns."""
        shown = [(self._seen[name], self._text[name] and not self._typed) for name in names]
        comma = any(seen[","].fraction or seen["."].grouped for seen, _ in shown)
        point = any(seen[","].grouped or (seen["."].fraction and written) for seen, written in shown)
        return ("," if comma else "") + ("." if point else "")

    def _parted(self, names: Iterable[str], decimal: str) -> str:
        """The signs that stand between thousands in these columns."""
        other = "." if decimal == "," else ","
        names = list(names)
        signs = {sign for name in names for sign in self._between[name]}
        return "".join(sorted(signs)) + (other if any(self._seen[name][other].grouped for name in names) else "")

    def _is_unsure(self, name: str, sign: str, decimal: str, thousands: str | None) -> bool:
        """Whether "1.500" or "1,500" in the column may not be read with what was found out."""
        seen = self._seen[name][sign]
        if sign == thousands:
            return False
        if sign == "." and not self._text[name]:
            # Numbers as such, if nothing shows another thing: a text beside them that is written with a decimal comma does.
            return decimal == "," and self._doubtful(name, sign)
        if sign != decimal:
            return seen.threes
        # Beside "12,5" a comma may still part thousands in a number or two; the dictionary's own point may not.
        return (sign == "," and seen.threes and seen.fraction) or self._doubtful(name, sign)

    def _doubtful(self, name: str, sign: str) -> bool:
        """Three figures behind each such sign, and whole numbers beside: this is how thousands are parted, too."""
        seen = self._seen[name][sign]
        return seen.threes and not seen.fraction and self._whole[name]

    def _all_threes(self, name: str) -> bool:
        """Three figures behind the point in every number: a program that writes them so, or thousands without exception."""
        seen = self._seen[name]["."]
        return seen.threes and not seen.fraction and not self._whole[name]

    def _look(self, name: str, values: pl.Series, sign: str) -> None:
        if values.is_empty():
            return
        seen, other = self._seen[name][sign], "." if sign == "," else ","
        mark, beside = f"[{sign}]", f"[{other}]"
        threes = rf"^[+-]?[1-9]\d{{0,2}}{mark}\d{{3}}$"
        grouped = rf"^[+-]?{_THREES}(({mark}\d{{3}}){{2,}}|({mark}\d{{3}})+{beside}\d+)$"
        fraction = rf"^[+-]?\d*{mark}\d+([eE][+-]?\d+)?$"
        with_groups = rf"^[+-]?{_THREES}({beside}\d{{3}})+{mark}\d+$"
        is_threes = values.str.contains(threes)
        seen.threes = seen.threes or bool(is_threes.any())
        seen.grouped = seen.grouped or _any(values, grouped)
        seen.fraction = (
            seen.fraction or bool((values.str.contains(fraction) & ~is_threes).any()) or _any(values, with_groups)
        )


def in_words(signs: Mapping[str, Signs], *, stated: str | None = None) -> tuple[str, ...]:
    """What was found out about the columns that are not written as the dictionary writes, in words for the user.

    `stated` is the sign between thousands that the mapping gives.
    """
    said: list[tuple[str, list[str]]] = [
        ("numbers read with a decimal comma", [name for name, one in signs.items() if one.decimal == ","]),
        *(
            (
                f"numbers read with {words} between thousands",
                [name for name, one in signs.items() if one.thousands == sign],
            )
            for sign, words in _IN_WORDS.items()
        ),
    ]
    notes = [words if len(names) == len(signs) else f"{', '.join(names)}: {words}" for words, names in said if names]
    for sign in ".,":
        names = [name for name, one in signs.items() if sign in one.unsure]
        if names:
            notes.append(
                f"{', '.join(names)}: numbers such as 1{sign}500 could be thousands or fractions and are not read; "
                "state decimal and thousands in the mapping"
            )
    if stated is None:
        notes += [
            f'{name}: every number has three decimals; read as fractions; state thousands = "." in the mapping if they are thousands'
            for name, one in signs.items()
            if one.all_threes
        ]
    return tuple(notes)


_IN_WORDS = {".": "a point", ",": "a comma", " ": "a space", "'": "an apostrophe"}


def _any(values: pl.Series, pattern: str) -> bool:
    return bool(values.str.contains(pattern).any())
