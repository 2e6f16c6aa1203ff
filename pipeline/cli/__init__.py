"""The command line. Each command does one job and says what to open next."""

from pipeline.cli import people, upkeep, weekly
from pipeline.cli.base import main

__all__ = ["main", "people", "upkeep", "weekly"]
