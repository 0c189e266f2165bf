"""Validation of the comparison: a line for each method and scenario, the page docs/validation.md, and the figures that the report shows.

python -m tests.validation                    # everything; writes the page and the figures
python -m tests.validation --services 10 --looks 10 --figures figures.json --page page.md
python -m tests.validation --page-only        # the page again, from the figures
"""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path

from tests.validation import figures as figures_file
from tests.validation import page
from tests.validation.run import LOOKS_SERVICES, SERVICES, made


def main() -> None:
    """Simulate, and write the figures and the page."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--services", type=int, default=SERVICES)
    ask.add_argument("--looks", type=int, default=LOOKS_SERVICES, help="services that look each quarter")
    ask.add_argument("--figures", type=Path, default=figures_file.FILE)
    ask.add_argument("--page", type=Path, default=page.FILE)
    ask.add_argument("--page-only", action="store_true", help="write the page from the figures, simulate nothing")
    asked = ask.parse_args()
    if not asked.page_only:
        found = made(asked.services, asked.looks, partial(print, flush=True))
        asked.figures.write_text(figures_file.as_text(found), encoding="utf-8")
    asked.page.write_text(page.page(figures_file.read(asked.figures)), encoding="utf-8")
    print(f"written: {asked.figures}, {asked.page}")


if __name__ == "__main__":
    main()
