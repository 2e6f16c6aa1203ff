"""What others recorded: pilot rows, telematics, a site's export of sessions. Written from the contract alone."""

from __future__ import annotations

import numpy as np
import polars as pl

from sample_logs.second_world.calls16 import ALWAYS
from sample_logs.second_world.clocks import EPOCH_S, Clocks, station_time, text_utc

NOISE_V = 0.04
MAPPING = """exports:
  - file: "{site}_*.csv"
    delimiter: ";"
    skip_until_header: true
    columns:
      {{evse_id: [Station, "-", Plug], id_token: Card, plugged_at: [Day, " ", From], unplugged_at: Until,
        energy_kwh: "Energy Wh", end_reason: Ended, fault: Trouble, session_id: No}}
    time_format: ["%d.%m.%Y %H:%M:%S"]
    timezone: {zone}
    blank: ["-"]
    energy_unit: Wh
    end_reason: {{"pulled out": EVDisconnected, "card": Local, "broken off": Other}}
    fault:
      {{"pilot": OtherError, "plug lock": ConnectorLockFailure, "earth leak": GroundFailure,
        "over current": OverCurrentFailure, "switch": PowerSwitchFailure, "mains low": UnderVoltage,
        "vehicle": EVCommunicationError}}
"""
EXPORT_WORDS = {
    "diode": "pilot",
    "pilot_level": "pilot",
    "proximity": "pilot",
    "lock": "plug lock",
    "ground": "earth leak",
    "overcurrent": "over current",
    "contactor": "switch",
    "voltage": "mains low",
    "dropped": "vehicle",
}


def pilot_rows(rng: np.random.Generator, steps: pl.DataFrame, clocks: Clocks) -> pl.DataFrame:
    """Rows of the station controllers' own records, in the station's time: a row a change, and one amid each delivery."""
    a = steps.filter((pl.col("record") != "none") & ~pl.col("exported") & ~pl.col("unseen"))
    delivered = pl.col("close_s").is_not_null() & (pl.col("energy_kwh") > 0)
    deaf = ((pl.col("trouble") == "silent") & (pl.col("p_unasked") > 0.5)).fill_null(value=False)
    amid = (pl.col("close_s") + pl.min_horizontal("eased_s", "end_s")) / 2
    in_b, in_c = ("high_b", "low_b"), ("high_c", "low_c")
    frame = pl.concat(
        [
            _row(a, ALWAYS, pl.lit(0.05), "B1", in_b),
            _row(a, ALWAYS, pl.col("pwm_s"), "B2", in_b),
            _row(a, deaf, pl.col("pwm_s") + 4, "B2", in_c),
            _row(a, ~deaf, pl.col("ask_s"), "C2", in_c),
            _row(a, ALWAYS, pl.col("close_s"), "C2", in_c, "closed"),
            _row(a, delivered, amid, "C2", in_c, "closed"),
            _row(a, pl.col("eases"), pl.col("eased_s"), "B2", in_b),
            _row(a, pl.col("dropped"), pl.col("fault_s"), "B2", in_b),
            _row(a, pl.col("faulted"), pl.col("fault_s"), "F", None),
            _row(a, ALWAYS, pl.col("left_s"), "A1", ("high_a", "low_b")),
        ]
    )
    frame = station_time(frame, clocks)
    noise = [pl.Series(rng.normal(0, NOISE_V, frame.height)) for _ in range(2)]
    both, high = pl.col("record") == "both", pl.col("record").is_in(["both", "high"])
    return frame.sort("station_id", "t_s", maintain_order=True).select(
        "site",
        text_utc("clock_s", milli=True).alias("at"),
        "station_id",
        "connector_id",
        "state",
        pl.when(high).then(pl.col("high") + noise[0]).round(2).alias("high_v"),
        pl.when(both).then(pl.col("low") + noise[1]).round(2).alias("low_v"),
        "duty_pct",
        "contactor",
        "fault",
    )


def _row(
    a: pl.DataFrame,
    when: pl.Expr,
    after_s: pl.Expr,
    state: str,
    levels: tuple[str, str] | None,
    contactor: str = "open",
) -> pl.DataFrame:
    """Rows of one change; `levels` names the columns of the high and the low level, low only under PWM."""
    pwm = state.endswith("2")
    blank = pl.lit(None, dtype=pl.Float64)
    duty = (pl.min_horizontal("max_current_a", 51) / 0.6).round(2)
    return a.filter(when & after_s.is_not_null()).select(
        "site",
        "station_id",
        "connector_id",
        (pl.col("t_s") + after_s).alias("t_s"),
        pl.lit(state).alias("state"),
        "record",
        (pl.col(levels[0]) if levels else blank).alias("high"),
        (pl.col(levels[1]) if levels and pwm else blank).alias("low"),
        (duty if pwm else pl.lit(None if state == "F" else 100.0, dtype=pl.Float64)).alias(
            "duty_pct"
        ),
        pl.lit(contactor).alias("contactor"),
        (pl.coalesce("info", "vendor_code", "code") if state == "F" else pl.lit("")).alias("fault"),
    )


