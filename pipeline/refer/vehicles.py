"""What is wrong with each vehicle: attribution's probability, the signs, the pilot's low side, put together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.circuit.reverse_path import GRID_OHM, posterior, reverse_path
from pipeline.refer.asks import asking
from pipeline.refer.drift import drift_table
from pipeline.refer.findings import confirmed, prior_lessons
from pipeline.refer.inputs import ReferInputs, Span
from pipeline.refer.levels import against_usual, readings, recent
from pipeline.refer.signatures import Signature, Verdicts, learnt, limited, weigh
from pipeline.refer.signs import once, vehicle_signs
from pipeline.settings.refer import ReferSettings

Floats = NDArray[np.float64]

DIODE = ("pilot_diode_shorted", "pilot_diode_leaky")
MODEL_WORTH = 5.0
"""Findings of one vehicle model count as much as the fleet's prior once there are so many."""
LEAST_P = 1e-6


@dataclass(frozen=True)
class Judged:
    """All that is thought of the vehicles, before any decision.

    `table`: one row per vehicle. `signs`, `verdicts`, `prior`, `signatures`: what the suspects rest on. `levels`: readings of
    the pilot against each EVSE's usual low side. `asking`, `drift`: the two tests over time.
    """

    table: pl.DataFrame
    signs: pl.DataFrame
    verdicts: Verdicts
    prior: Floats
    signatures: dict[str, Signature]
    levels: pl.DataFrame
    asking: pl.DataFrame
    drift: pl.DataFrame


def since(inputs: ReferInputs, known: pl.DataFrame) -> pl.DataFrame:
    """`vehicle_id, since_utc`: from when a vehicle's attempts speak of its present state; null where there is no bound.

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


def _level_categories(rows: pl.DataFrame, settings: ReferSettings) -> pl.DataFrame:
    """`unit, category` of `low_side` from the posterior of the reverse path; only where it does not rest on one nominal EVSE."""
    sure = rows.filter((~pl.col("nominal")).any().over("vehicle_id") | (pl.col("evse_id").n_unique().over("vehicle_id") > 1))
    vehicles, mass = posterior(sure)
    lifted = mass[:, : np.searchsorted(GRID_OHM, settings.lifted_below_ohm)].sum(axis=1)
    short = mass[:, : np.searchsorted(GRID_OHM, settings.as_shorted_below_ohm)].sum(axis=1)
    return pl.DataFrame({"unit": vehicles, "lifted": lifted, "short": short}, schema_overrides={"unit": pl.String}).select(
        "unit",
        pl.when(pl.col("short") >= settings.lifted_share)
        .then(pl.lit("as_shorted"))
        .when(pl.col("lifted") >= settings.lifted_share)
        .then(pl.lit("lifted"))
        .otherwise(pl.lit("at_usual"))
        .alias("category"),
    )


def _trouble_codes(inputs: ReferInputs, since_utc: pl.DataFrame, span: Span) -> pl.DataFrame:
    """`unit, category` of `trouble_code` from read-outs since the trouble began; confirmed and pending codes count."""
    read = (
        inputs.dtcs.filter(pl.col("at_utc") < span.to_utc)
        .join(since_utc, on="vehicle_id", how="inner")
        .filter(pl.col("at_utc") >= pl.col("since_utc").fill_null(span.from_utc))
    )
    stored = pl.col("dtc").is_not_null() & (pl.col("dtc_status").fill_null("confirmed") != "cleared")
    return (
        read.group_by(pl.col("vehicle_id").alias("unit"))
        .agg(stored.any().alias("stored"))
        .select("unit", pl.when("stored").then(pl.lit("stored")).otherwise(pl.lit("none_stored")).alias("category"))
    )


def priors(vehicles: pl.DataFrame, inputs: ReferInputs, signatures: dict[str, Signature]) -> Floats:
    """Prior over suspects by vehicle, (vehicles, suspects): the declared one with all findings, drawn to the model's own."""
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
    columns = rows["suspect"].replace_strict({s: i for i, s in enumerate(fleet.categories)}, return_dtype=pl.Int64)
    np.add.at(counts, (rows["row"].to_numpy(), columns.to_numpy()), rows["n"].to_numpy())
    total = counts.sum(axis=1, keepdims=True)
    return np.asarray((MODEL_WORTH * fleet.table[0] + counts) / (MODEL_WORTH + total))


