"""Exports of finished sessions, in two sites' own dialects, with the mapping that explains them."""

from __future__ import annotations

import polars as pl

from sample_logs.generator.world import World

REASONS = {"out": "plug pulled", "card": "card held again", "trouble": "stopped by fault"}
TROUBLE = {
    "GroundFailure": "earth leak",
    "PowerSwitchFailure": "relay",
    "ConnectorLockFailure": "plug not locked",
    "DiodeFault": "diode",
    "PilotFault": "pilot",
    "OverCurrentFailure": "too much current",
    "HighTemperature": "hot",
    "InternalError": "internal",
    "OtherError": "other",
    "OverVoltage": "voltage high",
    "UnderVoltage": "voltage low",
    "EVCommunicationError": "no contact to car",
    "ReaderFailure": "reader",
}
"""How this world's exports name a fault, one for each canonical fault."""
MAPPING = """exports:
  - file: {name}_bays_*.csv
    columns: {{evse_id: Bay, id_token: Card, plugged_at: From, unplugged_at: Until, energy_kwh: "Energy Wh",
              end_reason: Ended, fault: Trouble}}
    time_format: "%d.%m.%Y %H:%M:%S"
    timezone: {zone}
    energy_unit: Wh
    end_reason: {{"plug pulled": EVDisconnected, "card held again": Local, "stopped by fault": Other}}
    fault: {{{faults}}}
  - file: {name}_list_*.csv
    delimiter: ";"
    decimal: ","
    encoding: cp1252
    columns: {{evse_id: Plass, vehicle_id: Bil, plugged_at: Start, unplugged_at: Slutt, energy_kwh: Energi,
              end_reason: Årsak, fault: Feil}}
    timezone: {zone}
    energy_unit: kWh
    end_reason: {{"plug pulled": EVDisconnected, "card held again": Local, "stopped by fault": Other}}
    fault: {{{faults}}}
"""


def _finished(a: pl.DataFrame, pulled: pl.Expr) -> pl.DataFrame:
    """Sessions an export would hold: those with a transaction; times local, without an offset."""
    done = a.filter(pl.col("export") & pl.col("pwm_s").is_not_null())
    failed = pl.col("outcome") == "failed"
    card = (pl.col("outcome") == "charged") & ~pl.col("full") & ~pulled
    return done.with_columns(
        ended=pl.when(failed)
        .then(pl.lit(REASONS["trouble"]))
        .when(card)
        .then(pl.lit(REASONS["card"]))
        .otherwise(pl.lit(REASONS["out"])),
        trouble=pl.when(failed).then(pl.col("fault").replace_strict(TROUBLE, default=None)),
    )


def _local(column: str, zone: str, form: str) -> pl.Expr:
    """A time in the site's zone, written without its offset."""
    return pl.col(column).dt.convert_time_zone(zone).dt.strftime(form)


def export_files(world: World, attempts: pl.DataFrame) -> dict[str, bytes]:
    """Files of all exporting sites by path: odd weeks in one dialect, even weeks in the other."""
    done = _finished(attempts, pl.col("u") > 0.55)
    files: dict[str, bytes] = {}
    entries: list[str] = []
    for (site, zone), rows in done.group_by("site_id", "timezone", maintain_order=True):
        faults = ", ".join(f'"{word}": {code}' for code, word in TROUBLE.items())
        part = MAPPING.format(name=site, zone=zone, faults=faults)
        entries.append(part if not entries else part.removeprefix("exports:\n"))
        week = rows.with_columns(
            week=((pl.col("t0_ms") - int(world.spec.start.timestamp() * 1000)) // (7 * 86_400_000))
            + 1
        )
        for (number,), some in week.group_by("week", maintain_order=True):
            odd = int(str(number)) % 2 == 1
            name = f"sessions/{site}_{'bays' if odd else 'list'}_{int(str(number)):02d}.csv"
            files[name] = _bays(some, str(zone)) if odd else _list(some, str(zone))
    if entries:
        files["sessions/mapping.yaml"] = "".join(entries).encode()
    return files


def _bays(rows: pl.DataFrame, zone: str) -> bytes:
    """First dialect: commas, day.month.year, Wh."""
    form = "%d.%m.%Y %H:%M:%S"
    out = rows.select(
        pl.col("evse_id").alias("Bay"),
        pl.col("id_token").alias("Card"),
        _local("plugged_at", zone, form).alias("From"),
        _local("unplugged_at", zone, form).alias("Until"),
        pl.col("energy_wh").alias("Energy Wh"),
        pl.col("ended").alias("Ended"),
        pl.col("trouble").alias("Trouble"),
    )
    return out.write_csv().encode()


def _list(rows: pl.DataFrame, zone: str) -> bytes:
    """Second dialect: semicolons, decimal commas, kWh, Windows-1252."""
    form = "%Y-%m-%dT%H:%M:%S"
    out = rows.select(
        pl.col("evse_id").alias("Plass"),
        pl.col("vehicle_id").alias("Bil"),
        _local("plugged_at", zone, form).alias("Start"),
        _local("unplugged_at", zone, form).alias("Slutt"),
        (pl.col("energy_wh") / 1000).round(3).alias("Energi"),
        pl.col("ended").alias("Årsak"),
        pl.col("trouble").alias("Feil"),
    )
    return out.write_csv(separator=";", decimal_comma=True).encode("cp1252")
