"""Attempts of some stations: plug-ins found, records assigned to them, facts gathered, outcomes decided."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from pipeline.normalise import energy, moments, outcomes, plugins
from pipeline.settings.normalise import NormaliseSettings


@dataclass(frozen=True)
class Evidence:
    """All that was recorded of some EVSEs, in true time: core_pilot and core_signal rows with their helpers, samples."""

    pilot: pl.DataFrame
    signals: pl.DataFrame
    samples: pl.DataFrame


def find(evidence: Evidence, settings: NormaliseSettings) -> pl.DataFrame:
    """Plug-ins of all sources as one set: `plug_in, evse_id, plugged_at_utc, unplugged_at_utc, seen_utc, bound_utc, …`."""
    silence = timedelta(days=settings.silence_days)
    by_pilot = plugins.spans(plugins.pilot_marks(evidence.pilot), silence)
    by_signal = plugins.spans(plugins.signal_marks(evidence.signals, settings), silence)
    both = plugins.joined(by_pilot, by_signal, settings.settle_s).with_row_index("plug_in")
    following = pl.col("from_utc").shift(-1).over("evse_id")
    return both.with_columns(
        bound_utc=pl.min_horizontal(
            pl.coalesce("to_utc", pl.col("seen_utc") + timedelta(seconds=settings.retry_gap_s)), following
        )
    )


def cards(signals: pl.DataFrame, plug_ins: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """Authorize messages (1.6 names no connector there) given to the one plug-in of the station that waited for a card.

    A card shown shortly before the plug-in counts; where two plug-ins wait, the card belongs to neither unless a
    transaction with the same token followed on one of them.
    """
    shown = signals.filter((pl.col("action") == "Authorize") & pl.col("evse_id").is_null()).with_row_index("_card")
    started = (
        signals.filter(pl.col("evse_id").is_not_null() & pl.col("action").is_in(["StartTransaction", "TransactionEvent"]))
        .join(plug_ins.select("evse_id", "plug_in", "from_utc", "bound_utc"), on="evse_id")
        .filter(pl.col("at_utc").is_between("from_utc", "bound_utc"))
        .group_by("plug_in")
        .agg(pl.col("at_utc").min().alias("started_utc"), pl.col("id_token").drop_nulls().first().alias("started_token"))
    )
    stations = signals.select("evse_id", "station_id").drop_nulls().unique()
    waiting = (
        plug_ins.join(stations, on="evse_id")
        .join(started, on="plug_in", how="left")
        .select("station_id", "plug_in", "from_utc", "bound_utc", "started_utc", "started_token", _evse="evse_id")
    )
    near = timedelta(seconds=settings.card_first_s)
    slack = timedelta(seconds=settings.settle_s)
    offered = shown.join(waiting, on="station_id").filter(
        (pl.col("at_utc") >= pl.col("from_utc") - near)
        & (pl.col("at_utc") <= pl.col("bound_utc"))
        & (pl.col("started_utc").is_null() | (pl.col("at_utc") <= pl.col("started_utc") + slack))
    )
    same = (pl.col("started_token") == pl.col("id_token")) & (pl.col("started_utc") - pl.col("at_utc") <= near)
    there = pl.col("from_utc") <= pl.col("at_utc") + slack
    ranked = offered.with_columns(_fit=pl.when(same.fill_null(value=False)).then(2).when(there).then(1).otherwise(0)).filter(
        pl.col("_fit") == pl.col("_fit").max().over("_card")
    )
    sure = ranked.filter(pl.len().over("_card") == 1)
    return sure.with_columns(evse_id=pl.col("_evse")).select("plug_in", *signals.columns)


def levels(pilot: pl.DataFrame) -> pl.DataFrame:
    """Per plug-in: medians of the pilot's halves in B2 and C2, samples with a low side, current offered, time asked in vain."""
    in_b, in_c = pl.col("pilot_state") == "B2", pl.col("pilot_state") == "C2"
    d = pl.col("duty_pct")
    offered_a = (
        pl.when(d.is_between(8, 10, closed="left"))
        .then(6.0)
        .when(d.is_between(10, 85))
        .then(0.6 * d)
        .when((d > 85) & (d <= 96))
        .then(2.5 * (d - 64.0))
        .when((d > 96) & (d <= 97))
        .then(80.0)
    )
    pwm = pl.col("pilot_state").str.ends_with("2")
    next_s = (pl.col("at_utc").shift(-1).over("plug_in") - pl.col("at_utc")).dt.total_microseconds() / 1e6
    vain = pl.col("pilot_state").is_in(["C2", "D2"]) & (pl.col("contactor") == "open")
    return (
        pilot.sort("plug_in", "at_utc", "file_id", "line")
        .with_columns(_next_s=next_s)
        .group_by("plug_in")
        .agg(
            offered_a=offered_a.filter(pwm).max(),
            pilot_high_b_v=pl.col("high_v").filter(in_b).median(),
            pilot_low_b_v=pl.col("low_v").filter(in_b).median(),
            pilot_high_c_v=pl.col("high_v").filter(in_c).median(),
            pilot_low_c_v=pl.col("low_v").filter(in_c).median(),
            pilot_low_samples=(pl.col("low_v").is_not_null() & (in_b | in_c)).sum().cast(pl.Int64),
            requested_s=pl.col("_next_s").filter(vain).sum(),
        )
    )