def telematics(rng: np.random.Generator, steps: pl.DataFrame) -> pl.DataFrame:
    """Events the vehicles tell, with a few lost."""
    a = steps.filter("telematics")
    ac = (
        pl.when(pl.col("inlets").str.contains("cType1"))
        .then(pl.lit("cType1"))
        .when(pl.col("inlets").str.contains("cType2"))
        .then(pl.lit("cType2"))
        .otherwise(pl.lit("cCCS2"))
    )
    a = a.with_columns(
        pl.when(pl.col("supply") == "DC").then("connector_type").otherwise(ac).alias("inlet")
    )
    charged = pl.col("energy_kwh") > 0
    told = (pl.col("cause_suspect") == "charger_input") & (pl.col("trouble") != "silent")
    events = [
        ("plugged", ALWAYS, pl.lit(0.0), "soc"),
        ("charge_started", charged, pl.col("close_s") + 1, "soc"),
        ("charge_stopped", charged, pl.min_horizontal("eased_s", "end_s"), "soc_left"),
        ("charge_fault", told, pl.col("fault_s") + 0.5, "soc"),
        ("unplugged", ALWAYS, pl.col("left_s"), "soc_left"),
    ]
    frame = pl.concat(
        [
            a.filter(when & after.is_not_null()).select(
                (pl.col("t_s") + after).alias("t_s"),
                "vehicle_id",
                pl.lit(event).alias("event"),
                "inlet",
                (pl.col(soc) * 100).round(1).alias("soc_pct"),
            )
            for event, when, after, soc in events
        ]
    )
    frame = frame.filter(pl.Series(rng.random(frame.height) >= 0.02)).sort("t_s", "vehicle_id")
    return frame.with_columns(pl.col("t_s") + pl.Series(rng.normal(0, 1.0, frame.height))).select(
        text_utc("t_s").alias("at"), "vehicle_id", "event", "inlet", "soc_pct"
    )


def exported(steps: pl.DataFrame, zone: str) -> pl.DataFrame:
    """A site's finished sessions, in its own words and local times."""
    a = steps.filter(~pl.col("unseen") & pl.col("accepted")).sort("t_s")

    def local(seconds: pl.Expr) -> pl.Expr:
        epoch = ((seconds + EPOCH_S) * 1000).cast(pl.Int64)
        return (
            pl.from_epoch(epoch, time_unit="ms")
            .dt.replace_time_zone("UTC")
            .dt.convert_time_zone(zone)
            .dt.strftime("%d.%m.%Y %H:%M:%S")
        )

    ended = (
        pl.when("faulted")
        .then(pl.lit("broken off"))
        .when(pl.col("end_s") < pl.col("left_s"))
        .then(pl.lit("card"))
        .otherwise(pl.lit("pulled out"))
    )
    return a.select(
        pl.col("n").alias("No"),
        pl.col("station_id").alias("Station"),
        pl.col("connector_id").alias("Plug"),
        pl.col("id_token").alias("Card"),
        local(pl.col("t_s")).str.head(10).alias("Day"),
        local(pl.col("t_s")).str.tail(8).alias("From"),
        local(pl.col("t_s") + pl.col("left_s")).alias("Until"),
        (pl.col("energy_kwh") * 1000).round().cast(pl.Int64).alias("Energy Wh"),
        ended.alias("Ended"),
        pl.when(pl.col("code").is_null())
        .then(pl.lit("-"))
        .otherwise(
            pl.col("trouble").replace_strict(EXPORT_WORDS, default="-", return_dtype=pl.String)
        )
        .alias("Trouble"),
    )


def export_text(site: str, sessions: pl.DataFrame) -> str:
    """The file as its office keeps it: a title above the header, a total below the rows."""
    blanks = ";" * (sessions.columns.index("Energy Wh") - 1)
    total = f"Total;{blanks}{sessions['Energy Wh'].sum()};;\n"
    return f"Sessions of {site}\n\n{sessions.write_csv(separator=';')}{total}"
