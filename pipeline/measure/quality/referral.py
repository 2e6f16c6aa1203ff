"""How good the refer stage's calls, suspects, circuit figures and early warnings are, on simulated
worlds.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipeline.core.weeks import LookBack, week_of
from pipeline.measure.quality.frames import core_attempts, inputs_of
from pipeline.refer.decision import worth_watching
from pipeline.refer.referral import refer
from pipeline.refer.suspects.drift import drift_table
from pipeline.refer.suspects.level_factors import level_factors
from pipeline.refer.suspects.levels import against_usual, readings
from pipeline.refer.suspects.posterior import fault_odds
from pipeline.refer.suspects.recent import recent, without_mended
from pipeline.refer.suspects.signatures import learnt
from pipeline.refer.suspects.signs import once
from pipeline.refer.suspects.vehicles import DIODE, LATELY
from pipeline.refer.suspects.weighing import limited, weigh
from pipeline.registry import empty
from pipeline.settings.refer import ReferSettings
from sample_logs.generator.spec import WorldSpec
from sample_logs.generator.world import World, simulate_world

LOOK_BACK_WEEKS = 12
ATTEMPTS_PER_DAY = 1.5
"""Of a vehicle: fewer than the worlds that attribution is measured on have, as a small fleet has."""


SAME = {"charger_leakage": "charger_input"}
"""The first world knows one fault of the charger, which trips the residual current device: the contract's charger_leakage."""


def calls(
    seeds: Iterable[int], vehicles: int, evses: int, per_day: float, scenario: str = "standard"
) -> pl.DataFrame:
    """One row per seed and vehicle called or truly at fault at the end.

    Call, suspect, truth, circuit figures against truth.
    """
    frames = []
    for seed in seeds:
        world = simulate_world(
            WorldSpec(vehicles, evses, LOOK_BACK_WEEKS, seed, scenario, attempts_per_day=per_day)
        )
        week = week_of(world.spec.end - timedelta(days=1))
        out = refer(inputs_of(world, week, LOOK_BACK_WEEKS), ReferSettings(), week, LOOK_BACK_WEEKS)
        truth = world.vehicle_truth.filter(pl.col("to_utc").is_null()).select(
            "vehicle_id", "from_utc", truth="fault"
        )
        own = world.vehicles.select("vehicle_id").with_columns(
            r2_ohm=pl.Series(world.fleet.pilot_ev.r2_ohm)
        )
        ohm = (
            world.attempts.filter(pl.col("pilot_low_v").is_not_null())
            .sort("plugged_at")
            .group_by("vehicle_id")
            .agg(pl.col("leak_ohm").last())
            .join(own, on="vehicle_id")
            .select("vehicle_id", true_ohm=pl.col("leak_ohm") + pl.col("r2_ohm"))
        )
        failed = (
            world.attempts.filter(pl.col("cause") == "vehicle")
            .join(truth, on="vehicle_id")
            .filter(pl.col("plugged_at") >= pl.col("from_utc"))
            .group_by("vehicle_id")
            .agg(failed=pl.len())
        )
        frames.append(
            out.vehicles.join(truth, on="vehicle_id", how="left")
            .join(ohm, on="vehicle_id", how="left")
            .join(failed, on="vehicle_id", how="left")
            .with_columns(seed=pl.lit(seed))
        )
    return pl.concat(frames)


def calls_summary(table: pl.DataFrame) -> dict[str, int]:
    """Counts over all seeds.

    Referrals and how many are right, failing vehicles referred, suspects and reverse paths right.
    """
    referred = table.filter(pl.col("call") == "refer")
    right = referred.filter(pl.col("truth").is_not_null())
    due = table.filter(pl.col("truth").is_not_null(), pl.col("failed") >= 3)
    path = table.filter(
        pl.col("reverse_path_ohm").is_not_null(),
        pl.col("true_ohm").is_finite(),
        pl.col("true_ohm") < 1e5,
    )
    within = pl.col("true_ohm").is_between(
        pl.col("reverse_path_lo_ohm"), pl.col("reverse_path_hi_ohm").fill_null(np.inf)
    )
    diode = pl.col("truth").str.starts_with("pilot_diode").fill_null(value=False)
    return {
        "referred": referred.height,
        "referred_right": right.height,
        "suspect_right": right.filter(pl.col("suspect").replace(SAME) == pl.col("truth")).height,
        "diode_or_not_right": right.filter(
            diode == (pl.col("p_diode") > 0.5 * pl.col("p_vehicle"))
        ).height,
        "at_fault_and_failing": due.height,
        "of_them_referred": due.filter(pl.col("call") == "refer").height,
        "of_them_watched": due.filter(pl.col("call") == "watch").height,
        "vehicles": table.height,
        "paths": path.height,
        "paths_covered": path.filter(within).height,
    }


