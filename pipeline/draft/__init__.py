"""Drafts a mapping file from an export: which file is which table, which header which column, which code which of ours."""
