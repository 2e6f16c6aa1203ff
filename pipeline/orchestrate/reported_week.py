"""Which week a run reports."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from pipeline.core.errors import DeliveryError, NotEnoughDataError
from pipeline.core.weeks import last_complete_week, week_start
from pipeline.ingest.turned_away import in_words, turned_away
from pipeline.storage.warehouse import Connection

# A day counts when a twentieth of the stations report on it, with a twentieth of a usual day's
# records: a few lines with a wild clock make no week.
_LAST_DAY = """
    WITH report AS (
        SELECT receiver_at_utc AS at_utc, station_id FROM raw_frame
        UNION ALL SELECT plugged_at_utc, station_id FROM core_attempt WHERE time_doubt IS NULL),
    day AS (
        SELECT CAST(at_utc AS DATE) AS day, count(DISTINCT station_id) AS stations, count(*) AS records
        FROM report WHERE at_utc <= now() GROUP BY 1)
    SELECT max(day) FROM day
    WHERE stations * 20 >= (SELECT count(DISTINCT station_id) FROM report)
      AND records * 20 >= (SELECT median(records) FROM day)
"""


def week_to_report(
    con: Connection, wanted: str | None, inputs: Sequence[dict[str, Any]] = ()
) -> str:
    """The wanted ISO week, or the last one whose Sunday has records.

    Raises NotEnoughDataError when there is no record at all (DeliveryError where files of `inputs` that were turned away may be
    why), SettingsError when `wanted` is no ISO week.
    """
    if wanted is not None:
        week_start(wanted)
        return wanted
    [(last_day,)] = con.execute(_LAST_DAY).fetchall()
    away = turned_away(inputs)
    if last_day is None and away:
        raise DeliveryError(
            f"nothing that was delivered tells of a charge attempt\n{in_words(away)}",
            next_step="correct the files named and run again",
        )
    if last_day is None:
        _refuse_a_slow_clock(con)
        raise NotEnoughDataError(
            "the warehouse holds no record of a charge attempt",
            next_step="deliver logs of the equipment",
        )
    return last_complete_week(last_day)


def _refuse_a_slow_clock(con: Connection) -> None:
    """Raise NotEnoughDataError where all records are later than this machine's clock says it is."""
    (first,) = con.execute("SELECT min(receiver_at_utc) FROM raw_frame").fetchone() or (None,)
    if first is not None and first > datetime.now(UTC):
        raise NotEnoughDataError(
            f"all records are later than this machine's clock, which says {datetime.now(UTC):%Y-%m-%d}",
            next_step="set the clock, or name the week with --week",
        )
