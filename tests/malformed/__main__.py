"""Writes the page of all cases to standard output."""

from __future__ import annotations

import sys

from tests.malformed.page import malformed_page

sys.stdout.buffer.write(malformed_page().encode())
