"""The command line. Each command does one job and says what to open next."""

from pipeline.cli import arrival, case, finding, measure, people, quality, upkeep, weekly
from pipeline.cli.base import main

__all__ = ["arrival", "case", "finding", "main", "measure", "people", "quality", "upkeep", "weekly"]
