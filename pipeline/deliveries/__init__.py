"""Exports laid on one another: what each added, corrected and left out."""
