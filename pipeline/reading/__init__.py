"""The files of an export, opened, taken apart and brought to the dictionary's way of writing."""
