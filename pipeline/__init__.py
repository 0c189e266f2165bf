"""Crosswise's steps and declarations. `from pipeline import Plan, analyze, read_tables` is the Python interface."""
