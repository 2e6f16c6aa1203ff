"""Impossible states: rules of `schemas/rules`, what they caught, and what follows from it.

`great_expectations` is needed by `check` alone and imported there.
"""

from pipeline.validate.quarantine import validate
from pipeline.validate.rules import Rule, View, rules, views

__all__ = ["Rule", "View", "rules", "validate", "views"]
