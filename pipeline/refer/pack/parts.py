"""The frames a pack draws on, cut to the referred vehicles.

Attempts, control group, pilot readings. Set-based.
"""

from __future__ import annotations

import polars as pl

from pipeline.circuit.pilot import high_window, low_window
from pipeline.refer.pack.model import Band


def controls(attempts: pl.DataFrame, vehicles: pl.Series) -> pl.DataFrame:
    """The control group: everybody else at the EVSE in an ISO week in which a vehicle's AC attempt
    failed, or kept silent, by its blame.

    Columns `vehicle_id, evse_id, site_id, evse_model, diode_check, week, attempts, failures, silent,
    other_vehicles, other_attempts, other_failures, other_silent` (`silent`: plug-ins at which it never asked, beside the attempts);
    the latest weeks first, those that ended in vain oftenest first within a week.
    """
    tried = pl.col("outcome").is_in(["charged", "failed"])
    used = attempts.filter(
        pl.col("supply") == "AC", tried | pl.col("silent"), pl.col("weight") > 0
    ).with_columns(
        pl.col("plugged_at_utc").dt.strftime("%G-W%V").alias("week"),
        tried.alias("tried"),
        (pl.col("outcome") == "failed").alias("bad"),
    )
    own = _own_weeks(used.filter(pl.col("vehicle_id").is_in(vehicles.implode())))
    here = used.join(own.select("evse_id", "week").unique(), on=["evse_id", "week"], how="semi")
    return (
        own.join(_everyone(here), on=["evse_id", "week"])
        .with_columns(
            # where its silences are compared, who only was silent is one of the others
            pl.when(pl.col("silent") > 0)
            .then("all_vehicles")
            .otherwise("all_tried")
            .sub(1)
            .alias("other_vehicles"),
            *((pl.col(f"all_{name}") - pl.col(name)).alias(f"other_{name}") for name in _SUMS),
        )
        .with_columns(in_vain=pl.col("failures") + pl.col("silent"))
        .sort(["vehicle_id", "week", "in_vain", "evse_id"], descending=[False, True, True, False])
        .drop("blamed", "in_vain", "all_vehicles", "all_tried", *(f"all_{name}" for name in _SUMS))
    )


_SUMS = {"attempts": "tried", "failures": "bad", "silent": "silent"}


def _own_weeks(used: pl.DataFrame) -> pl.DataFrame:
    """Per vehicle, EVSE and week in which half an attempt or more is blamed on the vehicle: its own counts."""
    return (
        used.group_by("vehicle_id", "evse_id", "week")
        .agg(
            pl.col("site_id").first(),
            pl.col("evse_model").first(),
            pl.col("check").last().alias("diode_check"),
            *(pl.col(of).sum().cast(pl.Int64).alias(name) for name, of in _SUMS.items()),
            pl.col("p_vehicle").fill_null(0.0).sum().alias("blamed"),
        )
        .filter(pl.col("blamed") >= 0.5)
    )


def _everyone(here: pl.DataFrame) -> pl.DataFrame:
    """Per EVSE and week the counts of all who plugged in, the vehicle among them."""
    who = pl.coalesce("vehicle_id", "id_token", "attempt_id")
    return here.group_by("evse_id", "week").agg(
        who.n_unique().cast(pl.Int64).alias("all_vehicles"),
        who.filter("tried").n_unique().cast(pl.Int64).alias("all_tried"),
        *(pl.col(of).sum().cast(pl.Int64).alias(f"all_{name}") for name, of in _SUMS.items()),
    )


def peers(attempts: pl.DataFrame, vehicles: pl.Series) -> pl.DataFrame:
    """Other vehicles of a vehicle's model at the EVSE models where it failed.

    `vehicle_id, vehicles, attempts, failures`.
    """
    ac = attempts.filter(
        pl.col("supply") == "AC",
        pl.col("outcome").is_in(["charged", "failed"]),
        pl.col("weight") > 0,
    )
    mine = (
        ac.filter(pl.col("vehicle_id").is_in(vehicles.implode()), pl.col("outcome") == "failed")
        .select("vehicle_id", "vehicle_model", "evse_model")
        .unique()
    )
    others = ac.group_by(pl.col("vehicle_id").alias("other"), "vehicle_model", "evse_model").agg(
        pl.len().alias("n"), (pl.col("outcome") == "failed").sum().alias("bad")
    )
    counted = (
        mine.join(others, on=["vehicle_model", "evse_model"])
        .filter(pl.col("other") != pl.col("vehicle_id"))
        .group_by("vehicle_id")
        .agg(
            pl.col("other").n_unique().alias("vehicles"),
            pl.col("n").sum().alias("attempts"),
            pl.col("bad").sum().alias("failures"),
        )
    )
    return (
        pl.DataFrame({"vehicle_id": vehicles})
        .join(counted, on="vehicle_id", how="left")
        .with_columns(pl.col("vehicles", "attempts", "failures").fill_null(0))
    )


def bands() -> tuple[Band, ...]:
    """Tolerance bands of B2 and C2: sound and shorted negative level, positive level."""
    source = "IEC 61851-1 Annex A as given by a secondary source; derived"
    out = []
    for state in ("B", "C"):
        for name, side, window in (
            ("positive level, healthy diode", "high", high_window(state)),
            ("negative level, healthy diode", "low", low_window(state)),
            (f"negative level, shorted diode in {state}2", "low", low_window(state, shorted=True)),
        ):
            out.append(
                Band.model_validate(
                    {
                        "name": name,
                        "state": f"{state}2",
                        "side": side,
                        "lo_v": window.lo_v,
                        "hi_v": window.hi_v,
                        "source": source,
                    }
                )
            )
    return tuple(out)


def by_vehicle(frame: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """A frame split by vehicle_id."""
    return {
        str(key[0]): part
        for key, part in frame.partition_by("vehicle_id", as_dict=True, maintain_order=True).items()
    }
