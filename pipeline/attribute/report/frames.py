"""Frames of the answer.

One row per vehicle, EVSE, pairing, vehicle and week, attempt that failed or was silent, and
passing event of a site.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl

from pipeline.attribute.evidence import NO_REPAIRS, Evidence
from pipeline.attribute.report.wording import reasons
from pipeline.attribute.states.identify import enough_to_clear, posterior_odds
from pipeline.attribute.states.kinds import EVSE, PAIRING, SITE, VEHICLE
from pipeline.attribute.states.likelihood import Solved
from pipeline.attribute.states.model import Bools, Floats, Ints, tally
from pipeline.attribute.states.onset import onset_days
from pipeline.attribute.states.solve import Solution
from pipeline.settings.attribute import AttributeSettings

WINDOW_DAYS = 21
"""Days that count as 'lately' for a unit without an onset: what could clear it must be recent."""
EVENT_AT = 0.5
"""A site's day counts as a passing event from this probability."""


def blame_frame(solution: Solution) -> pl.DataFrame:
    """One row per failed or silent attempt: attempt_id, p_vehicle, p_evse, p_pairing, p_other (sum
    1), `silent`, and `p_site`, the part of p_other that a passing event of the site explains.
    """
    evidence, judged = solution.evidence, solution.judged
    names = ("p_vehicle", "p_evse", "p_pairing", "p_other")
    return pl.DataFrame(
        {"attempt_id": evidence.attempt_id.gather(solution.rows)}
        | {name: pl.Series(judged.blame[k]) for k, name in enumerate(names)}
        | {"silent": pl.Series(evidence.silent[solution.rows]), "p_site": pl.Series(judged.passing)}
    )


def week_frame(solution: Solution, kind: int, p_name: str) -> pl.DataFrame:
    """One row per listed unit and week with an attempt.

    Week_start_utc, probability that the fault state is on at the week's end, attempts, failures.
    """
    evidence = solution.evidence
    names = evidence.names[kind].filter("listed").drop("listed")
    unit = evidence.columns[kind]
    weeks = evidence.days // 7
    known = (unit < names.height) & ~evidence.silent
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


def site_frame(solution: Solution) -> pl.DataFrame:
    """One row per passing event of a site: days next to each other on which one is likely.

    site_id, from_utc, to_utc, p_event (its likeliest day), attempts, failures, evses, vehicles that failed.
    """
    evidence = solution.evidence
    on = solution.units[SITE].probability[:-1]
    site, day = np.nonzero(on >= EVENT_AT)
    begins = np.append(True, (site[1:] != site[:-1]) | (day[1:] != day[:-1] + 1))[: len(site)]
    number = np.full(on.shape, -1, dtype=np.int64)
    number[site, day] = np.cumsum(begins) - 1
    inside = np.flatnonzero(evidence.site < len(on))
    which = number[evidence.site[inside], evidence.day[inside]]
    inside, which = inside[which >= 0], which[which >= 0]
    begin = pl.lit(evidence.begin_utc).cast(pl.Datetime("us", "UTC"))
    spells = (
        pl.DataFrame(
            {"event": np.cumsum(begins) - 1, "site": site, "day": day, "p": on[site, day]},
            schema={"event": pl.Int64, "site": pl.Int64, "day": pl.Int64, "p": pl.Float64},
        )
        .group_by("event")
        .agg(
            pl.col("site").first(),
            pl.col("day").min(),
            pl.col("day").max().alias("last"),
            pl.col("p").max(),
        )
    )
    met = (
        pl.DataFrame(
            {
                "event": which,
                "failed": evidence.failed[inside],
                "evse": evidence.evse[inside],
                "vehicle": evidence.vehicle[inside],
            },
            schema={"event": pl.Int64, "failed": pl.Boolean, "evse": pl.Int64, "vehicle": pl.Int64},
        )
        .group_by("event")
        .agg(
            attempts=pl.len().cast(pl.Int64),
            failures=pl.col("failed").sum().cast(pl.Int64),
            evses=pl.col("evse").filter("failed").n_unique().cast(pl.Int64),
            vehicles=pl.col("vehicle").filter("failed").n_unique().cast(pl.Int64),
        )
    )
    ids = (
        evidence.sites.select("site_id")
        .with_row_index("site")
        .with_columns(pl.col("site").cast(pl.Int64))
    )
    return spells.join(met, on="event").join(ids, on="site").sort("site", "day").select(
        "site_id",
        (begin + pl.duration(days="day")).alias("from_utc"),
        (begin + pl.duration(days=pl.col("last") + 1)).alias("to_utc"),
        pl.col("p").alias("p_event"), "attempts", "failures", "evses", "vehicles",
    )  # fmt: skip


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
    unit = evidence.columns[kind]
    solved = Solved(solution.reach, solution.held(kind))
    repairs = evidence.repairs if kind == VEHICLE else NO_REPAIRS
    days = onset_days(evidence, unit, solved, states.model, shown, levels, repairs).days
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
        *_counts(evidence, kind, units, begun_days, settings),
        *_characters(solution, kind, units, settings),
        *_odds(solution, kind, now, np.nan_to_num(counted_days), settings),
        _since(evidence, evidence.columns[kind], units, onset["onset_utc"]),
        pl.lit(solution.chance.typical).alias("fleet_rate"),
    )
    if kind == PAIRING:
        frame = _past(solution, frame, settings)
    names_of_kind = ("vehicle", "EVSE", "pairing")
    told = with_verdict(frame, settings, equipment=kind != VEHICLE)
    return reasons(told, names_of_kind[kind], settings)


