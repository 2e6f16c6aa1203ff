"""One draw a plug-in: what hit, how it showed, and when each step came. Written from the contract alone.

Causes act on their own; where several hit, the earliest in the sequence is what happens and is the true cause.
Columns ending in `_s` are seconds since the plug-in, null where the step never came.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from sample_logs.second_world.manners import STAGES, manner
from sample_logs.second_world.mechanics import Mechanics

CAUSES = ("site", "evse", "vehicle", "pairing", "chance")
NEVER = 99
LEAST_ENERGY_KWH = 0.5
CARD_FIRST = 0.4
"""How often the card is shown before the plug goes in."""
SOON_H = 0.2
"""A timer that would begin so shortly before the vehicle leaves does not begin."""


def story(rng: np.random.Generator, frame: pl.DataFrame, mechanics: Mechanics) -> pl.DataFrame:
    """Draw what happens at each plug-in."""
    return _ends(rng, _outcome(_timeline(rng, _cause(rng, frame, mechanics))))


def _cause(rng: np.random.Generator, frame: pl.DataFrame, mechanics: Mechanics) -> pl.DataFrame:
    """Which causes hit, and the one that comes first in the sequence; wishes of the driver among them."""
    count = frame.height
    pairing = (
        pl.when(pl.Series(rng.random(count)) < pl.col("pairing_silent"))
        .then(pl.lit("pairing_silent"))
        .otherwise(pl.lit("pairing"))
    )
    kinds = frame.select(
        pl.col("site_suspect").fill_null("supply").alias("site"),
        pl.col("evse_suspect").fill_null("supply").alias("evse"),
        pl.col("vehicle_suspect").fill_null("never_requests").alias("vehicle"),
        pairing.alias("pairing"),
        pl.lit("chance").alias("chance"),
    )
    ranks, manners = [], []
    no_wish = (
        frame["full"] | ((frame["timer_h"] > 0) & (frame["timer_h"] + SOON_H > frame["stay_h"]))
    ).to_numpy()
    for cause in CAUSES:
        shown = manner(rng, kinds[cause], frame["looks"])
        rank = shown["stage"].replace_strict(
            {s: i for i, s in enumerate(STAGES)}, return_dtype=pl.Int64
        ).to_numpy() + rng.random(count)
        hit = rng.random(count) < frame[f"p_{cause}"].to_numpy()
        # Where the vehicle wants no energy, what would come at its request never comes.
        asleep = no_wish & ((rank >= 2) | (shown["trouble"] == "silent").to_numpy())
        ranks.append(np.where(hit & ~asleep, rank, NEVER))
        manners.append(shown)
    rank = np.stack(ranks)
    first = rank.argmin(axis=0)
    failed = rank.min(axis=0) < NEVER
    trouble = np.stack([m["trouble"].to_numpy() for m in manners])[first, np.arange(count)]
    stage = np.stack([m["stage"].to_numpy() for m in manners])[first, np.arange(count)]
    suspect = np.stack([kinds[c].to_numpy() for c in CAUSES])[first, np.arange(count)]
    u = rng.random(count)
    declined = (u < mechanics.declined_rate) & (trouble != "unseen")
    abandoned = (
        ~declined & (u < mechanics.declined_rate + mechanics.abandoned_rate) & (trouble != "unseen")
    )
    hit = failed & ~declined & ~abandoned
    nothing = pl.lit(None, dtype=pl.String)
    return frame.with_columns(
        pl.Series("declined", declined),
        pl.Series("abandoned", abandoned),
        pl.Series("hit", hit),
        pl.Series("no_wish", no_wish),
        pl.when(pl.Series(hit))
        .then(pl.Series(np.array(CAUSES)[first]))
        .otherwise(nothing)
        .alias("cause"),
        pl.when(pl.Series(hit))
        .then(pl.Series(trouble, dtype=pl.String))
        .otherwise(nothing)
        .alias("trouble"),
        pl.when(pl.Series(hit))
        .then(pl.Series(stage, dtype=pl.String))
        .otherwise(nothing)
        .alias("stage_hit"),
        pl.when(pl.Series(hit))
        .then(pl.Series(suspect, dtype=pl.String))
        .otherwise(nothing)
        .alias("cause_suspect"),
    )


def _timeline(rng: np.random.Generator, frame: pl.DataFrame) -> pl.DataFrame:
    """When card, PWM, request, contactor, fault and end of delivery came, in seconds since the plug-in."""
    count = frame.height
    card_first = (rng.random(count) < CARD_FIRST) | (
        (frame["trouble"] == "unseen") & pl.Series(rng.random(count) < 0.7)
    ).fill_null(value=False).to_numpy()
    auth = np.where(card_first, -rng.uniform(4, 25, count), rng.uniform(5, 60, count))
    rank = pl.col("stage_hit").replace_strict(
        {s: i for i, s in enumerate(STAGES)}, default=NEVER, return_dtype=pl.Int64
    )
    silent = (pl.col("trouble") == "silent").fill_null(value=False)
    never_offered = pl.col("declined") | pl.col("abandoned") | (rank == 0)
    wait_s = pl.max_horizontal("timer_h", "managed_h") * 3600
    frame = (
        frame.with_columns(
            pl.when("abandoned").then(None).otherwise(pl.Series(auth)).alias("auth_s"),
            pl.when(never_offered)
            .then(None)
            .otherwise(pl.Series(np.maximum(auth, 0) + rng.uniform(1, 4, count)))
            .alias("pwm_s"),
        )
        .with_columns(
            pl.when((rank == 1) | silent | pl.col("no_wish"))
            .then(None)
            .otherwise(pl.col("pwm_s") + pl.Series(rng.uniform(1.5, 7, count)) + wait_s)
            .alias("ask_s"),
        )
        .with_columns(
            pl.when(rank == 2)
            .then(None)
            .otherwise(pl.col("ask_s") + pl.Series(rng.uniform(0.4, 2.4, count)))
            .alias("close_s"),
        )
    )
    after = (
        pl.when(rank == 0)
        .then(pl.Series(rng.uniform(2, 12, count)))
        .when(rank == 1)
        .then(pl.col("pwm_s") + pl.Series(rng.uniform(0.5, 9, count)))
    )
    after = (
        after.when(rank == 2)
        .then(pl.col("ask_s") + pl.Series(rng.uniform(0.3, 2.5, count)))
        .when(rank == 3)
        .then(pl.col("close_s") + pl.Series(rng.uniform(1, 25, count)))
    )
    worded = pl.col("hit") & ~pl.col("trouble").is_in(["silent", "unseen", "no_answer"])
    return frame.with_columns(
        pl.when(worded).then(after.otherwise(None)).otherwise(None).alias("fault_s")
    )


def _outcome(frame: pl.DataFrame) -> pl.DataFrame:
    """Power, energy and the outcome in the contract's words."""
    ac_kw = pl.min_horizontal(
        "onboard_charger_kw",
        pl.col("max_power_kw") * pl.min_horizontal("ac_phases", "phases") / pl.col("phases"),
    )
    power = (
        pl.when(pl.col("supply") == "DC")
        .then(pl.min_horizontal("max_power_kw", 45.0))
        .otherwise(ac_kw)
    )
    delivers = pl.col("close_s").is_not_null() & ~pl.col("hit")
    left_h = pl.col("stay_h") - pl.col("close_s") / 3600
    need = (1 - pl.col("soc")) * pl.col("battery_kwh")
    energy = pl.min_horizontal(need, power * left_h.clip(0.0))
    outcome = (
        pl.when("declined")
        .then(pl.lit("declined"))
        .when("abandoned")
        .then(pl.lit("abandoned"))
        .when("hit")
        .then(pl.lit("failed"))
        .when("no_wish")
        .then(pl.lit("not_requested"))
        .when(energy >= LEAST_ENERGY_KWH)
        .then(pl.lit("charged"))
        .otherwise(pl.lit("unknown"))
    )
    return frame.with_columns(
        power.alias("power_kw"),
        pl.when(delivers).then(energy).otherwise(0.0).alias("energy_kwh"),
        outcome.alias("outcome"),
        ((pl.col("trouble") == "silent") & pl.col("hit")).fill_null(value=False).alias("silent"),
    ).with_columns(
        pl.when(delivers)
        .then(pl.col("close_s") + pl.col("energy_kwh") / pl.col("power_kw") * 3600)
        .otherwise(None)
        .alias("eased_s"),
        (pl.col("soc") + pl.col("energy_kwh") / pl.col("battery_kwh")).clip(0, 1).alias("soc_left"),
    )


