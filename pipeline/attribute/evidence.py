"""From charge attempts to evidence: integer units, days, failures one by one, successes as sums.

A success speaks for each of its units separately (the probability of no failure is a product), so
successes need only be counted by unit and day. Only failures tie units together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.attribute.baseline.laplace import Floats, Ints
from pipeline.core.errors import SchemaError
from pipeline.core.weeks import LookBack
from pipeline.settings.attribute import AttributeSettings

COLUMNS = (
    "attempt_id", "vehicle_id", "evse_id", "coupler", "vehicle_model", "evse_model", "firmware", "plugged_at_utc",
    "supply", "outcome", "weight", "diode_check",
)  # fmt: skip
Classes = NDArray[np.int8]
ECHO_NONE, ECHO_SAME, ECHO_VEHICLE, ECHO_EVSE = range(4)
CHECK_NO, CHECK_UNKNOWN, CHECK_YES = range(3)


@dataclass(frozen=True)
class Evidence:
    """All technical attempts of one supply (AC or DC) in the look-back, one entry per attempt, in a
    canonical order.

    `vehicle`, `evse`, `pairing` index the name frames; the last index of vehicle and pairing stands
    for 'unknown'. `at_days` is the time since `begin_utc` in days; `day` its whole part; `model`
    indexes EVSE model and firmware (for the diode check).  `begin_utc` is the Monday of the first
    week that holds an attempt; `cut` tells that this is later than the look-back asked for, so that
    the logs begin here.
    """

    attempt_id: pl.Series
    vehicle: Ints
    evse: Ints
    pairing: Ints
    model: Ints
    day: Ints
    at_days: Floats
    failed: Floats
    weight: Floats
    echo: Classes
    previous: Ints
    check: Classes
    vehicles: pl.DataFrame
    evses: pl.DataFrame
    pairings: pl.DataFrame
    models: pl.DataFrame
    days: int
    begin_utc: datetime
    cut: bool = False

    def only(self, keep: NDArray[np.bool_]) -> Evidence:
        """The attempts marked, with the names of all units; `previous` is left as it was."""
        columns = (
            "vehicle",
            "evse",
            "pairing",
            "model",
            "day",
            "at_days",
            "failed",
            "weight",
            "echo",
            "previous",
            "check",
        )
        return replace(
            self,
            attempt_id=self.attempt_id.filter(pl.Series(keep)),
            **{c: getattr(self, c)[keep] for c in columns},
        )

    @property
    def sizes(self) -> tuple[int, int, int]:
        """Units of each kind, the 'unknown' vehicle and pairing included."""
        return self.vehicles.height + 1, self.evses.height, self.pairings.height + 1


def gather(
    attempts: pl.DataFrame, settings: AttributeSettings, week: str, supply: str, weeks: int
) -> Evidence:
    """Evidence of one supply from the attempts frame (one row per charge attempt).

    Raises SchemaError where a needed column is absent.
    """
    absent = [name for name in COLUMNS if name not in attempts.columns]
    if absent:
        raise SchemaError(
            f"attempts lack {', '.join(absent)}; found {', '.join(attempts.columns)}",
            next_step="build core_attempt first",
        )
    look_back = LookBack.of(week, weeks)
    begin = look_back.from_utc
    counted = attempts.lazy().select(COLUMNS).filter(
        pl.col("outcome").is_in(["charged", "failed"]),
        look_back.holds("plugged_at_utc"),
        pl.col("evse_id").is_not_null(),
    )  # fmt: skip
    rows = (
        counted.filter(pl.col("supply") == supply)
        .sort("plugged_at_utc", "evse_id", "attempt_id")
        .collect()
    )
    first = counted.select(pl.col("plugged_at_utc").min()).collect().item()
    empty = (first - begin) // timedelta(weeks=1) if first is not None else 0
    return _index(
        rows, settings, begin + timedelta(weeks=empty), (weeks - empty) * 7, cut=empty > 0
    )


def _index(
    rows: pl.DataFrame, settings: AttributeSettings, begin: datetime, days: int, *, cut: bool
) -> Evidence:
    known = pl.col("vehicle_model").is_not_null() & pl.col("evse_model").is_not_null()
    rows = rows.with_columns(
        pl.when(known).then("vehicle_model"),
        pl.col("firmware", "coupler", "evse_model").fill_null(""),
    )
    vehicle, vehicles = _codes(rows, ["vehicle_id"])
    evse, evses = _codes(rows, ["evse_id", "coupler"])
    pairing, pairings = _codes(rows, ["vehicle_model", "evse_model", "firmware"])
    model, models = _codes(rows, ["evse_model", "firmware"])
    echo, previous = _echoes(rows, vehicle, evse, settings)
    check = rows["diode_check"].replace_strict(
        {"no": CHECK_NO, "yes": CHECK_YES}, default=CHECK_UNKNOWN, return_dtype=pl.Int8
    )
    return Evidence(
        attempt_id=rows["attempt_id"],
        vehicle=vehicle,
        evse=evse,
        pairing=pairing,
        model=model,
        day=(rows["plugged_at_utc"] - begin).dt.total_days().to_numpy().astype(np.int64),
        at_days=((rows["plugged_at_utc"] - begin).dt.total_microseconds() / 86_400e6).to_numpy(),
        failed=(rows["outcome"] == "failed").to_numpy().astype(np.float64),
        weight=rows["weight"].fill_null(1.0).clip(0.0, 1.0).to_numpy().astype(np.float64),
        echo=echo,
        previous=previous,
        check=check.to_numpy(),
        vehicles=vehicles,
        evses=evses,
        pairings=pairings,
        models=models,
        days=days,
        begin_utc=begin,
        cut=cut,
    )


def _codes(rows: pl.DataFrame, keys: list[str]) -> tuple[Ints, pl.DataFrame]:
    """Index of each row's key in the sorted distinct keys.

    A null in the first key gives one past the last.
    """
    names = rows.select(keys).unique().filter(pl.col(keys[0]).is_not_null()).sort(keys)
    indexed = names.with_row_index("code")
    codes = rows.select(keys).join(indexed, on=keys, how="left", maintain_order="left")["code"]
    return codes.fill_null(names.height).to_numpy().astype(np.int64), names


def _echoes(
    rows: pl.DataFrame, vehicle: Ints, evse: Ints, settings: AttributeSettings
) -> tuple[Classes, Ints]:
    """(echo class, row of the failure it may echo) of each attempt.

    An attempt soon after a failure of the same vehicle, or at the same EVSE, may meet the same
    passing cause: it is no independent trial. An unknown vehicle counts as the one before it at
    that EVSE if that one was unknown too.
    """
    minutes = rows["plugged_at_utc"].dt.epoch("s").to_numpy() / 60.0
    failed = (rows["outcome"] == "failed").to_numpy()
    unknown = rows["vehicle_id"].is_null().to_numpy()
    at_evse, gap_evse = _before(evse, minutes)
    at_vehicle, gap_vehicle = _before(vehicle, minutes)
    after_evse = (at_evse >= 0) & failed[at_evse] & (gap_evse <= settings.outage_minutes)
    same = after_evse & (vehicle[at_evse] == vehicle) & (gap_evse <= settings.echo_minutes)
    elsewhere = (
        (at_vehicle >= 0) & failed[at_vehicle] & (gap_vehicle <= settings.echo_minutes) & ~unknown
    )
    echo = np.select([same, elsewhere, after_evse], [ECHO_SAME, ECHO_VEHICLE, ECHO_EVSE], ECHO_NONE)
    previous = np.select([same | (after_evse & ~elsewhere), elsewhere], [at_evse, at_vehicle], -1)
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
