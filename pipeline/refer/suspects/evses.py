"""What is wrong with each EVSE: attribution's probability and the signs."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.circuit.pilot import high_window, low_window
from pipeline.core.masks import is_true
from pipeline.refer.decision import call_units, worth_acting, worth_watching
from pipeline.refer.equipment_wording import GROUNDS
from pipeline.refer.inputs import ReferInputs, with_told_evses
from pipeline.refer.suspects.by_chance import looks_to_evses
from pipeline.refer.suspects.events import borne_at_fault
from pipeline.refer.suspects.posterior import with_looks
from pipeline.refer.suspects.signatures import Floats, Signature, declared
from pipeline.refer.suspects.signs import SOCKET, at_evses, evse_signs, once
from pipeline.refer.suspects.unseen import TETHERED
from pipeline.refer.suspects.weighing import Verdicts, limited, weigh
from pipeline.settings.refer import ReferSettings

RARELY = 0.01
"""A part the list of equipment says is not there: lists err; judgement."""
AT_ONCE_S = 2 * 86_400
"""EVSEs of a site that begin to fail so near each other may fail by one cause: onsets are sure to a day or two; no source."""
AT_ONCE_LEAST = 3
"""Two may be chance."""

METER_MARGIN_V = 0.2
"""Two standard deviations of an EVSE's error in measuring its own pilot; common practice, no source."""


def evse_levels(attempts: pl.DataFrame, least: int) -> pl.DataFrame:
    """`evse_id, pilot_high_v, pilot_low_v, high_now_v, low_now_v`: medians in B2 over the vehicles'
    medians there.

    The levels of now are null where fewer than `least` vehicles show them.
    """
    by_vehicle = (
        attempts.filter(
            pl.col("pilot_high_b_v").is_not_null() | pl.col("pilot_low_b_v").is_not_null(),
            pl.col("weight") > 0,
        )
        .group_by("evse_id", pl.coalesce("vehicle_id", "attempt_id").alias("who"))
        .agg(pl.col("pilot_high_b_v").median(), pl.col("pilot_low_b_v").median())
    )
    enough = pl.len() >= least
    return by_vehicle.group_by("evse_id").agg(
        pl.col("pilot_high_b_v").median().alias("pilot_high_v"),
        pl.col("pilot_low_b_v").median().alias("pilot_low_v"),
        pl.when(enough).then(pl.col("pilot_high_b_v").median()).alias("high_now_v"),
        pl.when(enough).then(pl.col("pilot_low_b_v").median()).alias("low_now_v"),
    )


def _band_category(levels: pl.DataFrame) -> pl.DataFrame:
    """`unit, category` of `evse_levels`.

    Whether the EVSE's levels with its vehicles leave the tolerance of a sound generator.
    """
    high, low = high_window("B"), low_window("B")
    off = ~pl.col("high_now_v").is_between(high.lo_v - METER_MARGIN_V, high.hi_v + METER_MARGIN_V)
    off_low = ~pl.col("low_now_v").is_between(low.lo_v - METER_MARGIN_V, low.hi_v + METER_MARGIN_V)
    shown = levels.filter(pl.col("high_now_v").is_not_null() | pl.col("low_now_v").is_not_null())
    return shown.select(
        pl.col("evse_id").alias("unit"),
        pl.when(off.fill_null(value=False) | off_low.fill_null(value=False))
        .then(pl.lit("out_of_band"))
        .otherwise(pl.lit("in_band"))
        .alias("category"),
    )


def _part_priors(evses: pl.Series, attempts: pl.DataFrame, known: Signature) -> Floats:
    """Prior of each part (evses, parts): where the cable is attached to the EVSE (IEC 61851-1 case C) there is no lock of a plug,
    where the vehicle brings it (cases A and B) the cable is none of the EVSE's.
    """
    of = attempts.group_by("evse_id").agg(
        attached=is_true(pl.col("coupler").str.starts_with(TETHERED)).all(),
        socket=is_true(pl.col("coupler").str.starts_with(SOCKET)).all(),
    )
    joined = pl.DataFrame({"evse_id": evses}).join(of, on="evse_id", how="left")
    prior = np.tile(known.table, (evses.len(), 1))
    for shape, part in (("attached", "connector_lock"), ("socket", "cable")):
        prior[joined[shape].fill_null(value=False).to_numpy(), known.categories.index(part)] *= (
            RARELY
        )
    return np.asarray(prior / prior.sum(axis=1, keepdims=True))


