"""An invented vascular service with a known truth, valid rows to start a test from, and a worked foreign export.

Nothing here is evidence: every patient, operator and site is made up from seeded random numbers.
"""
