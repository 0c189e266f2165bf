"""The data-quality summary: what is missing, what looks odd, and what to do about it."""

from pipeline.quality.summary import summarize

__all__ = ["summarize"]