def judge_evses(
    inputs: ReferInputs, attempts: pl.DataFrame, settings: ReferSettings
) -> pl.DataFrame:
    """One row per EVSE with an attempt in the look-back.

    The columns of out_evses, without the final wording of `reason`: attribution's probability, by how often and with whom, moved
    by how its failures look against those it is not to blame for (`telling`).
    """
    table = _counted(inputs, attempts)
    evidence = _since_onset(attempts, table)
    verdicts = _weighed(attempts, evidence, table, settings)
    best = verdicts.given_fault.argmax(axis=1) if table.height else np.zeros(0, dtype=np.int64)
    attributed, height = table["p_evse"].to_numpy(), table["p_height"].to_numpy()
    table = table.with_columns(
        pl.when(pl.col("p_evse") > 0)
        .then(pl.Series(with_looks(attributed, height, verdicts.telling)))
        .otherwise(0.0)
        .alias("p_evse"),
        pl.Series("telling", verdicts.telling),
        pl.Series("suspect", [verdicts.suspects[i] for i in best], dtype=pl.String),
        pl.Series("p_suspect", verdicts.given_fault[np.arange(best.size), best]),
        pl.Series(
            "p_parts", verdicts.given_fault, dtype=pl.Array(pl.Float64, len(verdicts.suspects))
        ),
        pl.lit(list(verdicts.suspects)).alias("parts"),
    ).join(evse_levels(attempts, settings.level_others), on="evse_id", how="left")
    act = worth_acting(settings.cost_needless_evse_visit, settings.cost_week_faulty_evse)
    watch = worth_watching(settings.cost_watching, settings.cost_week_faulty_evse)
    sure = pl.col("provable") & (pl.col("p_evse") >= pl.col("fault_from"))
    table = table.with_columns(sure=sure.fill_null(value=False))
    return call_units(table, "p_evse", act, watch)


def _counted(inputs: ReferInputs, attempts: pl.DataFrame) -> pl.DataFrame:
    """EVSEs in order of id with their counts and what attribution says of them."""
    failed = pl.col("outcome") == "failed"
    counts = attempts.group_by("evse_id").agg(
        pl.col("site_id", "supply", "evse_model").last(),
        pl.col("outcome").is_in(["charged", "failed"]).sum().cast(pl.Int64).alias("attempts"),
        failed.sum().cast(pl.Int64).alias("failures"),
        pl.col("vehicle_id")
        .filter(failed)
        .drop_nulls()
        .n_unique()
        .cast(pl.Int64)
        .alias("vehicles_failed"),
    )
    known = with_told_evses(inputs.attributed.evses).select(
        "evse_id",
        "p_evse",
        "p_height",
        "onset_utc",
        "onset_lo_utc",
        "provable",
        "fault_from",
        "verdict",
        "reason",
        *GROUNDS,
    )
    table = counts.join(known, on="evse_id", how="left").with_columns(
        pl.col("p_evse", "p_height").fill_null(0.0),
        pl.col("provable").fill_null(value=False),
        pl.col("verdict").fill_null("insufficient_data"),
    )
    return table.sort("evse_id")


def _since_onset(attempts: pl.DataFrame, table: pl.DataFrame) -> pl.DataFrame:
    """Attempts that speak of each EVSE's present state, with the share of each it would bear were it at fault."""
    known = table.select("evse_id", "onset_lo_utc", p_state="p_evse")
    return (
        attempts.filter(pl.col("outcome").is_in(["charged", "failed"]), pl.col("weight") > 0)
        .join(known, on="evse_id", how="left", maintain_order="left")
        .filter(
            pl.col("onset_lo_utc").is_null() | (pl.col("plugged_at_utc") >= pl.col("onset_lo_utc"))
        )
        .with_columns(borne_at_fault("p_evse"))
    )


def _weighed(
    attempts: pl.DataFrame, evidence: pl.DataFrame, table: pl.DataFrame, settings: ReferSettings
) -> Verdicts:
    """Which part, and how the failures look, of every EVSE of `table`."""
    failed, mine = at_evses(attempts), at_evses(evidence)
    levels = once(_band_category(evse_levels(evidence, settings.level_others)), "evse_levels")
    signs = limited(pl.concat([evse_signs(mine), levels]), settings.witnesses_at_most)
    signatures = declared("evse")
    units = table.select("evse_id", "supply", "evse_model")
    return weigh(
        signs,
        table["evse_id"],
        signatures,
        _part_priors(table["evse_id"], attempts, signatures["evse_prior"]),
        settings.log_weight_cap,
        looks_to_evses(failed, mine, units, signatures),
    )


def co_occurring_onsets(called: pl.DataFrame) -> pl.DataFrame:
    """Adds `at_once` to called EVSEs: how many of its site, itself included, are called and began
    to fail within AT_ONCE_S of it.

    Null where they are fewer than AT_ONCE_LEAST or less than half of the site's; besides `at_site`,
    its EVSEs.
    """
    failing = called.filter(
        pl.col("call").is_in(["faulty", "watch"]), pl.col("onset_utc").is_not_null()
    )
    failing = failing.select("evse_id", "site_id", "onset_utc")
    apart_s = (pl.col("onset_utc") - pl.col("onset_utc_right")).dt.total_seconds().abs()
    beside = (
        failing.join(failing, on="site_id")
        .filter(apart_s <= AT_ONCE_S)
        .group_by("evse_id")
        .agg(at_once=pl.len())
    )
    sites = called.group_by("site_id").agg(at_site=pl.len())
    with_site = called.join(
        sites, on="site_id", how="left", maintain_order="left", nulls_equal=True
    )
    counted = with_site.join(beside, on="evse_id", how="left", maintain_order="left")
    many = (pl.col("at_once") >= AT_ONCE_LEAST) & (pl.col("at_once") * 2 >= pl.col("at_site"))
    return counted.with_columns(at_once=pl.when(many).then("at_once"))
