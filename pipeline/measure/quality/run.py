"""Worlds over fleets, scenarios and seeds → a row of measures a world, its probabilities by bin,
and the sums over seeds.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from pipeline.attribute.attribution import Attribution, attribute
from pipeline.measure.quality.measures import (
    average_precision,
    calibration_error,
    ratio,
    reliability,
)
from pipeline.measure.quality.oracle import oracle_vehicles
from pipeline.measure.quality.truth import Truth, attempts_of, truth_of
from pipeline.settings.attribute import AttributeSettings
from sample_logs.generator.spec import WorldSpec
from sample_logs.generator.world import World, simulate_world

CAUSES = ("vehicle", "evse", "pairing", "chance")
BLAME = ("p_vehicle", "p_evse", "p_pairing", "p_other")
COUNTED_FROM = 0.02
"""Vehicles that are said to be at fault with more than this are measured apart: nearly all others are near nought."""


@dataclass(frozen=True)
class Fleet:
    """Worlds of one size: vehicles, EVSEs, and how many seeds."""

    vehicles: int
    evses: int
    seeds: int

    def __str__(self) -> str:
        """The size as tables name it."""
        return f"{self.vehicles:,} × {self.evses:,}"


@dataclass(frozen=True)
class Evaluation:
    """`worlds`: a row per scenario, fleet and seed, counts named `n_`. `bins`.

    `reliability` of each, by `unit`.
    """

    worlds: pl.DataFrame
    bins: pl.DataFrame


def evaluate(
    fleets: Iterable[Fleet],
    scenarios: Iterable[str],
    *,
    first_seed: int,
    weeks: int,
    settings: AttributeSettings,
    tell: Callable[[str], None] = lambda _: None,
) -> Evaluation:
    """Attribute worlds whose truth is known; each is simulated afresh, and told of when done."""
    rows, bins = [], []
    for scenario in scenarios:
        for fleet in fleets:
            for seed in range(first_seed, first_seed + fleet.seeds):
                world = simulate_world(
                    WorldSpec(fleet.vehicles, fleet.evses, weeks, seed, scenario)
                )
                which = {"scenario": scenario, "fleet": str(fleet), "seed": seed}
                measures, by_bin = evaluate_world(world, settings)
                rows.append(which | measures)
                tell(f"{scenario}, {fleet}, seed {seed}: attributed in {measures['seconds']:.1f} s")
                bins.append(
                    by_bin.select(
                        *(pl.lit(value).alias(name) for name, value in which.items()), pl.all()
                    )
                )
    return Evaluation(pl.DataFrame(rows, infer_schema_length=None), pl.concat(bins))


def summary(evaluation: Evaluation) -> pl.DataFrame:
    """By scenario and fleet.

    Mean over seeds, counts summed, and calibration of all seeds' probabilities together.
    """
    worlds = evaluation.worlds
    key = ["scenario", "fleet"]
    counts = [c for c in worlds.columns if c.startswith("n_")]
    means = [c for c in worlds.columns if c not in {*key, "seed", *counts}]
    gathered = worlds.group_by(key, maintain_order=True).agg(
        pl.len().alias("seeds"), pl.col(means).fill_nan(None).mean(), pl.col(counts).sum()
    )
    for unit in evaluation.bins["unit"].unique(maintain_order=True):
        pooled = pooled_bins(evaluation.bins.filter(pl.col("unit") == unit))
        gap = (pl.col("said") - pl.col("true")).abs().sum() / pl.col("units").sum()
        gathered = gathered.join(
            pooled.group_by(key).agg(gap.alias(f"ece_{unit}_pooled")),
            on=key,
            how="left",
            maintain_order="left",
        )
    return gathered


def pooled_bins(bins: pl.DataFrame) -> pl.DataFrame:
    """Bins of all seeds together, one row per scenario, fleet, unit and bin that holds anything."""
    key = ["scenario", "fleet", "unit", "bin"]
    return (
        bins.group_by(key, maintain_order=True)
        .agg(pl.col("units", "said", "true").sum())
        .filter(pl.col("units") > 0)
    )


def evaluate_world(
    world: World, settings: AttributeSettings
) -> tuple[dict[str, float], pl.DataFrame]:
    """All measures of one world, and its probabilities by `unit` and bin.

    The report week is its last.
    """
    week = f"{(world.spec.end - timedelta(days=1)):%G-W%V}"
    attempts = attempts_of(world)
    begun = time.perf_counter()
    answer = attribute(attempts, settings, week, look_back_weeks=world.spec.weeks)
    seconds = time.perf_counter() - begun
    truth = truth_of(world)
    vehicles = answer.vehicles.join(truth.vehicles, on="vehicle_id").filter(~pl.col("latent"))
    evses = answer.evses.join(truth.evses, on="evse_id").filter(~pl.col("latent"))
    oracle = oracle_vehicles(world, attempts, settings, week)
    measures = {
        "seconds": seconds,
        **_vehicles(answer, truth, vehicles.join(oracle, on="vehicle_id")),
        **_early_finds(world, answer, truth),
        **_evses(evses),
        **_blame(answer, truth),
    }
    counted = vehicles.filter(pl.col("p_vehicle") > COUNTED_FROM)
    units = {
        "vehicle": (vehicles, "p_vehicle"),
        "counted_vehicle": (counted, "p_vehicle"),
        "evse": (evses, "p_evse"),
    }
    bins = [
        reliability(rows[p].to_numpy(), rows["faulty"].to_numpy()).select(
            pl.lit(unit).alias("unit"), pl.all()
        )
        for unit, (rows, p) in units.items()
    ]
    return measures, pl.concat(bins)


def _vehicles(answer: Attribution, truth: Truth, rows: pl.DataFrame) -> dict[str, float]:
    p, faulty = rows["p_vehicle"].to_numpy(), rows["faulty"].to_numpy()
    called = (rows["verdict"] == "fault").to_numpy()
    best = average_precision(rows["p_oracle"].to_numpy(), faulty)
    mine = average_precision(p, faulty)
    counted = p > COUNTED_FROM
    dated = rows.filter(
        (pl.col("verdict") == "fault") & pl.col("faulty") & pl.col("since_utc").is_not_null()
    )
    begin = answer.solutions["AC"].evidence.begin_utc
    inside = dated.filter(
        (pl.col("since_utc").clip(lower_bound=begin) >= pl.col("onset_lo_utc"))
        & (pl.col("since_utc") <= pl.col("onset_hi_utc"))
        | (pl.col("since_utc") <= begin) & (pl.col("onset_lo_utc") <= begin)
    )
    return {
        "ap": mine,
        "ap_oracle": best,
        "ap_share": ratio(mine, best),
        "ece_vehicle": calibration_error(p, faulty),
        "ece_counted_vehicle": calibration_error(p[counted], faulty[counted]),
        "n_refer": int(called.sum()),
        "n_refer_right": int((called & faulty).sum()),
        "n_wrongly_for_others": _wrongly_for_others(
            answer, truth, rows.filter(pl.Series(called & ~faulty))["vehicle_id"]
        ),
        "n_onset": dated.height,
        "n_onset_inside": inside.height,
    }


def _wrongly_for_others(answer: Attribution, truth: Truth, vehicles: pl.Series) -> int:
    """Sound vehicles called 'fault' whose failures were mostly an EVSE's or a pairing's doing."""
    evidence = answer.solutions["AC"].evidence
    names = pl.concat([evidence.vehicles["vehicle_id"], pl.Series([None], dtype=pl.String)])
    met = pl.DataFrame(
        {"attempt_id": evidence.attempt_id, "vehicle_id": names.gather(evidence.vehicle)}
    )
    causes = met.filter(pl.col("vehicle_id").is_in(vehicles.to_list())).join(
        truth.causes, on="attempt_id"
    )
    others = causes.group_by("vehicle_id").agg(
        pl.col("cause").is_in(["evse", "pairing"]).mean().alias("share")
    )
    return others.filter(pl.col("share") > 0.5).height


def _early_finds(world: World, answer: Attribution, truth: Truth) -> dict[str, float]:
    """Of identifiable faulty vehicles whose third blamed failure lies a week back or more.

    How many are called.
    """
    due = truth.vehicles.filter(
        pl.col("faulty")
        & pl.col("identifiable")
        & (pl.col("third_utc") < world.spec.end - timedelta(days=7))
    )
    found = due.join(
        answer.vehicles.filter(pl.col("verdict") == "fault"), on="vehicle_id", how="semi"
    )
    return {"n_to_find": due.height, "n_found": found.height}


def _evses(rows: pl.DataFrame) -> dict[str, float]:
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
    cause = (
        rows["cause"]
        .replace_strict({c: i for i, c in enumerate(CAUSES)}, return_dtype=pl.Int64)
        .to_numpy()
    )
    return {
        "blame_right": float((p.argmax(axis=1) == cause).mean()),
        "blame_expected": float(p.max(axis=1).mean()),
        "ece_blame_vehicle": calibration_error(p[:, 0], cause == 0),
        "n_failures": len(cause),
    }
