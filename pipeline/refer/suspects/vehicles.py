"""What is wrong with each vehicle.

Attribution's probability, the signs, the pilot's negative level, put together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.circuit.causes import VARIANTS
from pipeline.circuit.reverse_path import reverse_path
from pipeline.core.weeks import LookBack
from pipeline.refer.inputs import ReferInputs, stored_code, with_told
from pipeline.refer.suspects.by_chance import looks_by_chance
from pipeline.refer.suspects.drift import drift_table
from pipeline.refer.suspects.events import (
    LEAST_P,
    as_if_at_fault,
    by_posterior,
    of_state,
    own_events,
    silences,
    weeks_to_show,
)
from pipeline.refer.suspects.leaks import forecast
from pipeline.refer.suspects.level_factors import LevelFactors, beside_path, level_factors
from pipeline.refer.suspects.levels import Window, against_usual, readings, recent, without_mended
from pipeline.refer.suspects.posterior import fault_odds, found_odds, priors
from pipeline.refer.suspects.signatures import Signature, learnt
from pipeline.refer.suspects.signs import once, vehicle_signs
from pipeline.refer.suspects.unseen import stays, unseen, waited_in_vain
from pipeline.refer.suspects.weighing import Verdicts, limited, weigh
from pipeline.settings.refer import ReferSettings

Floats = NDArray[np.float64]

DIODE = ("pilot_diode_shorted", "pilot_diode_leaky")
LEAKS = ("pilot_diode_leaky", "pilot_leakage")
LEAST_PLANNED = 0.05
"""Probability from which a leak's further course is worked out."""
LATELY = (Window(21, 6, 42), Window(4, 4, 10))
"""Readings that say what is wrong (steady, creeping): more than tell where the path is today, so that EVSEs agree or do not."""


def _today(settings: ReferSettings) -> tuple[Window, Window]:
    return Window(settings.level_recent_days), Window(settings.level_creeping_days)


@dataclass(frozen=True)
class Judged:
    """All that is thought of the vehicles, before any decision.

    `table`: one row per vehicle. `given`: each suspect's share if the vehicle is at fault, rows as
    in `table`. `signs`, `verdicts`, `prior`, `signatures`: what they rest on. `levels`: readings of
    the pilot against each EVSE's usual negative level.
    """

    table: pl.DataFrame
    given: Floats
    signs: pl.DataFrame
    verdicts: Verdicts
    prior: Floats
    signatures: dict[str, Signature]
    levels: pl.DataFrame
    factors: LevelFactors
    since: pl.DataFrame


def since(inputs: ReferInputs, known: pl.DataFrame, onset: str = "onset_lo_utc") -> pl.DataFrame:
    """`vehicle_id, since_utc`: from when a vehicle's attempts speak of its present state; null
    where there is no bound.

    The onset (its early end, or the column given), or the last repair where that is later.
    """
    repaired = (
        inputs.findings.filter(pl.col("repaired_at_utc").is_not_null())
        .group_by("vehicle_id")
        .agg(pl.col("repaired_at_utc").max())
    )
    return known.join(repaired, on="vehicle_id", how="left").select(
        "vehicle_id", pl.max_horizontal(onset, "repaired_at_utc").alias("since_utc")
    )


def _trouble_codes(
    inputs: ReferInputs, since_utc: pl.DataFrame, look_back: LookBack
) -> pl.DataFrame:
    """`unit, category` of `trouble_code` from read-outs since the trouble began.

    Confirmed and pending codes count.
    """
    read = (
        inputs.dtcs.filter(pl.col("at_utc") < look_back.to_utc)
        .join(since_utc, on="vehicle_id", how="inner")
        .filter(pl.col("at_utc") >= pl.col("since_utc").fill_null(look_back.from_utc))
    )
    return (
        read.group_by(pl.col("vehicle_id").alias("unit"))
        .agg(stored_code().any().alias("stored"))
        .select(
            "unit",
            pl.when("stored")
            .then(pl.lit("stored"))
            .otherwise(pl.lit("none_stored"))
            .alias("category"),
        )
    )


