"""Puts tests/ on the path so that test files can share small modules of it."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
