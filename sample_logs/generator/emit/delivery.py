"""A delivery with its truth beside it: DIR/delivery and DIR/truth."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np
import polars as pl

from sample_logs.generator.emit import exports, ocpp16, ocpp201, office, telematics
from sample_logs.generator.emit.clocks import Stations, draw_stations
from sample_logs.generator.emit.dirt import soiled
from sample_logs.generator.emit.events import COLUMNS
from sample_logs.generator.emit.files import write
from sample_logs.generator.emit.impossible import spoil_frames, spoil_pilot
from sample_logs.generator.emit.pilot import pilot_rows
from sample_logs.generator.emit.prepare import draw_tokens, prepared
from sample_logs.generator.emit.station_events import cut_by_boot, station_events
from sample_logs.generator.emit.wire import lines, uncut
from sample_logs.generator.world import World

WEEK_MS = 7 * 86_400_000
PACKING = ("", ".gz", ".zst")
ATTEMPT_TRUTH = (
    *(
        "attempt_id",
        "vehicle_id",
        "evse_id",
        "site_id",
        "station_id",
        "connector_id",
        "coupler",
        "vehicle_model",
    ),
    *(
        "evse_model",
        "firmware",
        "diode_check",
        "plugged_at",
        "unplugged_at",
        "supply",
        "outcome",
        "stage",
    ),
    *("stage_seconds", "fault", "early_b", "energy_kwh", "pilot_high_v", "pilot_low_v", "cause"),
    *(
        "true_p_vehicle",
        "true_p_evse",
        "true_p_pairing",
        "true_p_chance",
        "vehicle_fault",
        "evse_fault",
        "leak_ohm",
    ),
    *(
        "id_token",
        "token_conflict",
        "version",
        "pilot",
        "export",
        "cut_ms",
        "calls",
        "pilot_rows",
        "exported",
    ),
)


def write_delivery(
    world: World,
    directory: Path,
    dirt: float,
    *,
    stations: Stations | None = None,
    packed: bool = False,
) -> None:
    """Write the world as a delivery and its truth; `packed` packs every large file."""
    stations = draw_stations(world, dirt) if stations is None else stations
    tokens = draw_tokens(world)
    attempts = cut_by_boot(prepared(world, stations, tokens), stations.boots)
    home = directory / "delivery"
    write(home / "fleet" / "vehicles.csv", office.vehicles_csv(world))
    write(home / "fleet" / "tokens.csv", office.tokens_csv(tokens))
    write(home / "sites" / "evses.csv", office.evses_csv(world))
    write(home / "workshop" / "findings.csv", office.findings_csv(world))
    for name, content in exports.export_files(world, attempts).items():
        write(home / name, content)
    packing = (".zst", ".gz") if packed else PACKING
    rng = world.spec.rng("impossible")
    metered, planted = spoil_frames(attempts, rng, dirt)
    pilot, planted_rows = spoil_pilot(pilot_rows(world, stations, attempts), rng, dirt)
    frames = _frames(world, stations, metered, dirt)
    damage = _write_frames(world, frames, home, dirt, packing)
    for place, rows in (
        ("pilot/pilot", pilot.drop("attempt_id")),
        ("telematics/charging", telematics.charging_rows(world, attempts)),
    ):
        damage |= _write_rows(world, rows, home, place, dirt, packing)
    dtcs = telematics.dtc_rows(world).drop("t_ms")
    write(home / "telematics" / "dtcs.csv", dtcs.write_csv().encode())
    write(
        directory / "truth" / "impossible.csv",
        pl.concat([planted, planted_rows]).write_csv().encode(),
    )
    seen = _with_evidence(attempts, frames, pilot)
    _write_truth(world, stations, seen, directory / "truth", damage)


def _weeks(world: World, frame: pl.DataFrame, column: str) -> list[pl.DataFrame]:
    """Frame cut into weeks of the world; what comes after the end belongs to the last."""
    begin = int(world.spec.start.timestamp() * 1000)
    number = ((pl.col(column) - begin) // WEEK_MS).clip(0, world.spec.weeks - 1)
    numbered = frame.with_columns(number.alias("week"))
    return [numbered.filter(pl.col("week") == w).drop("week") for w in range(world.spec.weeks)]


def _label(world: World, week: int) -> str:
    """ISO week of the world's week number."""
    monday = world.spec.start.timestamp() + week * WEEK_MS / 1000
    return str(np.datetime64(int(monday), "s").astype("datetime64[D]"))


