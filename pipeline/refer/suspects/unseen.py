"""Plug-ins that no EVSE saw: evidence of an open pilot line.

With the line or the diode open the EVSE stays in state A, whatever is plugged in. Two records tell of
it: the vehicle's own report of a stay that no EVSE recorded and that brought no charge (where it
charged, it was elsewhere), and a card accepted after which no vehicle came. Either happens to healthy
vehicles too, a card more often at some EVSEs than at others: each visit is measured against the others'
share there. A cumulative sum finds since when.
"""

from __future__ import annotations

import math
from datetime import timedelta

import polars as pl

from pipeline.core.masks import is_true
from pipeline.refer.suspects.cumulative_sum import cumulative
from pipeline.refer.suspects.recorded import recorded_share

SLACK = timedelta(minutes=3)
"""Two clocks further apart do not tell of one plug-in (as `normalise.telematics_slack_s`)."""
CARD_WAITS = timedelta(minutes=15)
"""An EVSE whose card was accepted waits minutes for a vehicle; what lasts longer is a vehicle that waits. Common practice."""
ONE_VISIT = timedelta(hours=2)
"""Stays of one vehicle that begin so near each other are one visit: its retries fail for one cause."""
LEAST_STAY = timedelta(minutes=1)
"""Who pulls out again within a minute wanted nothing, and the EVSE may not have told of it. Common practice, no source."""
USUAL_LEAST, USUAL_MOST = 0.02, 0.5
FAULTY_UNSEEN = (0.35, 0.75)
"""Shares of visits that go unseen with the line open, each as likely: a bad contact comes and goes. Common practice, no source."""
UNRECORDED, UNRECORDED_SHARE = 0.5, 0.03
"""Share of its stays without charge that no log tells of where a vehicle's EVSEs are not recorded for a time, and share of vehicles
to which that happens; judgement. An EVSE that told of a card was recorded."""
EVSE_AT_FAULT = 0.5
"""Share of an unseen card that attribution lays on EVSE and pairing, or of a failure on its EVSE, from which it, or the pilot's
levels then, say nothing of the vehicle."""
SHRINK = 20.0
"""Visits of others at an EVSE that weigh as much there as the fleet's share; judgement."""
ELSEWHERE_WORTH = 4.0
"""Stays that temper a vehicle's own share of charging elsewhere; judgement."""
CAP = math.log(1e5)
MOST_LOG = 500.0
"""Keeps an exponential finite."""
TETHERED = "c"
"""ConnectorEnumType codes that begin so have the EVSE's own cable: the vehicle's is not in use there."""
SCHEMA = pl.Schema(
    {
        "vehicle_id": pl.String(),
        "stays": pl.Int64(),
        "unseen": pl.Int64(),
        "unseen_since_utc": pl.Datetime("us", "UTC"),
        "unseen_log_factor": pl.Float64(),
        "unseen_cable_log_factor": pl.Float64(),
    }
)


def stays(charging: pl.DataFrame) -> pl.DataFrame:
    """Stays as vehicles reported them (raw_charging): `vehicle_id, from_utc, until_utc, charged`."""
    order = ["vehicle_id", "at_utc", "line"]
    plugged = pl.col("event").is_in(["plugged", "unplugged"])
    ended = (pl.col("event") == "unplugged").cast(pl.Int64)
    return (
        charging.select(*order, "event")
        .unique(["vehicle_id", "at_utc", "event"], keep="first", maintain_order=True)
        .sort(order)
        .with_columns(stay=plugged.cum_sum().over("vehicle_id") - ended)
        .group_by("vehicle_id", "stay", maintain_order=True)
        .agg(
            from_utc=pl.col("at_utc").filter(pl.col("event") == "plugged").first(),
            until_utc=pl.col("at_utc").max(),
            charged=(pl.col("event") == "charge_started").any(),
        )
        .filter(pl.col("from_utc").is_not_null())
        .drop("stay")
    )


def waited_in_vain() -> pl.Expr:
    """True for a stay without charge that was no mere pulling out."""
    return ~pl.col("charged") & (pl.col("until_utc") - pl.col("from_utc") > LEAST_STAY)


