"""What is wrong with each vehicle.

Attribution's probability, the signs, the pilot's low side, put together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.circuit.reverse_path import GRID_OHM, posterior, reverse_path
from pipeline.core.weeks import LookBack
from pipeline.refer.findings import confirmed, prior_lessons
from pipeline.refer.inputs import ReferInputs, stored_code
from pipeline.refer.suspects.charge_requests import asking
from pipeline.refer.suspects.drift import drift_table
from pipeline.refer.suspects.levels import against_usual, readings, recent, without_mended
from pipeline.refer.suspects.signatures import Signature, Verdicts, learnt, limited, weigh
from pipeline.refer.suspects.signs import once, vehicle_signs
from pipeline.settings.refer import ReferSettings

Floats = NDArray[np.float64]

DIODE = ("pilot_diode_shorted", "pilot_diode_leaky")
MODEL_WORTH = 5.0
"""Findings of one vehicle model count as much as the fleet's prior once there are so many."""
LEAST_P = 1e-6
HALF = 0.5
SILENT = ("pilot_diode_leaky", "never_requests")
"""Faults that can be there without a failed attempt, so that attribution, which reads failures, cannot speak against them."""


@dataclass(frozen=True)
class Judged:
    """All that is thought of the vehicles, before any decision.

    `table`: one row per vehicle. `given`: each suspect's share if the vehicle is at fault, rows as
    in `table`. `signs`, `verdicts`, `prior`, `signatures`: what they rest on. `levels`: readings of
    the pilot against each EVSE's usual low side.
    """

    table: pl.DataFrame
    given: Floats
    signs: pl.DataFrame
    verdicts: Verdicts
    prior: Floats
    signatures: dict[str, Signature]
    levels: pl.DataFrame


def since(inputs: ReferInputs, known: pl.DataFrame) -> pl.DataFrame:
    """`vehicle_id, since_utc`: from when a vehicle's attempts speak of its present state; null
    where there is no bound.

    The early end of the onset, or the last repair where that is later.
    """
    repaired = (
        inputs.findings.filter(pl.col("repaired_at_utc").is_not_null())
        .group_by("vehicle_id")
        .agg(pl.col("repaired_at_utc").max())
    )
    return known.join(repaired, on="vehicle_id", how="left").select(
        "vehicle_id", pl.max_horizontal("onset_lo_utc", "repaired_at_utc").alias("since_utc")
    )