def early_warning(
    seeds: Iterable[int],
    vehicles: int,
    evses: int,
    per_day: float,
    scenario: str = "standard",
    *,
    weeks: int = 16,
) -> pl.DataFrame:
    """Weekly lists over worlds: one row per seed and vehicle with a negative level logged.

    `leak_from_utc`, `first_failed_utc` (null: sound, or did not fail), `first_watch_utc` (null:
    never), `lists` it was on while sound. Attribution's probability is set to its prior: the
    warning rests on the pilot alone.
    """
    frames = []
    for seed in seeds:
        world = simulate_world(
            WorldSpec(vehicles, evses, weeks, seed, scenario, attempts_per_day=per_day)
        )
        frames.append(_warned(world, weeks).with_columns(seed=pl.lit(seed)))
    return pl.concat(frames)


def _warned(world: World, weeks: int) -> pl.DataFrame:
    attempts = core_attempts(world)
    flags = pl.concat(
        [_week_list(attempts, world.spec.start + timedelta(weeks=k)) for k in range(4, weeks + 1)]
    )
    spell = (
        world.vehicle_truth.filter(pl.col("fault").str.starts_with("pilot_diode"))
        .sort("from_utc")
        .group_by("vehicle_id", maintain_order=True)
        .first()
    )
    failed = (
        world.attempts.filter(
            pl.col("cause") == "vehicle", pl.col("vehicle_fault") == "pilot_diode_leaky"
        )
        .group_by("vehicle_id")
        .agg(first_failed_utc=pl.col("plugged_at").min())
    )
    logged = (
        attempts.filter(pl.col("pilot_low_b_v").is_not_null())
        .group_by("vehicle_id")
        .agg(readings=pl.len(), weeks=pl.col("plugged_at_utc").dt.truncate("1w").n_unique())
    )
    begun = pl.col("from_utc")
    table = logged.join(
        spell.select("vehicle_id", "fault", "from_utc"), on="vehicle_id", how="left"
    ).join(failed, on="vehicle_id", how="left")
    seen = (
        flags.join(table.select("vehicle_id", "from_utc"), on="vehicle_id")
        .group_by("vehicle_id")
        .agg(
            first_watch_utc=pl.col("list_utc")
            .filter(begun.is_null() | (pl.col("list_utc") >= begun))
            .min(),
            lists=pl.len(),
        )
    )
    return table.join(seen, on="vehicle_id", how="left").with_columns(
        pl.col("lists").fill_null(0), logs_from_utc=pl.lit(world.spec.start)
    )


def _week_list(attempts: pl.DataFrame, end: datetime) -> pl.DataFrame:
    """Vehicles to watch for their diode in the week that ends then, by the pilot alone.

    `vehicle_id, list_utc`.
    """
    settings = ReferSettings()
    look_back = LookBack.of(week_of(end - timedelta(days=1)), LOOK_BACK_WEEKS)
    known = attempts.filter(look_back.holds("plugged_at_utc"))
    levels = without_mended(against_usual(readings(known), settings))
    drift = drift_table(levels, look_back, settings)
    creeping = drift.filter(pl.col("category") == "rising")["vehicle_id"]
    vehicles = known["vehicle_id"].drop_nulls().unique().sort()
    bound = pl.DataFrame({"vehicle_id": vehicles}).with_columns(
        since_utc=pl.lit(None, dtype=pl.Datetime("us", "UTC"))
    )
    signs = pl.concat(
        [
            once(drift.select(unit="vehicle_id", category="category"), "drift"),
        ]
    )
    signatures = learnt("vehicle", empty("decision_lesson"))
    prior = np.tile(signatures["vehicle_prior"].table, (vehicles.len(), 1))
    verdicts = weigh(
        limited(signs, settings.witnesses_at_most),
        vehicles,
        signatures,
        prior,
        settings.log_weight_cap,
    )
    factors = level_factors(recent(levels, bound, creeping, *LATELY), vehicles, verdicts.suspects)
    attributed, mute = np.full(vehicles.len(), PRIOR_FAULT), np.zeros(vehicles.len())
    odds = fault_odds(attributed, attributed, mute, verdicts, factors, settings).present
    diode = [verdicts.suspects.index(s) for s in DIODE]
    p_diode = odds[:, diode].sum(axis=1) / (1 + odds.sum(axis=1))
    watch = p_diode >= worth_watching(settings.cost_watching, settings.cost_week_without_ac)
    return vehicles.filter(pl.Series(watch)).to_frame().with_columns(list_utc=pl.lit(end))


PRIOR_FAULT = 1e-3
"""What attribution says of a vehicle that has not failed, about."""


def early_warning_summary(table: pl.DataFrame) -> dict[str, int]:
    """Counts: leaks that began in the logs and failed, those watched before.

    Sound vehicles, those ever watched.
    """
    leaks = table.filter(
        pl.col("fault") == "pilot_diode_leaky",
        pl.col("from_utc") >= pl.col("logs_from_utc"),
        pl.col("first_failed_utc") > pl.col("from_utc"),
    )
    sound = table.filter(pl.col("fault").is_null())
    return {
        "leaks_that_failed": leaks.height,
        "watched_before": leaks.filter(
            pl.col("first_watch_utc") <= pl.col("first_failed_utc")
        ).height,
        "sound": sound.height,
        "sound_ever_watched": sound.filter(pl.col("lists") > 0).height,
    }