def build(evidence: Evidence, evses: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """One row a plug-in with all that the station's own records say (no vehicle yet)."""
    plug_ins = find(evidence, settings)
    slack = settings.settle_s
    pilot = plugins.assigned(evidence.pilot, plug_ins, slack / 5, slack)
    placed = plugins.assigned(evidence.signals.filter(pl.col("action") != "Authorize"), plug_ins, slack, slack * 6)
    shown = cards(evidence.signals, plug_ins, settings)
    signals = pl.concat([placed.select(shown.columns), shown])
    samples = plugins.assigned(evidence.samples, plug_ins, slack, slack * 6)
    said = pl.concat([moments.of_pilot(pilot, settings), moments.of_signals(without_guesses(signals, pilot))])
    sources = (
        pl.concat(
            [
                pilot.select("plug_in", source=pl.lit("pilot")),
                placed.select(
                    "plug_in", source=pl.concat_str(pl.lit("ocpp"), pl.col("version").str.replace_all(".", "", literal=True))
                ),
            ]
        )
        .group_by("plug_in")
        .agg(pl.col("source").unique().sort().str.join("+"))
    )
    facts = plug_ins.select(
        "plug_in",
        "evse_id",
        "seen_utc",
        "began",
        "ended",
        clock_error_s="error_s",
        plugged_at_utc="from_utc",
        unplugged_at_utc="to_utc",
    )
    for part in (
        outcomes.progress(said, timedelta(seconds=slack)),
        outcomes.authorisation(signals),
        energy.delivered(energy.readings(signals, samples)),
        energy.sampled_flow(samples),
        levels(pilot),
        sources,
    ):
        facts = facts.join(part, on="plug_in", how="left", maintain_order="left")
    return facts.join(evses.select("evse_id", "supply"), on="evse_id", how="left", maintain_order="left").with_columns(
        energy_kwh=pl.col("metered_kwh"),
        id_token=pl.coalesce("started_token", "shown_token"),
        vehicle_fault=pl.lit(None, dtype=pl.Boolean),
    )


def without_guesses(signals: pl.DataFrame, pilot: pl.DataFrame) -> pl.DataFrame:
    """Signals with `seen_by_pilot`: there the pilot tells how far it came, messages only of faults and ends."""
    known = pilot.select("plug_in", seen_by_pilot=pl.lit(value=True)).unique()
    return signals.join(known, on="plug_in", how="left", maintain_order="left").with_columns(
        pl.col("seen_by_pilot").fill_null(value=False)
    )


def finished(facts: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """core_attempt columns that the station's records decide, from facts."""
    decided = outcomes.outcome(facts, settings)
    lineage = pl.concat_list("began", "ended", "fault_at").list.drop_nulls().list.unique(maintain_order=True)
    return decided.with_columns(
        attempt_id=pl.format("{}|{}", "evse_id", pl.col("plugged_at_utc").dt.strftime("%Y%m%dT%H%M%SZ")),
        time_doubt=pl.when(pl.col("clock_error_s") >= 86_400.0).then(pl.lit("no_clock")),
        lineage=lineage,
        pilot_low_samples=pl.col("pilot_low_samples").fill_null(0),
        distrust=pl.lit(value=False),
        weight=pl.lit(1.0),
    ).unique("attempt_id", keep="first", maintain_order=True)