def level_categories(rows: pl.DataFrame, settings: ReferSettings) -> pl.DataFrame:
    """`unit, category` of `low_side` from the posterior of the reverse path.

    Only where it does not rest on one nominal EVSE.
    """
    sure = rows.filter(
        (~pl.col("nominal")).any().over("vehicle_id")
        | (pl.col("evse_id").n_unique().over("vehicle_id") > 1)
    )
    vehicles, mass = posterior(sure)
    lifted = mass[:, : np.searchsorted(GRID_OHM, settings.lifted_below_ohm)].sum(axis=1)
    near = mass[:, : np.searchsorted(GRID_OHM, settings.near_short_below_ohm)].sum(axis=1)
    short = mass[:, : np.searchsorted(GRID_OHM, settings.as_shorted_below_ohm)].sum(axis=1)
    shares = {"unit": vehicles, "lifted": lifted, "near": near, "short": short}
    return pl.DataFrame(shares, schema_overrides={"unit": pl.String}).select(
        "unit",
        pl.when(pl.col("short") >= settings.lifted_share)
        .then(pl.lit("as_shorted"))
        .when(pl.col("near") >= settings.lifted_share)
        .then(pl.lit("near_short"))
        .when(pl.col("lifted") >= settings.lifted_share)
        .then(pl.lit("lifted"))
        .otherwise(pl.lit("at_usual"))
        .alias("category"),
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


def priors(vehicles: pl.DataFrame, inputs: ReferInputs, signatures: dict[str, Signature]) -> Floats:
    """Prior over suspects by vehicle, (vehicles, suspects).

    The declared one with all findings, drawn to the model's own.
    """
    cases = confirmed(inputs.findings)
    fleet = signatures["vehicle_prior"].learnt(prior_lessons(cases))
    found = (
        cases.join(inputs.fleet.select("vehicle_id", "vehicle_model"), on="vehicle_id")
        .group_by("vehicle_model", "suspect")
        .len("n")
    )
    wide = vehicles.select("vehicle_model").with_row_index("row")
    counts = np.zeros((vehicles.height, len(fleet.categories)))
    rows = wide.join(found, on="vehicle_model").sort("row")
    columns = rows["suspect"].replace_strict(
        {s: i for i, s in enumerate(fleet.categories)}, return_dtype=pl.Int64
    )
    np.add.at(counts, (rows["row"].to_numpy(), columns.to_numpy()), rows["n"].to_numpy())
    total = counts.sum(axis=1, keepdims=True)
    return np.asarray((MODEL_WORTH * fleet.table[0] + counts) / (MODEL_WORTH + total))


def judge_vehicles(
    inputs: ReferInputs, attempts: pl.DataFrame, look_back: LookBack, settings: ReferSettings
) -> Judged:
    """Suspects, probabilities and circuit figures of every vehicle with an attempt in the
    look-back.

    `attempts` as `judged_attempts` gives them. The table's columns: those of out_vehicles but
    `call`, and `verdict`, `separable`, `blamed` (vehicle-caused AC failures expected since the
    onset), `drifting`, `p_attributed`, `vehicle_model`.
    """
    known = _known(inputs, attempts)
    since_utc = since(inputs, known)
    evidence = (
        attempts.filter(pl.col("outcome").is_in(["charged", "failed"]), pl.col("weight") > 0)
        .join(since_utc, on="vehicle_id", how="left", maintain_order="left")
        .filter(pl.col("since_utc").is_null() | (pl.col("plugged_at_utc") >= pl.col("since_utc")))
    )
    levels = against_usual(readings(attempts), settings)
    valid = without_mended(levels)
    ask, drift = asking(attempts, settings), drift_table(valid, look_back, settings)
    now = recent(
        valid, since_utc, drift.filter(pl.col("category") == "rising")["vehicle_id"], settings
    )
    signs = pl.concat(
        [
            vehicle_signs(evidence),
            once(_trouble_codes(inputs, since_utc, look_back), "trouble_code"),
            once(level_categories(now, settings), "low_side"),
            once(drift.select(pl.col("vehicle_id").alias("unit"), "category"), "drift"),
            once(ask.select(pl.col("vehicle_id").alias("unit"), "category"), "asks"),
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
    )
    odds = fault_odds(
        np.clip(known["p_vehicle"].to_numpy(), LEAST_P, 1 - LEAST_P), verdicts, settings
    )
    table = _suspected(known, odds, verdicts.suspects)
    for frame in [_blamed(evidence), *_measured(levels, now, ask, drift)]:
        table = table.join(frame, on="vehicle_id", how="left")
    table = table.with_columns(
        pl.col("blamed", "blamed_evses").fill_null(0), pl.col("drifting").fill_null(value=False)
    )
    table = table.sort("vehicle_id")
    return Judged(
        table, odds / odds.sum(axis=1, keepdims=True), signs, verdicts, prior, signatures, levels
    )


def fault_odds(attributed: Floats, verdicts: Verdicts, settings: ReferSettings) -> Floats:
    """Odds of each suspect against 'nothing wrong', shape (vehicles, suspects).

    A fault that fails attempts has attribution's odds, shared out by how the failures look; a
    silent one has its own stated prevalence. Both are then multiplied by what the direct signatures
    say.
    """
    odds = (attributed / (1 - attributed))[:, None] * verdicts.looks
    odds[:, [verdicts.suspects.index(s) for s in SILENT]] += settings.silent_prevalence
    return odds * verdicts.direct


def _known(inputs: ReferInputs, attempts: pl.DataFrame) -> pl.DataFrame:
    """Attribution's rows for every vehicle with an attempt in the look-back, with its model, in
    order of id.
    """
    seen = attempts.select("vehicle_id").filter(pl.col("vehicle_id").is_not_null()).unique()
    counts = (
        "ac_attempts",
        "ac_failures",
        "evses_failed_at",
        "early_b_failures",
        "dc_attempts",
        "dc_charged",
    )
    return (
        seen.join(inputs.attributed.vehicles, on="vehicle_id", how="left")
        .join(inputs.fleet.select("vehicle_id", "vehicle_model"), on="vehicle_id", how="left")
        .with_columns(
            pl.col("p_vehicle").fill_null(0.0),
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


def _blamed(evidence: pl.DataFrame) -> pl.DataFrame:
    """`vehicle_id, blamed` (vehicle-caused AC failures expected), `blamed_evses` (EVSEs with half a
    failure or more of them).
    """
    blame = (pl.col("p_vehicle") * pl.col("weight")).fill_null(0.0)
    return (
        evidence.filter(
            pl.col("supply") == "AC",
            pl.col("outcome") == "failed",
            pl.col("vehicle_id").is_not_null(),
        )
        .group_by("vehicle_id", "evse_id", maintain_order=True)
        .agg(blame.sum().alias("blamed"))
        .sort("vehicle_id", "evse_id")
        .group_by("vehicle_id", maintain_order=True)
        .agg(
            pl.col("blamed").sum(),
            (pl.col("blamed") >= HALF).sum().cast(pl.Int64).alias("blamed_evses"),
        )
    )


def _measured(
    levels: pl.DataFrame, now: pl.DataFrame, ask: pl.DataFrame, drift: pl.DataFrame
) -> list[pl.DataFrame]:
    """What the pilot and the two tests over time add to a vehicle's row, each frame one row per
    vehicle.
    """
    low = (
        levels.filter(pl.col("state") == "B2")
        .group_by("vehicle_id")
        .agg(pl.col("low_v").median().alias("pilot_low_v"))
    )
    asks = ask.select(
        "vehicle_id",
        pl.col("category").alias("asks"),
        pl.col("since_utc").alias("silent_since_utc"),
        "plug_ins",
        "not_asked",
    )
    drifts = drift.select(
        "vehicle_id",
        (pl.col("category") == "rising").alias("drifting"),
        "drift_since_utc",
        "above_v",
    )
    return [low, reverse_path(now), asks, drifts]
