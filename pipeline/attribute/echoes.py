"""Attempts that may meet the same passing cause as a failure shortly before: no independent trials."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.attribute.states.model import Floats, Ints
from pipeline.attribute.stays import Classes
from pipeline.settings.attribute import AttributeSettings

ECHO_NONE, ECHO_SAME, ECHO_VEHICLE, ECHO_EVSE = range(4)


def echoes(
    rows: pl.DataFrame, vehicle: Ints, evse: Ints, settings: AttributeSettings
) -> tuple[Classes, Ints]:
    """(echo class, row of the failure it may echo) of each attempt.

    An attempt soon after a failure of the same vehicle, or at the same EVSE, may meet the same
    passing cause: it is no independent trial. An unknown vehicle counts as the one before it at
    that EVSE if that one was unknown too.
    """
    minutes = rows["plugged_at_utc"].dt.epoch("s").to_numpy() / 60.0
    failed = ((rows["outcome"] == "failed") & ~rows["silent"]).to_numpy()
    unknown = rows["_vehicle"].is_null().to_numpy()
    at_evse, gap_evse = _before(evse, minutes)
    at_vehicle, gap_vehicle = _before(vehicle, minutes)
    after_evse = (at_evse >= 0) & failed[at_evse] & (gap_evse <= settings.outage_minutes)
    same = after_evse & (vehicle[at_evse] == vehicle) & (gap_evse <= settings.echo_minutes)
    elsewhere = (
        (at_vehicle >= 0)
        & failed[at_vehicle]
        & (gap_vehicle <= settings.echo_minutes)
        & ~unknown
    )  # fmt: skip
    echo = np.select([same, elsewhere, after_evse], [ECHO_SAME, ECHO_VEHICLE, ECHO_EVSE], ECHO_NONE)
    previous = np.select(
        [same | (after_evse & ~elsewhere), elsewhere], [at_evse, at_vehicle], -1
    )  # fmt: skip
    return echo.astype(np.int8), previous.astype(np.int64)


def _before(unit: Ints, minutes: Floats) -> tuple[Ints, Floats]:
    """Row of the unit's attempt before each attempt (-1 if none) and the minutes between.

    Rows are in time order.
    """
    order = np.argsort(unit, kind="stable")
    last = np.full(len(unit), -1, dtype=np.int64)
    again = unit[order[1:]] == unit[order[:-1]]
    last[order[1:][again]] = order[:-1][again]
    return last, np.where(last >= 0, minutes - minutes[last], np.inf)