def judge_vehicles(
    inputs: ReferInputs, attempts: pl.DataFrame, look_back: LookBack, settings: ReferSettings
) -> Judged:
    """Suspects, probabilities and circuit figures of every vehicle with an attempt, or a reported stay
    in vain, in the look-back.

    `attempts` as `judged_attempts` gives them. The table's columns: those of out_vehicles but
    `call`, and `verdict`, `separable`, `blamed` (vehicle-caused AC failures expected since the
    onset), `own_events` (silences besides), `drifting`, `p_attributed`, `vehicle_model`.
    """
    reported = inputs.charging.filter(look_back.holds("at_utc"))
    known = _known(inputs, attempts, reported)
    since_utc = since(inputs, known)
    evidence = of_state(attempts, known, since_utc)
    levels = against_usual(readings(attempts), settings)
    valid = without_mended(levels)
    drift = drift_table(valid, look_back, settings)
    creeping = drift.filter(pl.col("category") == "rising")["vehicle_id"]
    begun = since(inputs, known, "onset_utc")
    today = recent(valid, begun, creeping, *_today(settings))
    lately = recent(valid, begun, creeping, *LATELY)
    as_if = as_if_at_fault(evidence)
    signs = pl.concat(
        [
            vehicle_signs(as_if),
            once(_trouble_codes(inputs, since_utc, look_back), "trouble_code"),
            once(drift.select(pl.col("vehicle_id").alias("unit"), "category"), "drift"),
        ]
    )
    signatures = learnt("vehicle", inputs.lessons)
    prior = priors(known, inputs, signatures)
    verdicts = weigh(
        limited(signs, settings.witnesses_at_most),
        known["vehicle_id"],
        signatures,
        prior,
        settings.log_weight_cap,
        looks_by_chance(attempts, as_if, known["vehicle_id"], signatures),
    )
    never_seen = unseen(
        of_present(reported, since_utc, "at_utc"),
        of_present(attempts, since_utc, "plugged_at_utc"),
    )
    shown = level_factors(lately, known["vehicle_id"], verdicts.suspects)
    wrong = attempts.filter((pl.col("outcome") == "failed") | pl.col("silent"))
    bitten = recent(valid.join(wrong, on="attempt_id", how="semi"), begun, creeping, *LATELY)
    factors = shown.or_at_failures(level_factors(bitten, known["vehicle_id"], verdicts.suspects))
    factors = factors.with_unseen(*_in_order(known, never_seen), verdicts.suspects)
    attributed = np.clip(known["p_vehicle"].to_numpy(), LEAST_P, 1 - LEAST_P)
    mute = np.clip(known["p_mute"].to_numpy() / attributed, 0.0, 1.0)
    height = np.clip(known["p_height"].to_numpy(), attributed, 1 - LEAST_P)
    odds, failing = fault_odds(attributed, height, mute, verdicts, factors, settings)
    found = found_odds(known["vehicle_id"], inputs.findings, verdicts.suspects)
    odds, failing = odds + found, failing + found
    table = _suspected(known, odds, verdicts.suspects).with_columns(
        pl.Series("p_failing", failing.sum(axis=1) / (1.0 + odds.sum(axis=1))),
        pl.Series("level_factor", _told_by_levels(odds, factors)),
        pl.Series("pilot_speaks", _pilot_speaks(verdicts.suspects, shown)),
    )
    for frame in [
        own_events(by_posterior(as_if, table)),
        weeks_to_show(as_if, begun, look_back),
        silences(attempts),
        never_seen,
        *_measured(levels, today, factors, table, drift),
    ]:
        table = table.join(frame, on="vehicle_id", how="left", maintain_order="left")
    table = table.with_columns(
        pl.col("blamed", "own_events", "blamed_evses", "silent", "unseen", "stays").fill_null(0),
        pl.col("drifting").fill_null(value=False),
        pl.col("weeks_to_show").fill_null(1.0),
    )
    plan = leak_plan(inputs, attempts, valid, table, look_back, settings)
    table = table.join(plan, on="vehicle_id", how="left", maintain_order="left")
    given = odds / odds.sum(axis=1, keepdims=True)
    return Judged(table, given, signs, verdicts, prior, signatures, levels, factors, since_utc)


def of_present(rows: pl.DataFrame, since_utc: pl.DataFrame, at: str) -> pl.DataFrame:
    """Rows as far as they speak of a vehicle's present state."""
    return (
        rows.join(since_utc, on="vehicle_id", how="left", maintain_order="left")
        .filter(pl.col("since_utc").is_null() | (pl.col(at) >= pl.col("since_utc")))
        .drop("since_utc")
    )


def _in_order(known: pl.DataFrame, never_seen: pl.DataFrame) -> tuple[Floats, Floats]:
    """Log factors of plug-ins no EVSE saw, for a line open in the vehicle and in its cable, 0 where there are none (vehicles,)."""
    joined = known.join(never_seen, on="vehicle_id", how="left", maintain_order="left")
    names = ("unseen_log_factor", "unseen_cable_log_factor")
    line, cable = (joined[name].fill_null(0.0).to_numpy() for name in names)
    return line, cable


def _told_by_levels(odds: Floats, factors: LevelFactors) -> Floats:
    """Natural log factor of the levels for the likeliest suspect (vehicles,)."""
    best = odds.argmax(axis=1) if len(odds) else np.zeros(0, dtype=np.int64)
    return np.asarray(np.maximum(factors.loud, factors.quiet)[np.arange(len(best)), best])


