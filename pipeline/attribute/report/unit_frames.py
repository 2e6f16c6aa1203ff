"""Frames of the units: one row per vehicle, EVSE or pairing, with its verdict and its reason."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.attribute.evidence import NO_REPAIRS
from pipeline.attribute.report.unit_counts import unit_counts
from pipeline.attribute.report.verdict import since_words, with_verdict
from pipeline.attribute.report.wording import grounds, reasons
from pipeline.attribute.states.identify import posterior_odds
from pipeline.attribute.states.kinds import EVSE, PAIRING, VEHICLE
from pipeline.attribute.states.likelihood import Solved
from pipeline.attribute.states.model import Floats
from pipeline.attribute.states.onset import onset_days
from pipeline.attribute.states.solution import Solution
from pipeline.settings.attribute import AttributeSettings


def unit_frame(solution: Solution, kind: int, settings: AttributeSettings) -> pl.DataFrame:
    """One row per listed unit met in the look-back (columns see `attribute`)."""
    evidence, states = solution.evidence, solution.units[kind]
    names = evidence.names[kind].filter("listed").drop("listed")
    units = names.height
    now = states.lately(settings.report_days)[:units]
    onset = onset_columns(solution, kind, units, settings)
    begun_days, median_days = (
        (onset[name] - evidence.begin_utc).dt.total_microseconds().to_numpy() / 86_400e6
        for name in ("onset_lo_utc", "onset_utc")
    )
    counted_days = begun_days if kind == VEHICLE else median_days
    frame = names.with_columns(
        pl.Series("p", now),
        pl.Series("p_peak", states.probability[:units].max(axis=1)),
        *onset.values(),
        *unit_counts(evidence, kind, units, begun_days, settings),
        *_characters(solution, kind, units, settings),
        *_odds(solution, kind, now, np.nan_to_num(counted_days), settings),
        since_words(evidence, evidence.columns[kind], units, onset["onset_utc"]),
        pl.lit(solution.chance.typical).alias("fleet_rate"),
    )
    if kind == PAIRING:
        frame = _past(solution, frame, settings)
    names_of_kind = ("vehicle", "EVSE", "pairing")
    told = with_verdict(frame, settings, equipment=kind != VEHICLE)
    told = reasons(told, names_of_kind[kind], settings)
    return grounds(told, names_of_kind[kind], settings) if kind == EVSE else told


def open_from(kind: int, settings: AttributeSettings) -> float:
    """Probability from which a unit's onset and rivals are worked out: of an EVSE lower, since how its failures look is yet to be
    weighed.
    """
    return settings.evse_open_at if kind == EVSE else settings.doubt_at


def onset_columns(
    solution: Solution, kind: int, units: int, settings: AttributeSettings
) -> dict[str, pl.Series]:
    """Median and central interval of when the present fault began.

    Null where the question is not open now.
    """
    evidence, states = solution.evidence, solution.units[kind]
    now = states.lately(settings.report_days)[:units]
    open_ = now >= open_from(kind, settings)
    shown = np.flatnonzero(open_)
    tail = 0.5 * (1.0 - settings.interval)
    names, levels = ("onset_utc", "onset_lo_utc", "onset_hi_utc"), (0.5, tail, 1.0 - tail)
    unit = evidence.columns[kind]
    solved = Solved(solution.reach, solution.held(kind))
    repairs = evidence.repairs if kind == VEHICLE else NO_REPAIRS
    days = onset_days(evidence, unit, solved, states.model, shown, levels, repairs).days
    columns = {}
    for name, value in zip(names, days, strict=True):
        micros = np.zeros(units, dtype=np.int64)
        micros[shown] = np.round(value * 86_400e6).astype(np.int64)
        begin = pl.lit(evidence.begin_utc).cast(pl.Datetime("us", "UTC"))
        frame = pl.DataFrame({"at": micros, "shown": open_})
        columns[name] = frame.select(
            pl.when("shown").then(begin + pl.duration(microseconds="at")).alias(name)
        ).to_series()
    return columns


def _characters(
    solution: Solution, kind: int, units: int, settings: AttributeSettings
) -> list[pl.Series]:
    """`fault_kind`: what the likeliest fault state now is like; null where it is not suspected.

    `p_silent`: probability of one that keeps silent, `p_mute`: that does nothing else; `p_chronic`: of a rate it has had all along
    without a fault; `p_height`: the highest of any day since the last told repair.
    """
    states = solution.units[kind]
    belief, model = states.state_now(settings.report_days)[:units], states.model
    masks = {
        "intermittent": model.of_character("intermittent", "resting"),
        **{
            name: model.of_character(name)
            for name in ("steady", "silent", "half_silent", "chronic")
        },
    }
    mass = np.stack([belief @ mask for mask in masks.values()])
    shown = (belief @ model.fault_mask) >= open_from(kind, settings)
    names = np.array(list(masks))[mass.argmax(axis=0)]
    kinds = pl.Series("fault_kind", np.where(shown, names, ""), dtype=pl.String)
    chronic = belief @ (1.0 - model.fault_mask - model.usual)
    return [
        kinds.replace("", None),
        pl.Series("p_silent", belief @ model.of_character("silent", "half_silent")),
        pl.Series("p_mute", belief @ model.of_character("silent")),
        pl.Series("p_chronic", chronic),
        pl.Series("p_height", _height(solution, kind, units)),
    ]


def _height(solution: Solution, kind: int, units: int) -> Floats:
    """Highest daily probability of a fault since the last told repair (units,)."""
    on = solution.units[kind].probability[:units]
    if kind == VEHICLE:
        since, repairs = np.zeros(len(on), dtype=np.int64), solution.evidence.repairs
        known = repairs.vehicle < len(on)
        np.maximum.at(since, repairs.vehicle[known], repairs.day[known])
        on = np.where(np.arange(on.shape[1]) >= since[:, None], on, 0.0)
    return np.asarray(on.max(axis=1))


def _odds(
    solution: Solution, kind: int, now: Floats, begun_days: Floats, settings: AttributeSettings
) -> list[pl.Series]:
    """`separable_bits` and `rival` of the suspected; 0 and null for all others."""
    shown = np.flatnonzero(now >= open_from(kind, settings))
    bits, rival = np.zeros(len(now)), np.full(len(now), "", dtype=object)
    if shown.size:
        odds = posterior_odds(solution, kind, shown, begun_days[shown])
        bits[shown], rival[shown] = odds.bits, odds.rival
    words = pl.Series("rival", rival.tolist(), dtype=pl.String)
    return [pl.Series("separable_bits", bits), words.replace("", None)]


def _past(solution: Solution, frame: pl.DataFrame, settings: AttributeSettings) -> pl.DataFrame:
    """Pairings with `past`: at fault once, and now over.

    Over where no EVSE it was met at still runs that firmware (then it is not at fault, p 0), or
    where the attempts since say so.
    """
    evidence = solution.evidence
    last = np.full(evidence.sizes[EVSE], -1, dtype=np.int64)
    last[evidence.evse] = np.arange(len(evidence.evse))
    now = np.where(last >= 0, evidence.model[last], -1)
    in_force = np.bincount(
        evidence.pairing, now[evidence.evse] == evidence.model, evidence.sizes[PAIRING]
    )
    gone = pl.Series("gone", in_force[: frame.height] == 0)
    frame = frame.with_columns(gone).with_columns(
        pl.when("gone").then(0.0).otherwise("p").alias("p"),
        pl.when(~pl.col("gone")).then("fault_kind").alias("fault_kind"),
        pl.when(~pl.col("gone")).then("rival").alias("rival"),
    )
    was = pl.col("p_peak") >= settings.equipment_fault_at
    return frame.with_columns((was & (pl.col("p") < settings.doubt_at)).alias("past")).drop("gone")
