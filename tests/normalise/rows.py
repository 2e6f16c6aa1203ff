"""Frames for tests of single steps.

A few rows with some columns told, the others null, as declared.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

import polars as pl

from tests.normalise.world import at

TIME = pl.Datetime("us", "UTC")
TEXT = {
    "station_id", "evse_id", "vehicle_id", "id_token", "file_id", "action", "status", "direction", "version", "message_id",
    "event_type", "trigger_reason", "charging_state", "stop_reason", "id_token_status", "transaction_id", "info", "error_code",
    "vendor_error_code", "fault", "fault_raw", "pilot_state", "contactor", "measurand", "location", "unit", "phase",
    "sample_context", "variable", "component", "actual_value", "began", "ended", "source", "time_doubt", "firmware", "event",
    "inlet", "warning_fault", "warning_raw", "end_reason_raw", "started_token", "shown_token", "supply", "known", "fault_at",
    "pilot_doubt", "told_at",
}  # fmt: skip
TRUTH = {
    "seen_by_pilot", "fault_trouble", "done", "meant", "let_go", "cut", "closing", "partial", "cleared", "sudden", "accepted",
    "refused", "unanswered", "suspended_evse", "suspended_ev", "lasting", "vehicle_fault", "answers_seen", "split",
    "export_trouble", "full_before", "tells_state",
    "implausible", "again",
}  # fmt: skip
WHOLE = {
    "line",
    "plug",
    "order",
    "message_type",
    "answer",
    "level",
    "rank",
    "strength",
    "plug_in",
    "connector_id",
    "era",
    "run",
    "span",
}


def kind_of(name: str) -> pl.DataType | type[pl.DataType]:
    """The type of a column by its name."""
    if name.endswith("_utc") or name == "booted_utc":
        return TIME
    if name in TEXT or (
        name.startswith("export_") and name not in {"export_trouble", "export_kwh"}
    ):
        return pl.String
    if name in TRUTH:
        return pl.Boolean
    return pl.Int64 if name in WHOLE else pl.Float64


def frame(rows: list[dict[str, Any]], *columns: str, **usual: Any) -> pl.DataFrame:
    """Rows with these columns, those of the rows and the usual values.

    `*_utc` columns hold seconds of the tests' origin.
    """
    names = list(dict.fromkeys([*columns, *usual, *(name for row in rows for name in row)]))

    def value(name: str, told: Any) -> Any:
        return (
            at(told)
            if name.endswith("_utc") and told is not None and not isinstance(told, datetime)
            else told
        )

    full = [{name: value(name, (usual | row).get(name)) for name in names} for row in rows]
    return pl.DataFrame(full, schema={name: kind_of(name) for name in names}, orient="row")


def seconds_of(column: pl.Series) -> list[float | None]:
    """Times as seconds of the tests' origin."""
    return [None if t is None else (t - at(0)).total_seconds() for t in column]