def _ends(rng: np.random.Generator, frame: pl.DataFrame) -> pl.DataFrame:
    """When it was pulled out: as meant, or soon after what the driver saw go wrong."""
    count = frame.height
    soon = pl.Series(rng.uniform(40, 400, count))
    noticed = pl.Series(rng.random(count)) < pl.when("silent").then(0.35).otherwise(0.75)
    stay_s = pl.col("stay_h") * 3600
    seen = pl.max_horizontal(
        pl.col("fault_s").fill_null(0.0),
        pl.col("pwm_s").fill_null(0.0),
        pl.col("auth_s").fill_null(0.0),
    )
    left = (
        pl.when("abandoned")
        .then(pl.Series(rng.uniform(4, 25, count)))
        .when("declined")
        .then(pl.col("auth_s").clip(0) + soon / 4)
        .when((pl.col("outcome") == "failed") & noticed)
        .then(seen + soon)
        .otherwise(
            pl.max_horizontal(
                stay_s, pl.col("eased_s").fill_null(0.0) + 1, pl.col("fault_s").fill_null(0.0) + 60
            )
        )
    )
    return frame.with_columns(
        left.alias("left_s"),
        ((pl.col("outcome") == "failed") & noticed).alias("noticed"),
        pl.Series("by_card", rng.random(count) < 0.5),
    ).with_columns((pl.col("t_d") + pl.col("left_s") / 86400).alias("left_d"))
