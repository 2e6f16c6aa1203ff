"""What the review asks of the place where decisions are kept; the command line hands it one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

import polars as pl


class Frames(Protocol):
    """Everything kept, as frames of the declared decision_ tables."""

    @property
    def reviews(self) -> pl.DataFrame:
        """decision_review."""

    @property
    def findings(self) -> pl.DataFrame:
        """decision_finding."""

    @property
    def works(self) -> pl.DataFrame:
        """decision_work."""


class DecisionStore(Protocol):
    """The decisions, append-only; each method is one transaction."""

    def review(
        self,
        vehicle_id: str,
        week: str,
        decision: str,
        reason: str,
        decided_by: str,
        *,
        after: int | None = None,
    ) -> int:
        """Keep a decision; ConflictError when someone decided since review number `after`."""

    def last_review(self, vehicle_id: str) -> int:
        """Number of the last review of a vehicle, 0 if there is none."""

    def finding(self, row: Mapping[str, Any], decided_by: str) -> int:
        """Keep a finding; DecisionError names the column that is wrong."""

    def work(self, row: Mapping[str, Any], decided_by: str) -> int:
        """Keep work at an EVSE; DecisionError names the column that is wrong."""

    def frames(self) -> Frames:
        """Everything, read at one moment."""

    def close(self) -> None:
        """Let go of it."""
