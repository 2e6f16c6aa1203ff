"""Impossible states: rules of `schemas/rules`, what they caught, and what follows from it.

`great_expectations` is needed by `check` alone and imported there.
"""

from pipeline.validate.check_step import CheckResult, check
from pipeline.validate.quarantine import validate
from pipeline.validate.rules import Rule, View, rules, views
from pipeline.validate.summary import explain_rule, validation_summary

__all__ = [
    "CheckResult",
    "Rule",
    "View",
    "check",
    "explain_rule",
    "rules",
    "validate",
    "validation_summary",
    "views",
]
