"""Frames of the answer besides the units' own.

One row per attempt that failed or was silent, per unit and week, and per passing event of a site.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl

from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.kinds import SITE
from pipeline.attribute.states.model import Floats, Ints
from pipeline.attribute.states.solution import Solution

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
    spells = _spells(np.cumsum(begins) - 1, site, day, on[site, day])
    met = _met(evidence, which, inside)
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


def _spells(event: Ints, site: Ints, day: Ints, p: Floats) -> pl.DataFrame:
    """Per event its site, first `day` and `last`, and the `p` of its likeliest one."""
    days = pl.DataFrame(
        {"event": event, "site": site, "day": day, "p": p},
        schema={"event": pl.Int64, "site": pl.Int64, "day": pl.Int64, "p": pl.Float64},
    )
    return days.group_by("event").agg(
        pl.col("site").first(),
        pl.col("day").min(),
        pl.col("day").max().alias("last"),
        pl.col("p").max(),
    )


def _met(evidence: Evidence, event: Ints, rows: Ints) -> pl.DataFrame:
    """Per event its attempts (`rows` of the evidence, each of an `event`), failures, and the EVSEs and vehicles that failed."""
    attempts = pl.DataFrame(
        {
            "event": event,
            "failed": evidence.failed[rows],
            "evse": evidence.evse[rows],
            "vehicle": evidence.vehicle[rows],
        },
        schema={"event": pl.Int64, "failed": pl.Boolean, "evse": pl.Int64, "vehicle": pl.Int64},
    )
    return attempts.group_by("event").agg(
        attempts=pl.len().cast(pl.Int64),
        failures=pl.col("failed").sum().cast(pl.Int64),
        evses=pl.col("evse").filter("failed").n_unique().cast(pl.Int64),
        vehicles=pl.col("vehicle").filter("failed").n_unique().cast(pl.Int64),
    )