def _pilot_speaks(suspects: tuple[str, ...], factors: LevelFactors) -> Floats:
    """Largest log factor of the levels shown for any fault of the pilot that fails attempts; NaN-free, 0 where none is logged."""
    pilot = [suspects.index(s) for s in VARIANTS if s != "pilot_open"]
    return np.where(factors.row >= 0, factors.loud[:, pilot].max(axis=1, initial=-np.inf), 0.0)


def leak_plan(
    inputs: ReferInputs,
    attempts: pl.DataFrame,
    levels: pl.DataFrame,
    table: pl.DataFrame,
    look_back: LookBack,
    settings: ReferSettings,
) -> pl.DataFrame:
    """`leaks.forecast` of the vehicles whose likeliest suspect is a leak that the levels tell."""
    leaks = table.filter(
        pl.col("suspect").is_in(LEAKS),
        pl.col("p_vehicle") >= LEAST_PLANNED,
        pl.col("level_factor") > 0,
    ).select("vehicle_id", beside=pl.col("suspect") == "pilot_leakage")
    return forecast(attempts, levels, leaks, inputs.equipment, look_back, settings.plan_days)


def _known(inputs: ReferInputs, attempts: pl.DataFrame, reported: pl.DataFrame) -> pl.DataFrame:
    """Attribution's rows for every vehicle with an attempt in the look-back, or that reported a stay in vain then, with its model,
    in order of id.

    `reported`: raw_charging of the look-back; ids that no list of vehicles has do not count.
    """
    listed = reported.join(inputs.fleet, on="vehicle_id", how="semi")
    others = listed.join(attempts, on="vehicle_id", how="anti")
    told = stays(others).filter(waited_in_vain()).select("vehicle_id")
    seen = pl.concat([attempts.select("vehicle_id"), told]).drop_nulls().unique()
    counts = (
        "ac_attempts",
        "ac_failures",
        "evses_failed_at",
        "early_b_failures",
        "dc_attempts",
        "dc_charged",
    )
    return (
        seen.join(
            with_told(inputs.attributed.vehicles).drop("silent", strict=False),
            on="vehicle_id",
            how="left",
        )
        .join(inputs.fleet.select("vehicle_id", "vehicle_model"), on="vehicle_id", how="left")
        .with_columns(
            pl.col("p_vehicle", "p_mute", "p_height").fill_null(0.0),
            pl.col("verdict").fill_null("insufficient_data"),
            pl.col("separable").fill_null(value=False),
            pl.col(counts).fill_null(0),
            pl.col("reason").fill_null("no attempt that charged or failed in the look-back."),
        )
        .sort("vehicle_id")
    )


def _suspected(known: pl.DataFrame, odds: Floats, suspects: tuple[str, ...]) -> pl.DataFrame:
    """Known vehicles with their probabilities.

    `odds` (vehicles, suspects) against nothing wrong.
    """
    total = odds.sum(axis=1)
    given = odds / total[:, None]
    best = given.argmax(axis=1) if known.height else np.zeros(0, dtype=np.int64)
    diode = given[:, [suspects.index(s) for s in DIODE]].sum(axis=1)
    return known.with_columns(
        pl.col("p_vehicle").alias("p_attributed"),
        pl.Series("p_vehicle", total / (1 + total)),
        pl.Series("p_diode", total / (1 + total) * diode),
        pl.Series("suspect", [suspects[i] for i in best], dtype=pl.String),
        pl.Series("p_suspect", given[np.arange(best.size), best]),
    )


def _measured(
    levels: pl.DataFrame,
    today: pl.DataFrame,
    factors: LevelFactors,
    table: pl.DataFrame,
    drift: pl.DataFrame,
) -> list[pl.DataFrame]:
    """What the pilot and its trend add to a vehicle's row, each frame one row per
    vehicle.
    """
    shown = (
        levels.filter(pl.col("state") == "B2")
        .group_by("vehicle_id")
        .agg(pilot_low_v=pl.col("low_v").median(), pilot_high_v=pl.col("high_v").median())
    )
    drifts = drift.select(
        "vehicle_id",
        (pl.col("category") == "rising").alias("drifting"),
        "drift_since_utc",
        "above_v",
    )
    beside = table.filter(pl.col("suspect") == "pilot_leakage")["vehicle_id"]
    in_series = ~pl.col("vehicle_id").is_in(beside.implode())
    paths = reverse_path(today.filter(in_series, pl.col("low_v").is_not_null()))
    return [shown, pl.concat([paths, beside_path(factors, beside)]), drifts]
