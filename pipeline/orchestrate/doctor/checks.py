"""What a look at the installation gives, and how it is told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

State = Literal["good", "note", "trouble"]


@dataclass(frozen=True)
class Check:
    """One thing looked at: what was found, and what to do where it is trouble."""

    name: str
    state: State
    found: str
    next_step: str = ""


@dataclass(frozen=True)
class Health:
    """All checks, in the order they were made."""

    checks: tuple[Check, ...]

    @property
    def in_order(self) -> bool:
        """Whether nothing is in trouble."""
        return all(check.state != "trouble" for check in self.checks)


def as_words(health: Health) -> str:
    """The checks as text, one a line, trouble marked and followed by what to do."""
    width = max(len(check.name) for check in health.checks)
    mark = {"good": "ok  ", "note": "note", "trouble": "BAD "}
    rows = [
        f"{mark[c.state]}  {c.name:<{width}}  {c.found}"
        + (f"\n      {'':<{width}}  -> {c.next_step}" if c.next_step else "")
        for c in health.checks
    ]
    bad = sum(c.state == "trouble" for c in health.checks)
    return "\n".join([*rows, f"{bad} in trouble" if bad else "all in order"])
