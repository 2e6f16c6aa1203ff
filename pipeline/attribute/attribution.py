"""Attribution of a week: attempts in, blame and verdicts out.  Pure: frames in, frames out."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from pipeline.attribute.evidence import evidence_of, telling
from pipeline.attribute.report.frames import blame_frame, site_frame, week_frame
from pipeline.attribute.report.unit_frames import unit_frame
from pipeline.attribute.states.kinds import EVSE, PAIRING, VEHICLE
from pipeline.attribute.states.solution import Solution
from pipeline.attribute.states.solve import solve
from pipeline.core.errors import NotEnoughDataError
from pipeline.core.weeks import LookBack
from pipeline.settings.attribute import AttributeSettings

SUPPLIES = ("AC", "DC")
DIGITS = 9
"""Decimals of what is said; the last ones of a sum depend on the process."""


@dataclass(frozen=True)
class Attribution:
    """Answer for one report week.

    - `blame`: one row per attempt that failed or was silent: `attempt_id p_vehicle p_evse p_pairing
      p_other` (sum 1), `silent`, and `p_site`, the part of p_other due to a passing event.
    - `vehicles`: one row per vehicle with an attempt that tells in the look-back; `p_vehicle` is
      the probability that its AC fault is there at the end of the report week, failing or silent,
      biting or resting; `p_vehicle_dc` the same on DC; `fault_kind` what it is like, `p_silent` that it
      keeps silent, `p_mute` that it does nothing else,
      `p_height` the highest of any day since its last told repair; onset and its interval are null where it is not suspected;
      `separable_bits` are log2 odds against the best rival story, which blames `rival`.
    - `evses` (per EVSE and coupler), `pairings` (vehicle model x EVSE model x firmware, per
      supply): the same; a pairing is `past` where it was at fault and no longer is.
    - `vehicle_weeks`, `evse_weeks`: the probability at each week's end, per supply.
    - `site_events`: passing events of whole sites.
    - `solutions`: by supply, what `why` explains from.
    """

    week: str
    blame: pl.DataFrame
    vehicles: pl.DataFrame
    evses: pl.DataFrame
    pairings: pl.DataFrame
    vehicle_weeks: pl.DataFrame
    evse_weeks: pl.DataFrame
    site_events: pl.DataFrame
    solutions: dict[str, Solution] = field(repr=False)


def attribute(
    attempts: pl.DataFrame,
    settings: AttributeSettings,
    week: str,
    *,
    look_back_weeks: int = 12,
    repairs: pl.DataFrame | None = None,
) -> Attribution:
    """Say for each failed or silent attempt of the look-back whether vehicle, EVSE, pairing or
    chance explains it, and who is at fault now.

    `attempts`: one row per charge attempt (core_attempt with `weight`, `diode_check`); 'charged',
    'failed' and silent ones of known supply are evidence. `repairs`: `vehicle_id, repaired_at_utc` of
    all vehicles' repairs told by the week's end; None where nobody tells of them. Raises NotEnoughDataError where the
    look-back holds none, SchemaError where a column is absent.
    """
    solutions = {}
    told, look_back = telling(attempts, week, look_back_weeks), LookBack.of(week, look_back_weeks)
    for supply in SUPPLIES:
        evidence = evidence_of(told, settings, look_back, supply, repairs)
        if evidence.day.size:
            solutions[supply] = solve(evidence, settings)
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
            {"p": "p_pairing", "partners": "vehicles", "partners_failed": "vehicles_failed"}
        ),
        vehicle_weeks=_said(_weeks(solutions, VEHICLE)),
        evse_weeks=_said(_weeks(solutions, EVSE)),
        site_events=_said(_events(solutions)),
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


def _weeks(solutions: dict[str, Solution], kind: int) -> pl.DataFrame:
    return pl.concat(
        [
            week_frame(solution, kind, "p_fault").with_columns(pl.lit(supply).alias("supply"))
            for supply, solution in solutions.items()
        ]
    )


def _events(solutions: dict[str, Solution]) -> pl.DataFrame:
    return pl.concat(
        [
            site_frame(solution).with_columns(pl.lit(supply).alias("supply"))
            for supply, solution in solutions.items()
        ]
    )


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
            "partners_silent": "evses_silent_at",
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
    failed = [
        s.evidence.attempt_id.filter(pl.Series(s.evidence.failed)) for s in solutions.values()
    ]
    rows = pl.concat(failed).to_frame()
    early = (
        attempts.select("attempt_id", "vehicle_id", "supply", "early_b")
        .filter(pl.col("supply") == "AC", pl.col("early_b").fill_null(value=False))
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
        "silent",
        "silent_lately",
        "asked_lately",
        "evses_silent_at",
        "partners_failed_lately",
        "separable_bits",
        "p_silent",
        "p_mute",
        "p_height",
    )
    return whole.with_columns(
        pl.col(*zero).fill_null(0),
        pl.col("verdict").fill_null("insufficient_data"),
        pl.col("separable").fill_null(value=False),
        pl.col("reason").fill_null("no AC attempt in the look-back."),
    ).sort("vehicle_id")
