"""What the bench's pages ask of the place where readings are kept; the command line hands it one."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Protocol

from dashboards.review.bench_case import Kept


class BenchStore(Protocol):
    """Readings, findings and files of the bench, append-only."""

    def entries(self, table: str, vehicle_id: str) -> tuple[Kept, ...]:
        """All of a vehicle's entries in a table."""

    def vehicles(self) -> tuple[tuple[str, datetime], ...]:
        """Vehicles with readings, the last first."""

    def keep_reading(self, row: Mapping[str, Any], decided_by: str) -> int:
        """Keep a reading; DecisionError names the column that is wrong."""

    def withdraw(self, table: str, number: int, decided_by: str, reason: str) -> None:
        """Take an entry back; ConflictError when somebody did meanwhile."""

    def correct_finding(
        self, number: int, row: Mapping[str, Any], decided_by: str, reason: str
    ) -> int:
        """Keep a finding in place of another."""

    def finding(self, row: Mapping[str, Any], decided_by: str) -> int:
        """Keep a finding."""

    def keep_file(self, row: Mapping[str, Any], body: bytes, decided_by: str) -> str:
        """Keep a photo or trace; returns its hash."""

    def file(self, sha: str, media_type: str) -> bytes | None:
        """A kept file."""
