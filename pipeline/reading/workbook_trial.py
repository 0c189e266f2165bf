"""Opens the old workbook on the standard input, in a process of its own: on some damaged ones the library ends the program.

Exit status 0: every sheet can be opened. Nothing is written, and no memory image is left behind.
"""

from __future__ import annotations

import sys

import fastexcel

_MOST_BYTES = 4 * 1024**3


def main() -> int:
    """The exit status."""
    try:
        import resource
    except ImportError:  # not on Windows, where the bound is what memory there is
        pass
    else:
        resource.setrlimit(resource.RLIMIT_AS, (_MOST_BYTES, _MOST_BYTES))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    try:
        book = fastexcel.read_excel(sys.stdin.buffer.read())
        for name in book.sheet_names:
            book.load_sheet(name, header_row=None, skip_rows=0, dtypes="string").to_arrow_with_errors()
    except fastexcel.FastExcelError:
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
