"""Plug-ins of some stations with all that the stations' own records and exports say of them.

Core_plug_in.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta

import polars as pl

from pipeline.core.masks import is_true
from pipeline.normalise.attempts import energy, pilot_levels, progress, stage_events
from pipeline.normalise.clocks.eras import CHANGE_ERROR_S, UNKNOWN_ERROR_S
from pipeline.normalise.sessions import authorisations, exports, plug_in_spans, presence_events
from pipeline.normalise.signals import messages
from pipeline.ocpp import vocabulary
from pipeline.settings.normalise import NormaliseSettings

TAKEN_BACK = "offer taken back by the EVSE"
UNASKED = [
    *("message_id", "message_type", "direction", "station_at_utc", "clock_error_s"),
    *("error_code", "vendor_error_code", "seq_no", "offline"),
]
"""Columns of messages that nothing of a plug-in rests on once its span is known."""


@dataclass(frozen=True)
class Evidence:
    """All recorded of some EVSEs, in true time.

    Core_pilot and core_signal rows with their helpers, samples, exports.
    """

    pilot: pl.DataFrame
    signals: pl.DataFrame
    samples: pl.DataFrame
    exported: pl.DataFrame


def find(evidence: Evidence, settings: NormaliseSettings) -> pl.DataFrame:
    """Plug-ins of all sources as one set of spans, numbered.

    `bound_utc` closes those without an end.
    """
    silence = timedelta(days=settings.silence_days)
    by_signal = plug_in_spans.spans(
        presence_events.signal_events(evidence.signals, settings), silence
    )
    piloted = plug_in_spans.split_spans(
        presence_events.pilot_events(evidence.pilot, settings.card_first_s),
        by_signal,
        settings.settle_s,
    )
    by_pilot = plug_in_spans.spans(piloted, silence)
    seen = plug_in_spans.merge_spans(
        by_pilot, by_signal, settings.settle_s, settings.card_first_s, settings.later_s
    )
    told = evidence.exported.with_columns(source=pl.lit("export"))
    every = plug_in_spans.merge_spans(
        seen, told.select(seen.columns), exports.EXPORT_ERROR_S, 0.0, settings.later_s
    )
    every = every.unique(["evse_id", "from_utc"], keep="first", maintain_order=True).with_row_index(
        "plug_in"
    )
    following = pl.col("from_utc").shift(-1).over("evse_id")
    later = pl.col("seen_utc") + timedelta(seconds=settings.retry_gap_s)
    return every.with_columns(bound_utc=pl.min_horizontal(pl.coalesce("to_utc", later), following))


def place(evidence: Evidence, plug_ins: pl.DataFrame, settings: NormaliseSettings) -> Evidence:
    """The evidence with the `plug_in` each row belongs to; rows that belong to none are left out.

    A transaction or a card may come shortly before the vehicle is plugged in; a stop and the end of
    a fault after.
    """
    slack = settings.settle_s
    cards_apart = pl.col("action").is_in(vocabulary.AUTHORISING) & pl.col("evse_id").is_null()
    here = evidence.signals.filter(~cards_apart)
    placed = plug_in_spans.assigned(here, plug_ins, slack, slack * 6)
    early = here.filter(
        pl.col("action").is_in(["TransactionEvent", "StartTransaction", *vocabulary.AUTHORISING])
    ).join(placed.select("file_id", "line"), on=["file_id", "line"], how="anti")
    early = plug_in_spans.assigned(early, plug_ins, settings.card_first_s, 0.0)
    shown = authorisations.placed(evidence.signals.filter(cards_apart), placed, plug_ins, settings)
    columns = ["plug_in", *evidence.signals.columns]
    return Evidence(
        pilot=plug_in_spans.assigned(evidence.pilot, plug_ins, slack / 5, slack),
        signals=pl.concat([placed.select(columns), early.select(columns), shown.select(columns)]),
        samples=plug_in_spans.assigned(evidence.samples, plug_ins, slack, slack * 6),
        exported=exports.matched(plug_ins, evidence.exported),
    )


def build(evidence: Evidence, evses: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """core_plug_in from the evidence of some stations."""
    plug_ins = find(evidence, settings)
    said = evidence.signals.select(pl.exclude(UNASKED))
    told = pl.concat([said, messages.of_whole_stations(said, evses)])
    there = place(replace(evidence, signals=told), plug_ins, settings)
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
    numbered = rated(plug_ins, evses)
    metered = energy.of_plug_ins(there.signals, there.samples, numbered, settings.energy)
    said = stage_events_of(there, numbered, metered.curve, settings)
    parts = (
        progress.progress(said, settings),
        progress.authorisation(there.signals),
        metered.totals,
        energy.sampled_flow(there.samples, settings.energy),
        pilot_levels.levels(there.pilot),
        there.exported,
        sources(there, plug_ins),
        doubts(there.pilot, plug_ins),
    )
    for part in parts:
        facts = facts.join(part, on="plug_in", how="left", maintain_order="left")
    return merged(facts, settings).join(
        evses.select("evse_id", "station_id"), on="evse_id", how="left", maintain_order="left"
    )


def stage_events_of(
    there: Evidence, plug_ins: pl.DataFrame, curve: pl.DataFrame, settings: NormaliseSettings
) -> pl.DataFrame:
    """What each record says (`stage_events`), with the least energy that came after it (`after_kwh`)."""
    ends = plug_ins.select("plug_in", "to_utc")

    def ending(rows: pl.DataFrame) -> pl.DataFrame:
        return rows.join(ends, on="plug_in", how="left", maintain_order="left")

    signals = stage_events.beside_pilot(there.signals, there.pilot)
    said = pl.concat(
        [
            stage_events.of_pilot(ending(there.pilot), settings),
            stage_events.of_signals(ending(signals), settings),
        ]
    )
    over = plug_ins.select("plug_in", end_utc=pl.coalesce("to_utc", "seen_utc"))
    told = progress.recovered(said, over, settings.waiting_s)
    return energy.after(told, curve, plug_ins, settings.energy)


def rated(plug_ins: pl.DataFrame, evses: pl.DataFrame) -> pl.DataFrame:
    """Plug-ins with `limit_kw`, the rated power of their EVSE."""
    return plug_ins.join(
        evses.select("evse_id", limit_kw="max_power_kw"),
        on="evse_id",
        how="left",
        maintain_order="left",
    )


def doubts(pilot: pl.DataFrame, plug_ins: pl.DataFrame) -> pl.DataFrame:
    """`plug_in, pilot_doubt`.

    Why the time of the pilot row that began or ended a plug-in is doubtful.
    """
    here = pl.format("{}:{}", "file_id", "line")
    unsure = pilot.filter(pl.col("time_doubt").is_not_null()).select(
        here.alias("end"), pilot_doubt="time_doubt"
    )
    ends = plug_ins.unpivot(["began", "ended"], index="plug_in", value_name="end")
    return ends.join(unsure, on="end").group_by("plug_in").agg(pl.col("pilot_doubt").max())


def sources(there: Evidence, plug_ins: pl.DataFrame) -> pl.DataFrame:
    """`plug_in, source`: which sources told of it, joined by '+'.

    The one that made it is always among them.
    """
    named = pl.concat(
        [
            plug_ins.select("plug_in", "source"),
            there.signals.select("plug_in", source=presence_events.speaks()),
            there.pilot.select("plug_in", source=pl.lit("pilot")),
            there.exported.select("plug_in", source=pl.lit("export")),
        ]
    )
    return named.group_by("plug_in").agg(pl.col("source").unique().sort().str.join("+"))


def merged(facts: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """Field by field the station's own word, else the export's.

    With the lineage of ends, fault and export.
    """
    unsaid = (
        pl.col("export_stop").is_in(vocabulary.UNEXPLAINED_STOPS)
        & pl.col("warning_at_utc").is_null()
    )
    told = pl.col("export_trouble").fill_null(value=False) & pl.col("fault_utc").is_null()
    lineage = (
        pl.concat_list("began", "ended", "fault_at", "told_at")
        .list.drop_nulls()
        .list.unique(maintain_order=True)
    )
    stopped = (pl.col("stopped_utc") - pl.col("cut_utc")).abs() <= timedelta(
        seconds=2 * settings.settle_s
    )
    meant = is_true(
        stopped & ~pl.col("stop_reason").fill_null("Local").is_in(vocabulary.UNEXPLAINED_STOPS)
    ) | is_true(pl.col("suspended_evse"))
    cut = pl.when(pl.col("warning_at_utc").is_null() & ~meant).then("cut_utc")
    unsure = pl.when(pl.col("clock_error_s") >= UNKNOWN_ERROR_S).then(pl.lit("no_clock"))
    return facts.with_columns(
        lineage=lineage,
        energy_kwh=pl.coalesce("metered_kwh", "export_kwh"),
        flow_utc=pl.min_horizontal("flow_utc", "delivering_utc"),
        id_token=pl.coalesce("started_token", "shown_token", "export_token"),
        vehicle_id=pl.col("export_vehicle"),
        fault_utc=pl.when(told)
        .then(pl.coalesce("unplugged_at_utc", "seen_utc"))
        .otherwise("fault_utc"),
        lasting=pl.col("lasting") | told,
        fault=pl.when(told).then("export_fault").otherwise("fault"),
        fault_raw=pl.when(told).then("export_raw").otherwise("fault_raw"),
        warning_at_utc=pl.coalesce(
            "warning_at_utc", cut, pl.when(unsaid).then(pl.coalesce("unplugged_at_utc", "seen_utc"))
        ),
        warning_raw=pl.coalesce(
            "warning_raw",
            pl.when(unsaid).then("export_stop"),
            pl.when(cut.is_not_null()).then(pl.lit(TAKEN_BACK)),
        ),
        stopped_utc=pl.coalesce(
            "stopped_utc", pl.when(pl.col("told_at").is_not_null()).then("unplugged_at_utc")
        ),
        stop_reason=pl.coalesce("stop_reason", "export_stop"),
        time_doubt=pl.coalesce(
            unsure, "pilot_doubt", pl.when(pl.col("source") == "export").then("time_doubt")
        ),
        clock_error_s=pl.max_horizontal(
            "clock_error_s", pl.when(pl.col("pilot_doubt").is_not_null()).then(CHANGE_ERROR_S)
        ),
        pilot_low_samples=pl.col("pilot_low_samples").fill_null(0),
    )
