"""The command line. Each command does one job and says what to open next."""

from pipeline.cli import arrival, measure, people, quality, upkeep, weekly, workshop
from pipeline.cli.base import main

__all__ = ["arrival", "main", "measure", "people", "quality", "upkeep", "weekly", "workshop"]