def _frames(world: World, stations: Stations, attempts: pl.DataFrame, dirt: float) -> pl.DataFrame:
    """Lines of all frames in the receiver's order, before any damage."""
    speaking = attempts.filter(~pl.col("export"))
    of_attempts = pl.concat(
        [f(speaking).select(COLUMNS) for f in (ocpp16.events_16, ocpp201.events_201)]
    )
    events = pl.concat([uncut(of_attempts, attempts), station_events(world, stations, attempts)])
    return lines(events, stations, world.spec.rng("wire"), dirt)


def _write_frames(
    world: World, frames: pl.DataFrame, home: Path, dirt: float, packing: tuple[str, ...]
) -> dict[str, dict[str, int]]:
    """Frames, a file a week; with dirt, one file is delivered twice under another name."""
    rng = world.spec.rng("soil")
    damage: dict[str, dict[str, int]] = {}
    for week, part in enumerate(_weeks(world, frames, "at_ms")):
        raw = [text.encode() for text in part["line"].to_list()]
        dirty, done = soiled(raw, rng, dirt)
        content = b"".join(line + b"\n" for line in dirty)
        name = f"frames-{_label(world, week)}.jsonl{packing[week % len(packing)]}"
        write(home / "ocpp" / name, content)
        damage[f"ocpp/{name}"] = asdict(done)
        if week == 1 and dirt > 0:
            write(home / "ocpp" / "again" / "sent-twice.jsonl.zst", content)
    return damage


def _write_rows(
    world: World, rows: pl.DataFrame, home: Path, place: str, dirt: float, packing: tuple[str, ...]
) -> dict[str, dict[str, int]]:
    """CSV rows, a file a week; the header stays whole."""
    rng = world.spec.rng(place)
    damage: dict[str, dict[str, int]] = {}
    for week, part in enumerate(_weeks(world, rows, "t_ms")):
        if part.height:
            header, *raw = part.drop("t_ms").write_csv().encode().splitlines()
            dirty, done = soiled(raw, rng, dirt)
            name = f"{place}-{_label(world, week)}.csv{packing[(week + 1) % len(packing)]}"
            write(home / name, b"".join(line + b"\n" for line in (header, *dirty)))
            damage[name] = asdict(done)
    return damage


def _with_evidence(
    attempts: pl.DataFrame, frames: pl.DataFrame, pilot: pl.DataFrame
) -> pl.DataFrame:
    """Add how many calls and pilot rows tell of each attempt, and whether an export does."""
    for name, rows in (("calls", frames), ("pilot_rows", pilot)):
        count = rows.group_by("attempt_id").len(name).filter(pl.col("attempt_id").is_not_null())
        attempts = attempts.join(count, on="attempt_id", how="left", maintain_order="left")
    return attempts.with_columns(
        pl.col("calls", "pilot_rows").fill_null(0),
        exported=pl.col("export") & pl.col("pwm_s").is_not_null(),
    )


def _write_truth(
    world: World,
    stations: Stations,
    attempts: pl.DataFrame,
    folder: Path,
    damage: dict[str, dict[str, int]],
) -> None:
    """Truth: attempts, faults, stations' clocks, and the damage done to files."""
    folder.mkdir(parents=True, exist_ok=True)
    attempts.select(ATTEMPT_TRUTH).sort("attempt_id").write_parquet(
        folder / "attempts.parquet", compression="zstd"
    )
    for name, frame in (
        ("vehicle_truth", world.vehicle_truth),
        ("evse_truth", world.evse_truth),
        ("pairing_truth", world.pairing_truth),
        ("station_clock", stations.clock),
        ("station_boots", stations.boots),
        ("station_offline", stations.offline),
    ):
        write(folder / f"{name}.csv", frame.write_csv().encode())
    write(folder / "damage.json", json.dumps(damage, indent=1, sort_keys=True).encode() + b"\n")
