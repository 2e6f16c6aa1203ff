"""The statements that put typed frames (`frame_sql.staged_query`) into raw tables.

Built once from the declared tables. `_staged` has `left_out` too: rows that are not put.
"""

from __future__ import annotations

from functools import cache

from pipeline.core.line_numbers import FILE_STEP
from pipeline.ingest.frame_paths import EVENT_SHAPE, METER_SHAPE
from pipeline.ingest.frame_sql import STAGED
from pipeline.ingest.sql import real, truth, unzoned, utc, whole
from pipeline.registry import registry

# `?` is the list of file ids
_PLACE = {
    "file_id": f"list_extract(?, (s.line // {FILE_STEP}) + 1)",
    "line": f"s.line % {FILE_STEP}",
}


def _columns(table: str, given: dict[str, str]) -> str:
    """SELECT list of a declared table.

    Given expressions, else the staged column of the same name, else null.
    """
    staged = {"line", *STAGED}
    names = registry().table(table).column_names
    return ", ".join(given.get(n) or (f"s.{n}" if n in staged else f"NULL AS {n}") for n in names)


@cache
def frames_insert() -> str:
    """INSERT of the rows of `_staged` into raw_frame; `?` is the list of file ids."""
    return f"INSERT INTO raw_frame SELECT {_columns('raw_frame', _PLACE)} FROM _staged s WHERE NOT s.left_out"


@cache
def samples_insert() -> str:
    """INSERT of every sampled value of the used rows of `_staged` into raw_sample.

    `?` is the list of file ids.
    """
    energy = "coalesce(v.measurand, 'Energy.Active.Import.Register')"
    times_ten, power = "v.unitOfMeasure.multiplier", whole("v.unitOfMeasure.multiplier")
    given = _PLACE | {
        "station_at_utc": "m_utc",
        "sample_value": f"CASE WHEN {times_ten} IS NULL THEN {real('v.value')} ELSE {_scaled('v.value', power)} END",
        "sample_context": "coalesce(v.context, 'Sample.Periodic')",
        "measurand": energy,
        "phase": "v.phase",
        "location": "coalesce(v.location, 'Outlet')",
        "unit": f"coalesce(v.unit, v.unitOfMeasure.unit, CASE WHEN starts_with({energy}, 'Energy.Active') THEN 'Wh' END)",
        "unzoned": "m_unzoned",
    }
    return f"""
        INSERT INTO raw_sample SELECT {_columns("raw_sample", given)}
        FROM (SELECT * EXCLUDE (sampled), unnest(sampled) AS v
              FROM (SELECT line, receiver_at_utc, station_id, connector_id, transaction_id, m.sampledValue AS sampled,
                        {utc("m.timestamp")} AS m_utc, {_zoneless_within("m.timestamp")} AS m_unzoned
                    FROM (SELECT *, unnest(from_json(meter_list, '{METER_SHAPE}')) AS m
                          FROM _staged
                          WHERE meter_list IS NOT NULL AND NOT left_out) s)) s
        WHERE v.value IS NOT NULL"""


def _scaled(value: str, power: str) -> str:
    """A 2.0.1 value times ten to its multiplier; null where that is no finite number."""
    product = f"{real(value)} * pow(10, coalesce(({power}), 0))"
    return f"CASE WHEN isfinite({product}) THEN {product} END"


@cache
def events_insert() -> str:
    """INSERT of every event of the used NotifyEvent rows of `_staged` into raw_event.

    `?` is the list of file ids.
    """
    given = _PLACE | {
        "connector_id": whole("e.component.evse.id"),
        "transaction_id": "e.transactionId",
        "station_at_utc": utc("e.timestamp"),
        "trigger_reason": "e.trigger",
        "component": "e.component.name",
        "variable": "e.variable.name",
        "actual_value": "e.actualValue",
        "vendor_error_code": "e.techCode",
        "info": "e.techInfo",
        "cleared": truth("e.cleared"),
        "unzoned": _zoneless_within("e.timestamp"),
    }
    return f"""
        INSERT INTO raw_event SELECT {_columns("raw_event", given)}
        FROM (SELECT *, unnest(from_json(event_list, '{EVENT_SHAPE}')) AS e
              FROM _staged
              WHERE event_list IS NOT NULL AND NOT left_out) s
        WHERE coalesce(e.timestamp, e.techCode, e.actualValue) IS NOT NULL"""


def _zoneless_within(inner: str) -> str:
    """Unzoned columns of a row unnested from a frame.

    The receiver's as in the frame, the station's by its own text.
    """
    receiver = "list_contains(coalesce(s.unzoned, []), 'receiver_at_utc')"
    own = unzoned(inner)
    return (
        f"CASE WHEN {receiver} AND ({own}) THEN ['receiver_at_utc', 'station_at_utc'] "
        f"WHEN {receiver} THEN ['receiver_at_utc'] WHEN {own} THEN ['station_at_utc'] END"
    )
