"""From charge attempts to evidence: integer units, days, failures one by one, successes as sums.

A success speaks for each of its units separately (the probability of no failure is a product), so
successes need only be counted by unit and day. Only events, failures and silences, tie units
together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property

import numpy as np
import polars as pl

from pipeline.attribute.cells import Cells
from pipeline.attribute.echoes import echoes
from pipeline.attribute.silence import with_silence
from pipeline.attribute.states.model import Bools, Floats, Ints, tally
from pipeline.attribute.stays import UNTOLD, Classes
from pipeline.attribute.timers import Starts
from pipeline.attribute.unit_keys import codes, keyed
from pipeline.core.errors import SchemaError
from pipeline.core.weeks import LookBack
from pipeline.settings.attribute import AttributeSettings

COLUMNS = (
    "attempt_id", "vehicle_id", "evse_id", "coupler", "vehicle_model", "evse_model", "firmware",
    "plugged_at_utc", "supply", "outcome", "weight", "diode_check",
)  # fmt: skip
OPTIONAL = {
    "id_token": pl.String(),
    "site_id": pl.String(),
    "unplugged_at_utc": pl.Datetime("us", "UTC"),
}
CHECK_NO, CHECK_UNKNOWN, CHECK_YES = range(3)


@dataclass(frozen=True)
class Repairs:
    """Told repairs of vehicles: index, time since `begin_utc` in days, and the first day that counts as after it (repairs,)."""

    vehicle: Ints
    at_days: Floats
    day: Ints


NO_REPAIRS = Repairs(
    np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.float64), np.zeros(0, dtype=np.int64)
)


@dataclass(frozen=True)
class Evidence:
    """All telling attempts of one supply (AC or DC) in the look-back, one entry per attempt, in a
    canonical order.

    `vehicle`, `evse`, `pairing`, `site`, `place`, `hour` index the units; the last index of all but
    EVSEs stands for 'none'. `at_days` is the time since `begin_utc` in days; `day` its whole part;
    `model` indexes EVSE model and firmware (for the diode check).  An attempt `failed`, was
    `silent`, or charged; `asked` tells that the vehicle asked for charge; `wish` is the log odds by
    which a silence looks like a fault rather than the driver's wish, `stay` and `left` its classes of STAY_MINUTES and
    SOC_PCT.  `starts`: the charges of each vehicle that began late.  `begin_utc` is the Monday of
    the first week that holds an attempt; `cut` tells that this is later than the look-back asked
    for, so that the logs begin here.  `sizes`: units by kind, the stand-in included; `met`: units in
    all, those of places and hours included at which nobody was ever silent.
    """

    attempt_id: pl.Series
    vehicle: Ints
    evse: Ints
    pairing: Ints
    site: Ints
    place: Ints
    hour: Ints
    model: Ints
    day: Ints
    at_days: Floats
    failed: Bools
    silent: Bools
    asked: Bools
    wish: Floats
    stay: Classes
    left: Classes
    starts: Starts
    weight: Floats
    echo: Classes
    previous: Ints
    check: Classes
    vehicles: pl.DataFrame
    evses: pl.DataFrame
    pairings: pl.DataFrame
    sites: pl.DataFrame
    models: pl.DataFrame
    sizes: tuple[int, int, int, int, int, int]
    met: tuple[int, int, int, int, int, int]
    days: int
    begin_utc: datetime
    cut: bool = False
    repairs: Repairs = NO_REPAIRS
    told: bool = False

    @property
    def columns(self) -> tuple[Ints, ...]:
        """Unit of each attempt, by kind."""
        return self.vehicle, self.evse, self.pairing, self.site, self.place, self.hour

    @property
    def names(self) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
        """The units that may be at fault, by kind, with `listed`: whether they are told of."""
        return self.vehicles, self.evses, self.pairings

    @cached_property
    def event(self) -> Bools:
        """What did not charge: failed or silent (attempts,)."""
        return self.failed | self.silent

    def with_told(self, by_stay: Floats, by_left: Floats) -> Evidence:
        """The same, with what its length and the charge at leaving tell of each silence added to `wish`; as `stay_weights` and
        `left_weights` give it.
        """
        added = sum(
            np.where(self.silent & (of != UNTOLD), told[np.maximum(of, 0)], 0.0)
            for of, told in ((self.stay, by_stay), (self.left, by_left))
        )
        weighed = replace(self, wish=self.wish + added)
        vars(weighed).update(
            event=self.event, cells=self.cells
        )  # of the same attempts, so not counted again
        return weighed

    @cached_property
    def cells(self) -> Cells:
        """Attempts of the same vehicle, EVSE and pairing, for sums over attempts."""
        return Cells.of(self.vehicle, self.evse, self.pairing, self.site)


def gather(
    attempts: pl.DataFrame,
    settings: AttributeSettings,
    week: str,
    supply: str,
    weeks: int,
    repairs: pl.DataFrame | None = None,
) -> Evidence:
    """Evidence of one supply from the attempts frame (one row per charge attempt).

    `repairs`: `vehicle_id, repaired_at_utc` of all that was told of the fleet by then. Raises SchemaError where a needed column is absent.
    """
    told = telling(attempts, week, weeks)
    return evidence_of(told, settings, LookBack.of(week, weeks), supply, repairs)


def telling(attempts: pl.DataFrame, week: str, weeks: int) -> pl.DataFrame:
    """Attempts of the look-back that charged, failed or were silent, of all supplies, in their canonical order.

    Raises SchemaError where a needed column is absent.
    """
    absent = [name for name in COLUMNS if name not in attempts.columns]
    if absent:
        raise SchemaError(
            f"attempts lack {', '.join(absent)}; found {', '.join(attempts.columns)}",
            next_step="build core_attempt first",
        )
    missing = [
        pl.lit(None, dtype=dtype).alias(name)
        for name, dtype in OPTIONAL.items()
        if name not in attempts.columns
    ]
    return (
        with_silence(attempts.lazy().with_columns(missing))
        .select(*COLUMNS, *OPTIONAL, "silent", "asked", "late", "wish", "stay", "left")
        .filter(
            pl.col("outcome").is_in(["charged", "failed"]) | pl.col("silent"),
            LookBack.of(week, weeks).holds("plugged_at_utc"),
            pl.col("evse_id").is_not_null(),
        )
        .sort("plugged_at_utc", "evse_id", "attempt_id")
        .collect()
    )


def evidence_of(
    told: pl.DataFrame,
    settings: AttributeSettings,
    look_back: LookBack,
    supply: str,
    repairs: pl.DataFrame | None = None,
) -> Evidence:
    """Evidence of one supply from attempts that tell (see `telling`); `repairs` as in `gather`."""
    begin, days = look_back.from_utc, (look_back.to_utc - look_back.from_utc).days
    first = told["plugged_at_utc"].min()
    empty = (first - begin) // timedelta(weeks=1) if isinstance(first, datetime) else 0
    begin = begin + timedelta(weeks=empty)
    rows = told.filter(pl.col("supply") == supply)
    evidence = _index(rows, settings, begin, days - 7 * empty, cut=empty > 0)
    if repairs is None or repairs.is_empty():
        return evidence
    return replace(evidence, repairs=_repairs(repairs, evidence), told=True)


def _repairs(repairs: pl.DataFrame, evidence: Evidence) -> Repairs:
    """Repairs within the look-back of vehicles met.

    A day on which the vehicle tried before its repair is not yet one of the repaired vehicle.
    """
    rows = (
        evidence.vehicles.with_row_index("vehicle")
        .join(repairs.drop_nulls().unique(), on="vehicle_id")
        .with_columns(
            at=(pl.col("repaired_at_utc") - evidence.begin_utc).dt.total_microseconds() / 86_400e6
        )
        .filter(pl.col("at") >= 0)
        .sort("vehicle", "at")
    )
    vehicle, at = rows["vehicle"].to_numpy().astype(np.int64), rows["at"].to_numpy()
    day = np.floor(at).astype(np.int64)
    tried = np.zeros((evidence.sizes[0], evidence.days + 1))
    np.maximum.at(tried, (evidence.vehicle, evidence.day), 1.0 - evidence.at_days % 1.0)
    inside = day < evidence.days
    vehicle, at, day = vehicle[inside], at[inside], day[inside]
    before = tried[vehicle, day] > 1.0 - at % 1.0
    day = day + before
    kept = day < evidence.days
    return Repairs(vehicle[kept], at[kept], day[kept])


def _index(
    rows: pl.DataFrame, settings: AttributeSettings, begin: datetime, days: int, *, cut: bool
) -> Evidence:
    rows, met = keyed(rows)
    vehicle, vehicles = codes(rows, ["_vehicle"], "_vehicle_hidden")
    evse, evses = codes(rows, ["evse_id", "coupler"])
    pairing, pairings = codes(rows, ["_model", "evse_model", "firmware"], "_pairing_hidden")
    site, sites = codes(rows, ["_site"])
    place, places = codes(rows, ["_place"])
    hour, hours = codes(rows, ["_hour"])
    model, models = codes(rows, ["evse_model", "firmware"])
    echo, previous = echoes(rows, vehicle, evse, settings)
    check = rows["diode_check"].replace_strict(
        {"no": CHECK_NO, "yes": CHECK_YES}, default=CHECK_UNKNOWN, return_dtype=pl.Int8
    )
    since = rows["plugged_at_utc"] - begin
    late, charged = (
        tally(vehicle, mask.cast(pl.Float64).to_numpy(), vehicles.height + 1)
        for mask in (rows["late"], rows["outcome"] == "charged")
    )
    return Evidence(
        attempt_id=rows["attempt_id"],
        vehicle=vehicle,
        evse=evse,
        pairing=pairing,
        site=site,
        place=place,
        hour=hour,
        model=model,
        day=since.dt.total_days().to_numpy().astype(np.int64),
        at_days=(since.dt.total_microseconds() / 86_400e6).to_numpy(),
        failed=((rows["outcome"] == "failed") & ~rows["silent"]).to_numpy(),
        silent=rows["silent"].to_numpy(),
        asked=rows["asked"].to_numpy(),
        wish=rows["wish"].to_numpy().astype(np.float64),
        stay=rows["stay"].to_numpy(),
        left=rows["left"].to_numpy(),
        starts=Starts(*(np.append(count[:-1], 0.0) for count in (charged, late))),
        weight=rows["weight"].fill_null(1.0).clip(0.0, 1.0).to_numpy().astype(np.float64),
        echo=echo,
        previous=previous,
        check=check.to_numpy(),
        vehicles=vehicles.rename({"_vehicle": "vehicle_id"}),
        evses=evses,
        pairings=pairings.rename({"_model": "vehicle_model"}),
        sites=sites.rename({"_site": "site_id"}),
        models=models,
        sizes=(
            vehicles.height + 1,
            evses.height,
            pairings.height + 1,
            sites.height + 1,
            places.height + 1,
            hours.height + 1,
        ),
        met=(vehicles.height, evses.height, pairings.height, sites.height, *met),
        days=days,
        begin_utc=begin,
        cut=cut,
    )