def judge_vehicles(inputs: ReferInputs, attempts: pl.DataFrame, span: Span, settings: ReferSettings) -> Judged:
    """Suspects, probabilities and circuit figures of every vehicle with an attempt in the look-back.

    `attempts` as `judged_attempts` gives them. The table's columns: those of out_vehicles but `call`, and `verdict`, `separable`,
    `blamed` (vehicle-caused AC failures expected since the onset), `drifting`, `p_attributed`, `vehicle_model`.
    """
    known = _known(inputs, attempts)
    since_utc = since(inputs, known)
    evidence = (
        attempts.filter(pl.col("outcome").is_in(["charged", "failed"]), pl.col("weight") > 0)
        .join(since_utc, on="vehicle_id", how="left")
        .filter(pl.col("since_utc").is_null() | (pl.col("plugged_at_utc") >= pl.col("since_utc")))
    )
    levels = against_usual(readings(attempts), settings)
    now = recent(levels, since_utc, settings)
    ask, drift = asking(attempts, settings), drift_table(levels, span, settings)
    signs = limited(
        pl.concat(
            [
                vehicle_signs(evidence),
                once(_trouble_codes(inputs, since_utc, span), "trouble_code"),
                once(_level_categories(now, settings), "low_side"),
                once(drift.select(pl.col("vehicle_id").alias("unit"), "category"), "drift"),
                once(ask.select(pl.col("vehicle_id").alias("unit"), "category"), "asks"),
            ]
        ),
        settings.witnesses_at_most,
    )
    signatures = learnt("vehicle", inputs.lessons)
    prior = priors(known, inputs, signatures)
    verdicts = weigh(signs, known["vehicle_id"], signatures, prior, settings.log_weight_cap)
    table = _table(known, verdicts, evidence, levels, now, ask, drift)
    return Judged(table, signs, verdicts, prior, signatures, levels, ask, drift)


def _known(inputs: ReferInputs, attempts: pl.DataFrame) -> pl.DataFrame:
    """Attribution's rows for every vehicle with an attempt in the look-back, with its model, in order of id."""
    seen = attempts.select("vehicle_id").filter(pl.col("vehicle_id").is_not_null()).unique()
    counts = ("ac_attempts", "ac_failures", "evses_failed_at", "early_b_failures", "dc_attempts", "dc_charged")
    return (
        seen.join(inputs.attributed.vehicles, on="vehicle_id", how="left")
        .join(inputs.fleet.select("vehicle_id", "vehicle_model"), on="vehicle_id", how="left")
        .with_columns(
            pl.col("p_vehicle").fill_null(0.0),
            pl.col("verdict").fill_null("thin"),
            pl.col("separable").fill_null(value=False),
            pl.col(counts).fill_null(0),
            pl.col("reason").fill_null("no attempt that charged or failed in the look-back."),
        )
        .sort("vehicle_id")
    )


def _table(
    known: pl.DataFrame, verdicts: Verdicts, evidence: pl.DataFrame, levels: pl.DataFrame, now: pl.DataFrame,
    ask: pl.DataFrame, drift: pl.DataFrame,
) -> pl.DataFrame:  # fmt: skip
    attributed = np.clip(known["p_vehicle"].to_numpy(), LEAST_P, 1 - LEAST_P)
    odds = attributed / (1 - attributed) * verdicts.direct_odds
    p_vehicle = odds / (1 + odds)
    best = verdicts.given_fault.argmax(axis=1)
    diode = verdicts.given_fault[:, [verdicts.suspects.index(s) for s in DIODE]].sum(axis=1)
    failed = evidence.filter(pl.col("supply") == "AC", pl.col("outcome") == "failed")
    blamed = failed.group_by("vehicle_id").agg((pl.col("p_vehicle") * pl.col("weight")).sum().alias("blamed"))
    low = levels.filter(pl.col("state") == "B2").group_by("vehicle_id").agg(pl.col("low_v").median().alias("pilot_low_v"))
    table = known.with_columns(
        pl.Series("p_attributed", attributed),
        pl.Series("p_vehicle", p_vehicle),
        pl.Series("p_diode", p_vehicle * diode),
        pl.Series("suspect", [verdicts.suspects[i] for i in best], dtype=pl.String),
        pl.Series("p_suspect", verdicts.given_fault[np.arange(best.size), best]),
    )
    extra = [
        blamed,
        low,
        reverse_path(now),
        ask.select("vehicle_id", pl.col("category").alias("asks"), pl.col("since_utc").alias("silent_since_utc")),
        drift.select("vehicle_id", (pl.col("category") == "rising").alias("drifting"), "drift_since_utc", "above_v"),
    ]
    for frame in extra:
        table = table.join(frame, on="vehicle_id", how="left")
    return table.with_columns(pl.col("blamed").fill_null(0.0), pl.col("drifting").fill_null(value=False))
