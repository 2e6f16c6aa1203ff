"""What one would say of each vehicle who knew every true rate but no cause: the best to be asked of the data.

Evidence of a vehicle: its AC attempts since its last repair, each a loud failure, a silence or a charge;
what else makes each fail is known exactly. Against 'sound' stand faults of several manners and strengths
that began in any week, each as likely; the answer is Bayes' rule (derived).
"""

from __future__ import annotations

from datetime import datetime
from itertools import product

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.measure.quality.from_logs.units import World

PRIOR = 0.06
RATES = (0.5, 0.75, 0.95)
MANNERS = ("loud", "checks", "socket", "silent", "half")
FULL_SOC = 0.96
SILENT_SHARE_OF_CHANCE = 0.2
ALMOST_0 = 1e-6


def _evidence(world: World, end: datetime) -> pl.DataFrame:
    """AC attempts: what was seen, chance of another loud failure `q` and of another silence, weeks ago."""
    repaired = world.vehicle_faults.select("vehicle_id", "repaired_at")
    frame = (
        world.attempts.join(repaired, on="vehicle_id", how="left")
        .join(world.vehicles.select("vehicle_id", "timer"), on="vehicle_id", how="left")
        .filter(
            (pl.col("plugged_at") < end)
            & (
                (pl.col("plugged_at") >= pl.col("repaired_at"))
                | pl.col("repaired_at").is_null()
                | (pl.col("repaired_at") >= end)
            )
            & (pl.col("supply") == "AC")
            & pl.col("known")
            & pl.col("outcome").is_in(["failed", "charged", "not_requested"])
        )
        .filter(
            ~(
                (pl.col("outcome") == "not_requested")
                & (pl.col("telematics") & (pl.col("soc") >= FULL_SOC) | (pl.col("managed_h") > 0))
            )
        )
    )
    silent = pl.col("silent") | (pl.col("outcome") == "not_requested")
    others = 1 - (1 - pl.col("p_evse")) * (1 - pl.col("p_pairing")) * (1 - pl.col("p_site")) * (
        1 - pl.col("p_chance")
    )
    wish = frame.group_by("timer").agg(pl.col("no_wish").mean().alias("_idle"))
    return frame.join(wish, on="timer").select(
        "vehicle_id",
        pl.when(silent)
        .then(1)
        .when(pl.col("outcome") == "failed")
        .then(0)
        .otherwise(2)
        .alias("seen"),
        others.clip(ALMOST_0, 1 - ALMOST_0).alias("q"),
        (pl.col("_idle") + SILENT_SHARE_OF_CHANCE * pl.col("p_chance") + pl.col("p_pairing") / 2)
        .clip(ALMOST_0, 0.98)
        .alias("q_silent"),
        (pl.col("looks") != "no").alias("checks"),
        (pl.col("connector_type") == "sType2").alias("socket"),
        ((end - pl.col("plugged_at")).dt.total_days() // 7).alias("weeks_ago"),
    )


def _ratios(rows: pl.DataFrame) -> NDArray[np.float64]:
    """Log likelihood ratio of each attempt (row) under each fault (manner x rate) that is there, against sound."""
    q, silent = rows["q"].to_numpy(), rows["q_silent"].to_numpy()
    seen = rows["seen"].to_numpy()
    place = {"checks": rows["checks"].to_numpy(), "socket": rows["socket"].to_numpy()}
    columns = []
    for manner, rate in product(MANNERS, RATES):
        loud_share = {"silent": 0.0, "half": 0.5}.get(manner, 1.0)
        r = rate * place.get(manner, np.ones(len(q)))
        loud = (1 - (1 - r * loud_share) * (1 - q)) / q
        mute = (1 - (1 - r * (1 - loud_share)) * (1 - silent)) / silent
        columns.append(np.log(np.choose(seen, [loud, mute, np.maximum(1 - r, ALMOST_0)])))
    return np.stack(columns, axis=1)


def oracle(world: World, end: datetime) -> pl.DataFrame:
    """`vehicle_id`, `p_oracle`: posterior that the vehicle is at fault at the end of the week."""
    rows = _evidence(world, end)
    ratios = _ratios(rows)
    names = [f"h{i}" for i in range(ratios.shape[1])]
    weeks = 1 + int(rows.select(pl.col("weeks_ago").max()).to_numpy()[0, 0])
    by_week = (
        pl.concat(
            [rows.select("vehicle_id", "weeks_ago"), pl.DataFrame(ratios, schema=names)],
            how="horizontal",
        )
        .group_by("vehicle_id", "weeks_ago")
        .sum()
    )
    vehicles = by_week["vehicle_id"].unique().sort()
    grid = vehicles.to_frame().join(pl.DataFrame({"weeks_ago": np.arange(weeks)}), how="cross")
    grid = grid.join(
        by_week.with_columns(pl.col("weeks_ago").cast(pl.Int64)),
        on=["vehicle_id", "weeks_ago"],
        how="left",
        maintain_order="left",
    ).fill_null(0.0)
    cube = (
        grid.select(names)
        .to_numpy()
        .reshape(len(vehicles), weeks, len(names))
        .cumsum(axis=1)
        .reshape(len(vehicles), -1)
    )
    top = cube.max(axis=1)
    log_bf = top + np.log(np.exp(cube - top[:, None]).mean(axis=1))
    odds = log_bf + np.log(PRIOR / (1 - PRIOR))
    return pl.DataFrame(
        {"vehicle_id": vehicles, "p_oracle": 1 / (1 + np.exp(-np.clip(odds, -700, 700)))}
    )
