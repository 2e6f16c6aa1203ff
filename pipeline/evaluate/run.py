"""Worlds over seeds and scenarios → a table of measures, one row per world, and its summary."""

from __future__ import annotations

import time
from collections.abc import Iterable
from datetime import timedelta

import polars as pl

from pipeline.attribute.attribution import Attribution, attribute
from pipeline.evaluate.measures import average_precision, calibration_error, ratio
from pipeline.evaluate.oracle import oracle_vehicles
from pipeline.evaluate.truth import Truth, attempts_of, truth_of
from pipeline.settings.attribute import AttributeSettings
from sample_logs.generator.spec import WorldSpec
from sample_logs.generator.world import World, simulate_world

CAUSES = ("vehicle", "evse", "pairing", "chance")
BLAME = ("p_vehicle", "p_evse", "p_pairing", "p_other")


def evaluate(
    seeds: Iterable[int], scenarios: Iterable[str], *, vehicles: int, evses: int, weeks: int, settings: AttributeSettings
) -> pl.DataFrame:
    """One row per scenario and seed with the measures of `measure`; every world is simulated afresh."""
    rows = []
    for scenario in scenarios:
        for seed in seeds:
            world = simulate_world(WorldSpec(vehicles, evses, weeks, seed, scenario))
            rows.append({"scenario": scenario, "seed": seed} | evaluate_world(world, settings))
    return pl.DataFrame(rows, infer_schema_length=None)


def summary(table: pl.DataFrame) -> pl.DataFrame:
    """Mean over seeds by scenario, counts summed; ratios are taken of the summed counts, so that empty worlds weigh nothing."""
    counts = [c for c in table.columns if c.startswith("n_")]
    means = [c for c in table.columns if c not in {"scenario", "seed", *counts}]
    return (
        table.group_by("scenario", maintain_order=True)
        .agg(pl.len().alias("seeds"), pl.col(means).fill_nan(None).mean(), pl.col(counts).sum())
        .with_columns(
            refer_precision=pl.col("n_refer_right") / pl.col("n_refer"),
            refer_recall=pl.col("n_found") / pl.col("n_to_find"),
            evse_precision=pl.col("n_evse_right") / pl.col("n_evse_called"),
            evse_recall=pl.col("n_evse_found") / pl.col("n_evse_to_find"),
            onset_coverage=pl.col("n_onset_inside") / pl.col("n_onset"),
        )
    )


def evaluate_world(world: World, settings: AttributeSettings) -> dict[str, float]:
    """All measures of one world; the report week is its last."""
    week = f"{(world.spec.end - timedelta(days=1)):%G-W%V}"
    attempts = attempts_of(world)
    begun = time.perf_counter()
    answer = attribute(attempts, settings, week, look_back_weeks=world.spec.weeks)
    seconds = time.perf_counter() - begun
    truth = truth_of(world)
    oracle = oracle_vehicles(world, attempts, settings, week)
    return {
        "seconds": seconds,
        **_vehicles(answer, truth, oracle),
        **_early_finds(world, answer, truth),
        **_evses(answer, truth),
        **_blame(answer, truth),
    }


def _vehicles(answer: Attribution, truth: Truth, oracle: pl.DataFrame) -> dict[str, float]:
    rows = answer.vehicles.join(truth.vehicles, on="vehicle_id").join(oracle, on="vehicle_id").filter(~pl.col("latent"))
    p, faulty = rows["p_vehicle"].to_numpy(), rows["faulty"].to_numpy()
    called = (rows["verdict"] == "fault").to_numpy()
    best = average_precision(rows["p_oracle"].to_numpy(), faulty)
    mine = average_precision(p, faulty)
    open_ = p > 0.02
    dated = rows.filter((pl.col("verdict") == "fault") & pl.col("faulty") & pl.col("since_utc").is_not_null())
    begin = answer.solutions["AC"].evidence.begin_utc
    inside = dated.filter(
        (pl.col("since_utc").clip(lower_bound=begin) >= pl.col("onset_lo_utc")) & (pl.col("since_utc") <= pl.col("onset_hi_utc"))
        | (pl.col("since_utc") <= begin) & (pl.col("onset_lo_utc") <= begin)
    )
    return {
        "ap": mine,
        "ap_oracle": best,
        "ap_share": ratio(mine, best),
        "ece_vehicle": calibration_error(p, faulty),
        "ece_vehicle_open": calibration_error(p[open_], faulty[open_]),
        "n_refer": int(called.sum()),
        "n_refer_right": int((called & faulty).sum()),
        "n_wrongly_for_others": _wrongly_for_others(answer, truth, rows.filter(pl.Series(called & ~faulty))["vehicle_id"]),
        "n_onset": dated.height,
        "n_onset_inside": inside.height,
    }


def _wrongly_for_others(answer: Attribution, truth: Truth, vehicles: pl.Series) -> int:
    """Sound vehicles called 'fault' whose failures were mostly an EVSE's or a pairing's doing."""
    evidence = answer.solutions["AC"].evidence
    names = pl.concat([evidence.vehicles["vehicle_id"], pl.Series([None], dtype=pl.String)])
    met = pl.DataFrame({"attempt_id": evidence.attempt_id, "vehicle_id": names.gather(evidence.vehicle)})
    causes = met.filter(pl.col("vehicle_id").is_in(vehicles.to_list())).join(truth.causes, on="attempt_id")
    others = causes.group_by("vehicle_id").agg(pl.col("cause").is_in(["evse", "pairing"]).mean().alias("share"))
    return others.filter(pl.col("share") > 0.5).height


def _early_finds(world: World, answer: Attribution, truth: Truth) -> dict[str, float]:
    """Of identifiable faulty vehicles whose third blamed failure lies a week back or more: how many are called."""
    due = truth.vehicles.filter(
        pl.col("faulty") & pl.col("identifiable") & (pl.col("third_utc") < world.spec.end - timedelta(days=7))
    )
    found = due.join(answer.vehicles.filter(pl.col("verdict") == "fault"), on="vehicle_id", how="semi")
    return {"n_to_find": due.height, "n_found": found.height}


def _evses(answer: Attribution, truth: Truth) -> dict[str, float]:
    rows = answer.evses.join(truth.evses, on="evse_id").filter(~pl.col("latent"))
    called = rows.filter(pl.col("verdict") == "fault")
    due = rows.filter(pl.col("faulty") & (pl.col("shown") >= 3) & (pl.col("partners_shown") >= 2))
    return {
        "ece_evse": calibration_error(rows["p_evse"].to_numpy(), rows["faulty"].to_numpy()),
        "n_evse_called": called.height,
        "n_evse_right": int(called["faulty"].sum()),
        "n_evse_to_find": due.height,
        "n_evse_found": due.filter(pl.col("verdict") == "fault").height,
    }


def _blame(answer: Attribution, truth: Truth) -> dict[str, float]:
    rows = answer.blame.join(truth.causes, on="attempt_id")
    p = rows.select(BLAME).to_numpy()
    cause = rows["cause"].replace_strict({c: i for i, c in enumerate(CAUSES)}, return_dtype=pl.Int64).to_numpy()
    return {
        "blame_right": float((p.argmax(axis=1) == cause).mean()),
        "blame_expected": float(p.max(axis=1).mean()),
        "ece_blame_vehicle": calibration_error(p[:, 0], cause == 0),
        "n_failures": len(cause),
    }
