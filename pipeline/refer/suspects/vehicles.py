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
from pipeline.refer.inputs import ReferInputs
from pipeline.refer.suspects.by_chance import looks_to_vehicles
from pipeline.refer.suspects.drift import drift_table
from pipeline.refer.suspects.events import (
    LEAST_P,
    as_if_at_fault,
    by_posterior,
    of_state,
    own_events,
    silences,
    until_last_shown,
    weeks_to_show,
)
from pipeline.refer.suspects.known import known_vehicles, of_present, since
from pipeline.refer.suspects.leaks import leak_plan
from pipeline.refer.suspects.level_factors import LevelFactors, beside_path, level_factors
from pipeline.refer.suspects.levels import against_usual, readings, without_evse_failures
from pipeline.refer.suspects.posterior import FaultOdds, fault_odds, found_odds, priors
from pipeline.refer.suspects.recent import Window, recent, without_mended
from pipeline.refer.suspects.signatures import Signature, learnt
from pipeline.refer.suspects.signs import once, trouble_codes, vehicle_signs
from pipeline.refer.suspects.unseen import unseen
from pipeline.refer.suspects.weighing import Verdicts, limited, weigh
from pipeline.settings.refer import ReferSettings

Floats = NDArray[np.float64]

DIODE = ("pilot_diode_shorted", "pilot_diode_leaky")
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


def judge_vehicles(
    inputs: ReferInputs, attempts: pl.DataFrame, look_back: LookBack, settings: ReferSettings
) -> Judged:
    """Suspects, probabilities and circuit figures of every vehicle with an attempt, or a reported stay
    in vain, in the look-back.

    `attempts` as `judged_attempts` gives them. The table's columns: those of out_vehicles but
    `call`, and `verdict`, `separable`, `blamed` (vehicle-caused AC failures expected since the
    onset), `own_events` (silences besides), `drifting`, `p_attributed`, `p_mended` (it was at
    fault and no longer is), `vehicle_model`.
    """
    reported = inputs.charging.filter(look_back.holds("at_utc"))
    known = known_vehicles(inputs, attempts, reported)
    since_utc = since(inputs, known)
    as_if = as_if_at_fault(of_state(attempts, known, since_utc))
    levels = without_evse_failures(against_usual(readings(attempts), settings), attempts)
    valid = without_mended(levels)
    drift = drift_table(valid, look_back, settings)
    near = _Near(
        since(inputs, known, "onset_utc"),
        drift.filter(pl.col("category") == "rising")["vehicle_id"],
    )
    signs = _signs(as_if, trouble_codes(inputs.dtcs, since_utc, look_back), drift)
    signatures = learnt("vehicle", inputs.lessons)
    prior = priors(known, inputs, signatures)
    verdicts = weigh(
        limited(signs, settings.witnesses_at_most),
        known["vehicle_id"],
        signatures,
        prior,
        settings.log_weight_cap,
        looks_to_vehicles(attempts, as_if, known["vehicle_id"], signatures),
    )
    never_seen = unseen(
        of_present(reported, since_utc, "at_utc"),
        of_present(attempts, since_utc, "plugged_at_utc"),
    )
    then = until_last_shown(levels, as_if)
    shown, factors = _level_factors(attempts, valid, then, near, known, verdicts.suspects)
    factors = factors.with_unseen(*_in_order(known, never_seen), verdicts.suspects)
    odds, failing, mended = _odds(inputs, known, verdicts, factors, settings)
    table = _suspected(known, odds, verdicts.suspects).with_columns(
        pl.Series("p_failing", failing.sum(axis=1) / (1.0 + odds.sum(axis=1))),
        pl.Series("p_mended", mended / (1.0 + odds.sum(axis=1))),
        pl.Series("level_factor", _told_by_levels(odds, factors)),
        pl.Series("pilot_speaks", _pilot_speaks(verdicts.suspects, shown)),
    )
    today = near.of(valid, _today(settings))
    frames = [
        own_events(by_posterior(as_if, table)),
        weeks_to_show(as_if, near.begun, look_back),
        silences(attempts),
        never_seen,
        *_measured(levels, today, factors, table, drift),
    ]
    table = _with_figures(table, frames)
    plan = leak_plan(attempts, valid, table, inputs.equipment, look_back, settings.plan_days)
    table = table.join(plan, on="vehicle_id", how="left", maintain_order="left")
    given = odds / odds.sum(axis=1, keepdims=True)
    return Judged(table, given, signs, verdicts, prior, signatures, levels, factors, since_utc)


@dataclass(frozen=True)
class _Near:
    """Which readings are near enough to today: since when they count (`since` by the onset), and the vehicles whose level creeps."""

    begun: pl.DataFrame
    creeping: pl.Series

    def of(self, rows: pl.DataFrame, windows: tuple[Window, Window]) -> pl.DataFrame:
        """`recent` of these readings."""
        return recent(rows, self.begun, self.creeping, *windows)


def _signs(as_if: pl.DataFrame, codes: pl.DataFrame, drift: pl.DataFrame) -> pl.DataFrame:
    """Signs of the vehicles: of their attempts, their stored trouble codes, their level's course."""
    course = drift.select(pl.col("vehicle_id").alias("unit"), "category")
    return pl.concat([vehicle_signs(as_if), once(codes, "trouble_code"), once(course, "drift")])


def _level_factors(
    attempts: pl.DataFrame,
    valid: pl.DataFrame,
    then: pl.DataFrame,
    near: _Near,
    known: pl.DataFrame,
    suspects: tuple[str, ...],
) -> tuple[LevelFactors, LevelFactors]:
    """Factors of the levels as they read lately (`valid`), and the same or, where they tell more, at what went wrong alone; of a
    fault gone as they read `then`, until it last showed.
    """
    wrong = attempts.filter((pl.col("outcome") == "failed") | pl.col("silent"))
    bitten = valid.join(wrong, on="attempt_id", how="semi")
    shown, until, at_failures = (
        level_factors(near.of(rows, LATELY), known["vehicle_id"], suspects)
        for rows in (valid, then, bitten)
    )
    return shown, shown.mended_after(until).or_at_failures(at_failures)


def _odds(
    inputs: ReferInputs,
    known: pl.DataFrame,
    verdicts: Verdicts,
    factors: LevelFactors,
    settings: ReferSettings,
) -> FaultOdds:
    """`fault_odds`, with what the workshop found and has not repaired."""
    attributed = np.clip(known["p_vehicle"].to_numpy(), LEAST_P, 1 - LEAST_P)
    mute = np.clip(known["p_mute"].to_numpy() / attributed, 0.0, 1.0)
    height = known["p_height"].to_numpy()
    odds = fault_odds(attributed, height, mute, verdicts, factors, settings)
    found = found_odds(known["vehicle_id"], inputs.findings, verdicts.suspects)
    return FaultOdds(odds.present + found, odds.failing + found, odds.mended)


def _with_figures(table: pl.DataFrame, frames: list[pl.DataFrame]) -> pl.DataFrame:
    """The table with what each frame (one row a vehicle) adds; what nothing was counted of is 0."""
    for frame in frames:
        table = table.join(frame, on="vehicle_id", how="left", maintain_order="left")
    return table.with_columns(
        pl.col("blamed", "own_events", "blamed_evses", "silent", "unseen", "stays").fill_null(0),
        pl.col("drifting").fill_null(value=False),
        pl.col("weeks_to_show").fill_null(1.0),
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
