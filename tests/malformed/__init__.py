"""Every way in which an export was made wrong on purpose, what is expected of the intake, and what it did.

`python -m tests.malformed > docs/malformed_input.md` writes the table of all of them.
"""