def with_seen(told: pl.DataFrame, attempts: pl.DataFrame) -> pl.DataFrame:
    """Stays with `seen`: an EVSE recorded this vehicle meanwhile, or one it could not name from plug to unplug.

    `attempts`: core_attempt.
    """
    told_of = attempts.select("vehicle_id", "source", "plugged_at_utc", "unplugged_at_utc")
    recorded = told_of.filter(
        pl.col("vehicle_id").is_not_null(), pl.col("source") != "telematics"
    ).select(
        "vehicle_id",
        begins=pl.col("plugged_at_utc") - SLACK,
        ends=pl.coalesce("unplugged_at_utc", "plugged_at_utc") + SLACK,
    )
    unnamed = told_of.filter(
        pl.col("vehicle_id").is_null(), pl.col("source") != "telematics"
    ).select(
        pl.col("plugged_at_utc").alias("unnamed_from"),
        pl.col("unplugged_at_utc").alias("unnamed_to"),
    )
    same_end = (pl.col("unnamed_to") - pl.col("until_utc")).abs() <= SLACK
    return (
        told.sort("from_utc")
        .join_asof(unnamed.sort("unnamed_from"), left_on="from_utc", right_on="unnamed_from", strategy="nearest", tolerance=SLACK)
        .sort("until_utc")
        .join_asof(recorded.sort("begins"), left_on="until_utc", right_on="begins", by="vehicle_id", check_sortedness=False)
        .with_columns(seen=is_true(pl.col("ends") >= pl.col("from_utc")) | is_true(same_end))
        .drop("begins", "ends", "unnamed_from", "unnamed_to", strict=False)
    )  # fmt: skip


def card_only() -> pl.Expr:
    """True for an attempt at which an EVSE accepted a card and saw no vehicle; the vehicle may have told that it was plugged in."""
    short = pl.col("unplugged_at_utc") - pl.col("plugged_at_utc") <= CARD_WAITS
    return is_true(
        (pl.col("outcome") == "abandoned")
        & (pl.col("stage") == "offered")
        & ~pl.col("source").str.contains("pilot")
        & short
    )


def visits(charging: pl.DataFrame, attempts: pl.DataFrame) -> pl.DataFrame:
    """Visits of known vehicles: `vehicle_id, evse_id` (null where only the vehicle told), `plugged_at_utc, silent` (none saw it),
    `tethered` (with the EVSE's own cable; null where the place is not known), `elsewhere`: share of its
    reported stays at which it charged and none of ours saw it.

    `charging`: raw_charging; `attempts`: core_attempt with blame.
    """
    reported = with_seen(stays(charging), attempts)
    away = (~pl.col("seen") & pl.col("charged")).sum().over("vehicle_id") / (
        pl.len().over("vehicle_id") + ELSEWHERE_WORTH
    )
    told = reported.with_columns(elsewhere=away).filter(~pl.col("seen"), waited_in_vain())
    by_evse = card_only() & is_true(pl.col("p_evse") + pl.col("p_pairing") > EVSE_AT_FAULT)
    rows = pl.concat(
        [
            told.select(
                "vehicle_id",
                pl.lit(None, dtype=pl.String).alias("evse_id"),
                plugged_at_utc="from_utc",
                silent=pl.lit(value=True),
                elsewhere="elsewhere",
                tethered=pl.lit(None, dtype=pl.Boolean),
            ),
            attempts.filter(pl.col("vehicle_id").is_not_null(), pl.col("source") != "telematics", ~by_evse).select(
                "vehicle_id", "evse_id", "plugged_at_utc", silent=card_only(), elsewhere=pl.lit(0.0),
                tethered=is_true(pl.col("coupler").str.starts_with(TETHERED)),
            ),
        ]
    ).sort("vehicle_id", "plugged_at_utc", "evse_id")  # fmt: skip
    apart = (pl.col("plugged_at_utc").diff() > ONE_VISIT).fill_null(value=True)
    return (
        rows.with_columns(visit=apart.cum_sum().over("vehicle_id"))
        .group_by("vehicle_id", "visit", maintain_order=True)
        .agg(
            pl.col("evse_id", "plugged_at_utc", "elsewhere", "tethered").first(),
            pl.col("silent").all(),
        )
        .drop("visit")
    )


