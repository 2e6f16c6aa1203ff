"""Frames of the answer.

One row per vehicle, EVSE, pairing, vehicle and week, and failed attempt.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl

from pipeline.attribute.baseline.laplace import Ints
from pipeline.attribute.evidence import Evidence
from pipeline.attribute.report.wording import reasons
from pipeline.attribute.states.identify import enough_to_clear, power
from pipeline.attribute.states.messages import level_escape
from pipeline.attribute.states.onset import onset_days
from pipeline.attribute.states.solve import EVSE, PAIRING, VEHICLE, Solution
from pipeline.settings.attribute import AttributeSettings


def blame_frame(solution: Solution) -> pl.DataFrame:
    """One row per failed attempt: attempt_id, p_vehicle, p_evse, p_pairing, p_other (sum 1)."""
    names = ("p_vehicle", "p_evse", "p_pairing", "p_other")
    rows = {"attempt_id": solution.evidence.attempt_id.gather(solution.failed)}
    return pl.DataFrame(rows | {name: pl.Series(solution.blame[k]) for k, name in enumerate(names)})


def week_frame(solution: Solution, kind: int, names: pl.DataFrame, p_name: str) -> pl.DataFrame:
    """One row per unit and week with an attempt.

    Week_start_utc, probability that the fault state is on at the week's end, attempts, failures.
    """
    evidence = solution.evidence
    unit = (evidence.vehicle, evidence.evse, evidence.pairing)[kind]
    weeks = evidence.days // 7
    known = unit < names.height
    slot = (unit * weeks + evidence.day // 7)[known]
    length = names.height * weeks
    tried = np.bincount(slot, minlength=length)
    missed = np.bincount(slot, evidence.failed[known], length)
    on = solution.units[kind].probability[: names.height, 6::7]
    where = np.flatnonzero(tried > 0)
    starts = pl.Series(
        "week_start_utc",
        [evidence.begin_utc + timedelta(weeks=w) for w in range(weeks)],
        dtype=pl.Datetime("us", "UTC"),
    )
    return names[where // weeks].with_columns(
        starts.gather(where % weeks),
        pl.Series(p_name, on.ravel()[where]),
        pl.Series("attempts", tried[where]),
        pl.Series("failures", missed[where].astype(np.int64)),
    )


def onset_columns(
    solution: Solution, kind: int, units: int, settings: AttributeSettings
) -> dict[str, pl.Series]:
    """Median and central interval of when the present fault began.

    Null where the unit is not suspected now.
    """
    evidence, states = solution.evidence, solution.units[kind]
    now = states.lately(settings.report_days)[:units]
    shown = np.flatnonzero(now >= settings.doubt_at)
    tail = 0.5 * (1.0 - settings.interval)
    names, levels = ("onset_utc", "onset_lo_utc", "onset_hi_utc"), (0.5, tail, 1.0 - tail)
    prior = (settings.vehicle, settings.evse, settings.pairing)[kind]
    unit = (evidence.vehicle, evidence.evse, evidence.pairing)[kind]
    mine = np.isin(unit, shown)
    part = evidence.only(mine)
    escape, others = level_escape(prior, solution.seen[mine]), solution.held(kind)[mine]
    days = onset_days(part, unit[mine], escape, others, states.model, shown, levels).days
    columns = {}
    for name, value in zip(names, days, strict=True):
        micros = np.zeros(units, dtype=np.int64)
        micros[shown] = np.round(value * 86_400e6).astype(np.int64)
        begin = pl.lit(evidence.begin_utc).cast(pl.Datetime("us", "UTC"))
        frame = pl.DataFrame({"at": micros, "shown": now >= settings.doubt_at})
        columns[name] = frame.select(
            pl.when("shown").then(begin + pl.duration(microseconds="at")).alias(name)
        ).to_series()
    return columns


def unit_frame(solution: Solution, kind: int, settings: AttributeSettings) -> pl.DataFrame:
    """One row per unit met in the look-back, with probability, onset, counts, power and verdict
    (columns see `attribute`).
    """
    evidence = solution.evidence
    names = (evidence.vehicles, evidence.evses, evidence.pairings)[kind]
    columns = (evidence.vehicle, evidence.evse, evidence.pairing)
    other_kind = EVSE if kind in {VEHICLE, PAIRING} else VEHICLE
    unit, other = columns[kind], columns[other_kind]
    sizes = (evidence.sizes[kind], evidence.sizes[other_kind])
    priors = (settings.vehicle, settings.evse, settings.pairing)
    states = solution.units[kind]
    units = names.height
    now = states.lately(settings.report_days)[:units]
    pair = (priors[kind], priors[other_kind])
    strength = power(
        evidence, unit, other, sizes, pair, solution.held(other_kind), solution.chance.typical
    )
    onset = onset_columns(solution, kind, units, settings)
    begun = (onset["onset_lo_utc"] - evidence.begin_utc).dt.total_microseconds().fill_null(
        0
    ).to_numpy() / 86_400e6
    recent = np.append(begun, 0.0)[np.minimum(unit, units)] <= evidence.at_days
    counts = {
        "attempts": np.bincount(unit, minlength=sizes[0]),
        "failures": np.bincount(unit, evidence.failed, sizes[0]).astype(np.int64),
        "partners": _distinct(unit, other, np.ones(len(unit), dtype=bool), sizes),
        "partners_failed": _distinct(unit, other, evidence.failed > 0, sizes),
        "partners_failed_lately": _distinct(unit, other, (evidence.failed > 0) & recent, sizes),
        "attempts_lately": strength.attempts,
        "separable_bits": strength.bits,
    }
    frame = names.with_columns(
        pl.Series("p", now),
        *onset.values(),
        *(pl.Series(name, values[:units]) for name, values in counts.items()),
        pl.Series("can_clear", enough_to_clear(strength.attempts[:units], settings)),
        pl.Series("p_chronic", states.chronic(settings.report_days)[:units]),
        _since(evidence, unit, units, onset["onset_utc"]),
    )
    fault_at = settings.fault_at if kind == VEHICLE else settings.equipment_fault_at
    return reasons(
        with_verdict(frame, settings, fault_at), ("vehicle", "EVSE", "pairing")[kind], settings
    )


def _since(evidence: Evidence, unit: Ints, units: int, onset: pl.Series) -> pl.Series:
    """When each unit began to fail, in words (units,).

    A fault that was there at its first attempt has no date.
    """
    first = np.full(units, evidence.days, dtype=np.int64)
    known = unit < units
    np.minimum.at(first, unit[known], evidence.day[known])
    day = onset.dt.strftime("%Y-%m-%d")
    begin = pl.lit(evidence.begin_utc).cast(pl.Datetime("us", "UTC"))
    opening = int(evidence.day.min())
    before = "before the logs begin" if evidence.cut or opening > 0 else "before the look-back"
    frame = pl.DataFrame(
        {
            "day": day,
            "early": onset < evidence.begin_utc + timedelta(days=opening + 1),
            "first": first,
        }
    )
    met = pl.format(
        "its first attempt, {}", (begin + pl.duration(days="first")).dt.strftime("%Y-%m-%d")
    )
    words = (
        pl.when(pl.col("early") & (pl.col("first") <= opening + 1)).then(pl.lit(before))
        .when("early").then(met)
        .otherwise(pl.format("about {}", "day"))
    )  # fmt: skip
    return frame.select(words.alias("since")).to_series()


def with_verdict(frame: pl.DataFrame, settings: AttributeSettings, fault_at: float) -> pl.DataFrame:
    """Add `separable` and `verdict`.

    Never 'fault' on one partner alone, or where the design cannot separate the unit from its
    partners.
    """
    separable = pl.col("separable_bits") >= settings.separable_bits
    widely = (pl.col("partners") >= settings.partners_at_least) & (
        pl.col("partners_failed_lately") >= settings.partners_at_least
    )
    likely, open_ = pl.col("p") >= fault_at, pl.col("p") >= settings.doubt_at
    return frame.with_columns(separable.alias("separable")).with_columns(
        pl.when(likely & widely & pl.col("separable"))
        .then(pl.lit("fault"))
        .when(open_)
        .then(pl.lit("doubt"))
        .when(pl.col("can_clear"))
        .then(pl.lit("clear"))
        .otherwise(pl.lit("insufficient_data"))
        .alias("verdict")
    )


def _distinct(unit: Ints, other: Ints, keep: np.ndarray, sizes: tuple[int, int]) -> Ints:
    """Number of distinct partners of each unit among the kept attempts."""
    pairs = np.unique(unit[keep] * sizes[1] + other[keep])
    return np.bincount(pairs // sizes[1], minlength=sizes[0])
