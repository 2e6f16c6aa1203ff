"""How long validation takes, beside the same SQL run bare."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline.settings.validate import ValidateSettings
from pipeline.storage.warehouse import Connection, writing
from pipeline.validate.quarantine import validate
from pipeline.validate.rules import rules, views

_EVSES = 400
_STEPS = 10
"""Moments of a plug-in, twenty seconds apart: A1 B1 B2 B2 C2 C2 C2 C2 B2 A1."""
_ROWS_A_PLUG = 17
"""9 pilot rows, 6 signals, 2 attempts."""


@dataclass(frozen=True)
class ValidateTiming:
    """Seconds for `rows` core rows: `validate`, and the rules' SQL with views stood up once."""

    rows: int
    validate_s: float
    bare_s: float

    @property
    def overhead(self) -> float:
        """How many times the bare SQL `validate` takes; the aim is below 3."""
        return self.validate_s / self.bare_s


def bench_validate(rows: int = 5_000_000) -> ValidateTiming:
    """Time `validate` on a made warehouse of about `rows` core rows (9 pilot, 6 signal, 2 attempt
    in 17).

    Bare is the same work without whichside: every view made once, then every rule's rows and counts
    by its own SELECT.
    """
    with TemporaryDirectory() as folder, writing(Path(folder) / "bench.duckdb") as con:
        made = _fill(con, rows)
        start = time.perf_counter()
        validate(con, ValidateSettings())
        validated = time.perf_counter()
        _bare(con)
        return ValidateTiming(made, validated - start, time.perf_counter() - validated)


def _bare(con: Connection) -> None:
    """Views once, then for each rule its offending rows and its counts by station, connector and
    firmware.
    """
    for view in views().values():
        con.execute(f'CREATE TEMP {"TABLE" if view.keep else "VIEW"} "{view.name}" AS {view.sql}')
    for rule in rules().values():
        con.execute(rule.select).fetchall()
        counts = ", ".join(rule.counts().values())
        con.execute(
            f"SELECT station_id, connector_id, f.firmware, {counts} FROM {rule.records} "
            f"LEFT JOIN (SELECT station_id, firmware FROM core_firmware) f USING (station_id) GROUP BY ALL"
        ).fetchall()


def _fill(con: Connection, rows: int) -> int:
    plugs = rows // _ROWS_A_PLUG
    for statement in (_EVSE, _VEHICLE, _FIRMWARE, _PILOT, _SIGNAL, _ATTEMPT, _FRAME):
        con.execute(statement.format(evses=_EVSES, plugs=plugs, steps=_STEPS))
    counted = con.execute(
        "SELECT (SELECT count(*) FROM core_pilot) + (SELECT count(*) FROM core_signal) + (SELECT count(*) FROM core_attempt)"
    ).fetchone()
    return int(counted[0]) if counted else 0


_BASE = "TIMESTAMPTZ '2026-01-05 00:00:00+00'"
_EVSE = """INSERT INTO core_evse BY NAME SELECT 'e' || i AS evse_id, 'x' AS site_id, 's' || i AS station_id, 1 AS connector_id,
    'model ' || i % 7 AS evse_model, '1.0' AS firmware, 'AC' AS supply, 'cType2' AS connector_type, 32.0 AS max_current_a,
    3 AS phases, 22.0 AS max_power_kw, 'UTC' AS timezone, 'yes' AS diode_check FROM range({evses}) t(i)"""
_VEHICLE = """INSERT INTO core_vehicle BY NAME SELECT 'v' || i AS vehicle_id, 'van' AS vehicle_model, 2024 AS model_year,
    11.0 AS onboard_charger_kw, 3 AS ac_phases, 'cType2' AS inlets FROM range(5 * {evses}) t(i)"""
_FIRMWARE = f"""INSERT INTO core_firmware BY NAME SELECT 's' || i AS station_id, {_BASE} AS valid_from_utc, '1.0' AS firmware
    FROM range({{evses}}) t(i)"""
_PLUG = "FROM range({plugs}) p(i), range({steps}) s(k)"
_AT = f"{_BASE} + to_seconds(3600 * (i // {{evses}})) + to_milliseconds(20000 * k)"
_WHERE = "'e' || i % {evses} AS evse_id, 's' || i % {evses} AS station_id, 1 AS connector_id"
_LINE = "{steps} * i + k + 1 AS line, 0.05 AS clock_error_s"
_PILOT = f"""INSERT INTO core_pilot BY NAME SELECT 'f' AS file_id, {_LINE}, {_WHERE}, {_AT} AS at_utc,
    ['A1','B1','B2','B2','C2','C2','C2','C2','B2','A1'][k + 1] AS pilot_state,
    [12.0,9.0,9.0,9.0,6.0,6.0,6.0,6.0,9.0,12.0][k + 1] AS high_v,
    CASE WHEN k BETWEEN 2 AND 8 THEN -12.0 END AS low_v, CASE WHEN k BETWEEN 2 AND 8 THEN 50.0 END AS duty_pct,
    CASE WHEN k BETWEEN 4 AND 7 THEN 'closed' ELSE 'open' END AS contactor {_PLUG} WHERE k <> 7"""
_SIGNAL = f"""INSERT INTO core_signal BY NAME SELECT 'g' AS file_id, {_LINE}, {_WHERE}, {_AT} AS at_utc, '1.6' AS version,
    CASE k WHEN 1 THEN 'StartTransaction' WHEN 8 THEN 'StopTransaction' ELSE 'StatusNotification' END AS action,
    CASE k WHEN 0 THEN 'Preparing' WHEN 2 THEN 'Charging' WHEN 5 THEN 'SuspendedEV' WHEN 9 THEN 'Available' END AS status,
    CASE WHEN k NOT IN (1, 8) THEN 'NoError' END AS error_code, CASE WHEN k IN (1, 8) THEN 't' || i END AS transaction_id,
    CASE k WHEN 1 THEN 1000.0 * (i // {{evses}}) WHEN 8 THEN 1000.0 * (i // {{evses}} + 1) END AS meter_wh
    {_PLUG} WHERE k IN (0, 1, 2, 5, 8, 9)"""
_ATTEMPT = f"""INSERT INTO core_attempt BY NAME SELECT 'a' || i || '-' || k AS attempt_id, {_WHERE}, 'x' AS site_id,
    'model' AS evse_model, '1.0' AS firmware, 'AC' AS supply, 'cType2' AS coupler, 'yes' AS diode_check,
    'v' || (i * 7 + k) % (5 * {{evses}}) AS vehicle_id, 'token' AS vehicle_known_by, 'c' AS id_token,
    {_BASE} + to_seconds(3600 * (i // {{evses}}) + 1800 * k) AS plugged_at_utc,
    {_BASE} + to_seconds(3600 * (i // {{evses}}) + 1800 * k + 600) AS unplugged_at_utc, 0.05 AS clock_error_s,
    'pilot' AS source, [] AS lineage, 'charged' AS outcome, 'delivering' AS stage, 400.0 AS stage_seconds, false AS early_b,
    1.0 AS energy_kwh, 4 AS pilot_low_samples, false AS distrust, 1.0 AS weight {_PLUG} WHERE k < 2"""
_FRAME = f"""INSERT INTO raw_frame BY NAME SELECT 'g' AS file_id, k + 1 AS line, k AS frame_key, 's0' AS station_id,
    {_BASE} + to_days(CAST(k * 3650 AS INTEGER)) AS receiver_at_utc, 'in' AS direction, '1.6' AS version,
    2 AS message_type, 'm' AS message_id FROM range(2) s(k)"""
