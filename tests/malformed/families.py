"""Every family of cases, in the order of the page: from bytes to rows to what rows say."""

from __future__ import annotations

from tests.malformed.case import Family
from tests.malformed.damaged_workbooks import DAMAGED_WORKBOOKS
from tests.malformed.days import DAYS
from tests.malformed.figures import FIGURES
from tests.malformed.files import FILES
from tests.malformed.header_lines import HEADERS
from tests.malformed.keys import KEYS
from tests.malformed.letters import LETTERS
from tests.malformed.line_ends import LINE_ENDS
from tests.malformed.mapping_files import MAPPINGS
from tests.malformed.packed import PACKED
from tests.malformed.parquet import PARQUET
from tests.malformed.persons import PERSONS
from tests.malformed.plans import PLANS
from tests.malformed.quotation import QUOTATION
from tests.malformed.references import REFERENCES
from tests.malformed.separators import SEPARATORS
from tests.malformed.sequences import ACROSS, ATTEMPTS
from tests.malformed.sizes import SIZES
from tests.malformed.statistics_programs import STATISTICS
from tests.malformed.words import WORDS
from tests.malformed.workbooks import WORKBOOKS

# What is wrong with files, and what is wrong with what they say: two halves of the cases, each with a test file of its own.
OF_FILES: tuple[Family, ...] = (
    *(FILES, PACKED, LETTERS, LINE_ENDS, SEPARATORS, QUOTATION, HEADERS),
    *(WORKBOOKS, DAMAGED_WORKBOOKS, PARQUET, STATISTICS, SIZES),
)
OF_VALUES: tuple[Family, ...] = (*(FIGURES, DAYS, WORDS, KEYS, REFERENCES, ATTEMPTS, ACROSS, PERSONS, MAPPINGS, PLANS),)
FAMILIES = (*OF_FILES, *OF_VALUES)