def _counts(
    evidence: Evidence, kind: int, units: int, begun_days: Floats, settings: AttributeSettings
) -> list[pl.Series]:
    """Attempts, failures, silences and partners of each unit; `lately` is since the onset's early
    end, or the last weeks where it is not suspected.
    """
    unit = evidence.columns[kind]
    other = EVSE if kind == VEHICLE else VEHICLE
    cells, width = evidence.cells, evidence.sizes[other]
    mine, theirs = cells.columns[kind], cells.columns[other]
    # whom nobody named may be one that is counted already: no partner of its own
    known = theirs < (evidence.evses if kind == VEHICLE else evidence.vehicles).height
    size = evidence.sizes[kind]
    start = np.where(np.isnan(begun_days), evidence.days - WINDOW_DAYS, begun_days)
    recent = np.append(start, np.zeros(size - units))[unit] <= evidence.at_days
    last = evidence.day >= evidence.days - WINDOW_DAYS
    told = ~evidence.silent

    def partners(keep: Bools) -> Ints:
        return _distinct(mine, theirs, known & cells.any(keep), size, width)

    counts = {
        "attempts": _count(unit, told, size),
        "failures": _count(unit, evidence.failed, size),
        "silent": _count(unit, evidence.silent, size),
        "silent_lately": _count(unit, evidence.silent & recent, size),
        "asked_lately": _count(unit, evidence.asked & recent, size),
        "failures_lately": _count(unit, evidence.failed & recent, size),
        "attempts_since": _count(unit, told & recent, size),
        "partners": partners(told | evidence.silent),
        "partners_failed": partners(evidence.failed),
        "partners_silent": partners(evidence.silent & recent),
        "partners_failed_lately": partners(evidence.event & recent),
    }
    lately = tally(unit, np.where(last & told, evidence.weight, 0.0), size)
    clear = enough_to_clear(lately, settings.thin_failures_power)
    return [
        *(pl.Series(name, values[:units]) for name, values in counts.items()),
        pl.Series("attempts_lately", lately[:units]),
        pl.Series("can_clear", clear[:units]),
    ]


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
    shown = (belief @ model.fault_mask) >= settings.doubt_at
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
    shown = np.flatnonzero(now >= settings.doubt_at)
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


def _count(unit: Ints, keep: Bools, size: int) -> Ints:
    return np.bincount(unit[keep], minlength=size)


def _distinct(unit: Ints, other: Ints, keep: Bools, size: int, width: int) -> Ints:
    """Number of distinct partners of each unit among the kept attempts, or cells of attempts."""
    pairs = np.unique(unit[keep] * width + other[keep])
    return np.bincount(pairs // width, minlength=size)


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


def with_verdict(
    frame: pl.DataFrame, settings: AttributeSettings, *, equipment: bool
) -> pl.DataFrame:
    """Add `separable` and `verdict`.

    Never 'fault' on one partner alone, or where a rival story of all its failures does about as
    well; nor 'clear' on one partner alone where its failures left it likelier than before.
    """
    fault_at = settings.equipment_fault_at if equipment else settings.fault_at
    least_bits = settings.equipment_separable_bits if equipment else settings.separable_bits
    separable = pl.col("separable_bits") >= least_bits
    widely = (pl.col("partners") >= settings.partners_at_least) & (
        pl.col("partners_failed_lately") >= settings.partners_at_least
    )
    unseen_elsewhere = (pl.col("partners") < settings.partners_at_least) & (
        pl.col("p") > settings.vehicle.prevalence
    )
    likely, open_ = pl.col("p") >= fault_at, pl.col("p") >= settings.doubt_at
    if equipment:
        certain = pl.col("p_height") >= settings.fault_at
        likely |= certain & (pl.col("p") >= settings.equipment_still_at)
    return frame.with_columns(separable.alias("separable")).with_columns(
        pl.when(likely & widely & pl.col("separable"))
        .then(pl.lit("fault"))
        .when(open_)
        .then(pl.lit("doubt"))
        .when(pl.col("can_clear") & ~unseen_elsewhere)
        .then(pl.lit("clear"))
        .otherwise(pl.lit("insufficient_data"))
        .alias("verdict")
    )