def unseen(charging: pl.DataFrame, attempts: pl.DataFrame) -> pl.DataFrame:
    """One row per vehicle with a visit: columns as SCHEMA.

    `charging`: raw_charging, `attempts`: core_attempt with blame, of the time that speaks of each vehicle's
    present state. `stays`, `unseen`: visits since the run began, and those that no EVSE saw;
    `unseen_log_factor`: natural log of how much likelier they are with an open line than without; `unseen_cable_log_factor`: the
    same of a line open in a cable that travels with the vehicle, of visits where it may have been in use.
    """
    rows = visits(charging, attempts)
    if rows.is_empty():
        return pl.DataFrame(schema=SCHEMA)
    silent, here = pl.col("silent").cast(pl.Float64), ["evse_id"]
    own_silent, own = (
        silent.sum().over("vehicle_id", "evse_id"),
        pl.len().over("vehicle_id", "evse_id"),
    )
    fleet = silent.mean()
    usual = (silent.sum().over(here) - own_silent + SHRINK * fleet) / (
        pl.len().over(here) - own + SHRINK
    )
    # who charges at equipment that is not ours is plugged in there without charge, too
    away = pl.max_horizontal(fleet, "elsewhere")
    usual = pl.when(pl.col("evse_id").is_null()).then(away).otherwise(usual)
    run = pl.col("plugged_at_utc") >= pl.col("begins_utc")
    rows = recorded_share(rows, attempts)
    shown = rows.with_columns(usual=usual.clip(USUAL_LEAST, USUAL_MOST))
    # where the place is not known, its cable was in use as often as elsewhere
    in_use = pl.col("tethered").not_().cast(pl.Float64)
    in_use = in_use.fill_null(
        (in_use.sum().over("vehicle_id") + 0.5)
        / (pl.col("tethered").count().over("vehicle_id") + 1)
    )
    shown = shown.with_columns(in_use=in_use)
    cable = _likeliest(shown, "in_use").group_by("vehicle_id")
    return (
        _likeliest(shown)
        .group_by("vehicle_id")
        .agg(
            stays=run.sum().cast(pl.Int64),
            unseen=(run & pl.col("silent")).sum().cast(pl.Int64),
            unseen_since_utc=pl.col("begins_utc").last(),
            unseen_log_factor=pl.col("score").last().clip(0.0, CAP),
        )
        .join(
            cable.agg(unseen_cable_log_factor=pl.col("score").last().clip(0.0, CAP)),
            on="vehicle_id",
            how="left",
        )
        .with_columns(pl.col("unseen_cable_log_factor").fill_null(0.0))
        .select(list(SCHEMA))
        .sort("vehicle_id")
    )


def _unrecorded() -> pl.Expr:
    """Chance that a visit goes unseen where the vehicle's EVSEs are not recorded for a time: UNRECORDED at most, as far as
    they may have been unrecorded then, of a visit that was seen as of its others.
    """
    lost = pl.col("recorded").mean().over("vehicle_id").fill_null(0.0)
    chance = (1.0 - pl.coalesce("recorded", lost)).clip(upper_bound=UNRECORDED)
    card = pl.col("silent") & pl.col("evse_id").is_not_null()
    return pl.when(card).then("usual").otherwise(pl.max_horizontal(chance, "usual"))


def _likeliest(shown: pl.DataFrame, in_use: str | None = None) -> pl.DataFrame:
    """Visits with `score`, the log of how much likelier they are with an open line, and when the run of the likeliest share began
    (`begins_utc`).

    The mean over the shares that go unseen; `in_use`: column with the chance that the part in question was in use.  Without the
    fault, the vehicle's EVSEs may not have been recorded for a time.
    """
    used = pl.lit(1.0) if in_use is None else pl.col(in_use)
    walks = [
        cumulative(shown, used * share + (1 - used) * pl.col("usual")) for share in FAULTY_UNSEEN
    ]
    walks.append(cumulative(shown, _unrecorded()))
    keys = ["vehicle_id", "plugged_at_utc"]
    rows = walks[0].select(*shown.columns)
    for i, walk in enumerate(walks):
        told = walk.select(
            *keys, pl.col("score").alias(f"score_{i}"), pl.col("begins_utc").alias(f"begins_{i}")
        )
        rows = rows.join(told, on=keys, how="left", maintain_order="left")
    names = [f"score_{i}" for i in range(len(FAULTY_UNSEEN))]
    best = pl.max_horizontal(names)
    mean = pl.mean_horizontal((pl.col(name) - best).exp() for name in names)
    unrecorded = pl.col(f"score_{len(FAULTY_UNSEEN)}").clip(upper_bound=MOST_LOG).exp()
    usual = 1 - UNRECORDED_SHARE + UNRECORDED_SHARE * unrecorded
    begins = pl.coalesce(
        pl.when(pl.col(name) == best).then(f"begins_{i}") for i, name in enumerate(names)
    )
    score = (best + mean.log() - usual.log()).clip(lower_bound=0.0)
    return rows.with_columns(score=score, begins_utc=begins)
