"""The one exception for what a user can mend: it becomes one clear line each on the terminal and exit status 1."""

from __future__ import annotations


class NeedsMending(Exception):
    """The data, the mapping or the plan needs mending.

    `lines` hold one sentence each: file, row or field, what is wrong, what to do. Never a patient's value.
    """

    def __init__(self, *lines: str) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines
