"""Attribution of a week: attempts in, blame and verdicts out.  Pure: frames in, frames out."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from pipeline.attribute.baseline.warm import WarmStart, remember, starting_fit
from pipeline.attribute.evidence import gather
from pipeline.attribute.report.frames import blame_frame, unit_frame, week_frame
from pipeline.attribute.states.solve import EVSE, PAIRING, VEHICLE, Solution, solve
from pipeline.core.errors import NotEnoughDataError
from pipeline.settings.attribute import AttributeSettings

SUPPLIES = ("AC", "DC")
DIGITS = 9
"""Decimals of what is said; answers agree to 1e-6 whatever the search's start."""


@dataclass(frozen=True)
class Attribution:
    """Answer for one report week.

    - `blame`: one row per failed attempt, `attempt_id p_vehicle p_evse p_pairing p_other` (sum 1).
    - `vehicles`: one row per vehicle with a technical attempt in the look-back; `p_vehicle` is the
      probability that its AC
      fault state is on at the
      end of the report week, `p_vehicle_dc` the same of its DC state; onset and its interval are
      null where it is not suspected.
    - `evses` (per EVSE and coupler), `pairings` (vehicle model x EVSE model x firmware, per
      supply): the same.
    - `vehicle_weeks`, `evse_weeks`: the probability at each week's end, per supply.
    - `solutions`: by supply, what `why` explains from.  `warm`: hand it to next week's call.
    """

    week: str
    blame: pl.DataFrame
    vehicles: pl.DataFrame
    evses: pl.DataFrame
    pairings: pl.DataFrame
    vehicle_weeks: pl.DataFrame
    evse_weeks: pl.DataFrame
    warm: WarmStart
    solutions: dict[str, Solution] = field(repr=False)


def attribute(
    attempts: pl.DataFrame,
    settings: AttributeSettings,
    week: str,
    warm: WarmStart | None = None,
    *,
    look_back_weeks: int = 12,
) -> Attribution:
    """Say for each failed attempt of the look-back whether vehicle, EVSE, pairing or chance
    explains it, and who is at fault now.

    `attempts`: one row per charge attempt (core_attempt with `weight`, `diode_check`); only
    'charged' and 'failed' of known supply are evidence. Raises NotEnoughDataError where the
    look-back holds none, SchemaError where a column is absent.
    """
    solutions = {}
    for supply in SUPPLIES:
        evidence = gather(attempts, settings, week, supply, look_back_weeks)
        if evidence.day.size:
            solutions[supply] = solve(evidence, settings, starting_fit(warm, supply, evidence))
    if not solutions:
        raise NotEnoughDataError(
            f"no charged or failed attempt in the {look_back_weeks} weeks to {week}",
            next_step="report a week the deliveries cover",
        )
    return Attribution(
        week=week,
        blame=_said(pl.concat([blame_frame(s) for s in solutions.values()])),
        vehicles=_said(_vehicles(attempts, solutions, settings)),
        evses=_said(_stacked(solutions, EVSE, settings)).rename(
            {"p": "p_evse", "partners": "vehicles", "partners_failed": "vehicles_failed"}
        ),
        pairings=_said(_stacked(solutions, PAIRING, settings)).rename(
            {"p": "p_pairing", "partners": "evses", "partners_failed": "evses_failed"}
        ),
        vehicle_weeks=_said(_weeks(solutions, VEHICLE, ["vehicle_id"])),
        evse_weeks=_said(_weeks(solutions, EVSE, ["evse_id", "coupler"])),
        warm=remember(solutions),
        solutions=solutions,
    )


def _said(frame: pl.DataFrame) -> pl.DataFrame:
    """The answer to the digits that are meant.

    The last ones of a sum depend on the process, and a week told again must not.
    """
    return frame.with_columns(
        pl.col(pl.Float64).round(DIGITS), pl.col(pl.Datetime("us", "UTC")).dt.round("1ms")
    )


def _stacked(
    solutions: dict[str, Solution], kind: int, settings: AttributeSettings
) -> pl.DataFrame:
    return pl.concat(
        [
            unit_frame(s, kind, settings).with_columns(pl.lit(supply).alias("supply"))
            for supply, s in solutions.items()
        ]
    )


def _weeks(solutions: dict[str, Solution], kind: int, keys: list[str]) -> pl.DataFrame:
    frames = []
    for supply, solution in solutions.items():
        names = (solution.evidence.vehicles, solution.evidence.evses)[kind].select(keys)
        frames.append(
            week_frame(solution, kind, names, "p_fault").with_columns(
                pl.lit(supply).alias("supply")
            )
        )
    return pl.concat(frames)


def _vehicles(
    attempts: pl.DataFrame, solutions: dict[str, Solution], settings: AttributeSettings
) -> pl.DataFrame:
    """AC rows lead; DC adds its own probability and counts.

    A vehicle never seen on AC is 'insufficient_data' there.
    """
    stacked = _stacked(solutions, VEHICLE, settings)
    ac = stacked.filter(pl.col("supply") == "AC").drop("supply")
    ac = ac.rename(
        {
            "p": "p_vehicle",
            "attempts": "ac_attempts",
            "failures": "ac_failures",
            "partners": "evses",
            "partners_failed": "evses_failed_at",
        }
    )
    dc = stacked.filter(pl.col("supply") == "DC").select(
        "vehicle_id",
        pl.col("p").alias("p_vehicle_dc"),
        pl.col("attempts").alias("dc_attempts"),
        (pl.col("attempts") - pl.col("failures")).alias("dc_charged"),
        pl.col("verdict").alias("verdict_dc"),
        pl.col("reason").alias("reason_dc"),
    )
    used = solutions.values()
    rows = pl.concat([s.evidence.attempt_id.gather(s.failed).to_frame() for s in used])
    early = (
        attempts.filter(pl.col("supply") == "AC", pl.col("early_b").fill_null(value=False))
        .join(rows, on="attempt_id", how="semi")
        .group_by("vehicle_id")
        .agg(pl.len().alias("early_b_failures"))
    )
    whole = ac.join(dc, on="vehicle_id", how="full", coalesce=True).join(
        early, on="vehicle_id", how="left"
    )
    zero = (
        "ac_attempts",
        "ac_failures",
        "evses",
        "evses_failed_at",
        "early_b_failures",
        "dc_attempts",
        "dc_charged",
    )
    return whole.with_columns(
        pl.col(*zero).fill_null(0),
        pl.col("verdict").fill_null("insufficient_data"),
        pl.col("separable").fill_null(value=False),
        pl.col("reason").fill_null("no AC attempt in the look-back."),
    ).sort("vehicle_id")
