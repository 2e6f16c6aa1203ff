"""Numbers of lines while files are read in one go: the place of the file, then the line in it."""

from __future__ import annotations

FILE_STEP = 1 << 40
"""A line of the file at place i carries i * FILE_STEP + its number: above any line number."""
ANSWER_STEP = 1 << 39
"""The answer in the same row as its call is told apart by this much: above any line, below a file."""
