"""A world of any size and seed: `simulate` writes a delivery and, beside it, what is true. Written from the contract alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl

from sample_logs.second_world import calls16, calls201, offices, records, truth, wire
from sample_logs.second_world.chances import chances
from sample_logs.second_world.clocks import DAY_S, Clocks, draw_clocks
from sample_logs.second_world.faults import Faults, draw_faults
from sample_logs.second_world.fleet import Fleet, build_fleet
from sample_logs.second_world.mechanics import STANDARD, Mechanics
from sample_logs.second_world.steps import with_steps
from sample_logs.second_world.story import story
from sample_logs.second_world.usage import again, apart, plug_ins
from sample_logs.second_world.words import worded

SUFFIXES = ("", ".gz", ".zst")


def simulate(
    out_dir: str | Path,
    vehicles: int,
    evses: int,
    weeks: int,
    seed: int,
    mechanics: Mechanics = STANDARD,
) -> Path:
    """Write `out_dir/delivery` and `out_dir/truth`; equal seeds give equal files.

    Parameters
    ----------
    out_dir
        Folder, made where absent.
    vehicles
        How many vehicles.
    evses
        How many EVSEs.
    weeks
        How long, from a Monday on.
    seed
        Of all that is drawn.
    mechanics
        How the world goes, see `WORLDS`.

    Returns
    -------
    Path
        The delivery's folder.

    """
    rng = np.random.default_rng([seed, mechanics.stream])
    fleet = build_fleet(rng, vehicles, evses, weeks, mechanics)
    faults = draw_faults(rng, fleet, mechanics)
    clocks = draw_clocks(rng, fleet, mechanics.dirt)
    steps = attempts_of(rng, fleet, faults, mechanics)
    delivery = Path(out_dir) / "delivery"
    _write_offices(rng, delivery, fleet, faults, steps)
    _write_logs(rng, delivery, fleet, clocks, steps, mechanics)
    truth.write_truth(Path(out_dir) / "truth", steps, fleet, faults)
    return delivery


def attempts_of(
    rng: np.random.Generator, fleet: Fleet, faults: Faults, mechanics: Mechanics
) -> pl.DataFrame:
    """Every plug-in with its story, second tries among them; `n` numbers them, `t_s` is the second since the start."""

    def told(frame: pl.DataFrame) -> pl.DataFrame:
        frame = (
            frame.drop("n", strict=False)
            .with_row_index("n")
            .with_columns(pl.col("n").cast(pl.Int64))
        )
        return story(rng, chances(frame, fleet, faults, mechanics), mechanics)

    first = told(plug_ins(rng, fleet, mechanics))
    second = told(again(rng, first.filter("noticed"), fleet, mechanics))
    whole = pl.concat([first, second.with_columns(pl.col("n") + first.height)])
    whole = apart(apart(whole, "v"), "e").filter(pl.col("left_d") < fleet.days).sort("t_d", "n")
    whole = (
        whole.drop("n")
        .with_row_index("n")
        .with_columns(pl.col("n").cast(pl.Int64), (pl.col("t_d") * DAY_S).alias("t_s"))
    )
    wh = (pl.col("energy_kwh") * 1000).round().cast(pl.Int64)
    whole = whole.with_columns((100_000 + wh.cum_sum().over("e") - wh).alias("meter_wh"))
    return with_steps(worded(whole))


def _write_offices(
    rng: np.random.Generator, delivery: Path, fleet: Fleet, faults: Faults, steps: pl.DataFrame
) -> None:
    tables = {
        "fleet/vehicles.csv": offices.vehicle_list(fleet),
        "fleet/tokens.csv": offices.token_list(fleet),
        "sites/evses.csv": offices.evse_list(fleet),
        "sites/work.csv": offices.work(fleet, faults),
        "workshop/findings.csv": offices.findings(rng, fleet, faults),
        "telematics/charging.csv.gz": records.telematics(rng, steps),
        "telematics/dtcs.csv": offices.trouble_codes(rng, fleet, steps),
    }
    for name, table in tables.items():
        if table.height:
            wire.write_text(delivery / name, table.write_csv())


def _write_logs(
    rng: np.random.Generator,
    delivery: Path,
    fleet: Fleet,
    clocks: Clocks,
    steps: pl.DataFrame,
    mechanics: Mechanics,
) -> None:
    where = fleet.evses.select("station_id", "site_id", "timezone", "exported", "central").unique(
        "station_id", maintain_order=True
    )
    talking = where.filter(~pl.col("exported"))["station_id"].implode()
    calls = pl.concat(
        [
            calls16.calls(steps),
            calls201.calls(steps),
            wire.housekeeping(rng, fleet, clocks).filter(pl.col("station_id").is_in(talking)),
        ]
    )
    frames = wire.frames_of(calls, clocks).join(
        where, on="station_id", how="left", maintain_order="left"
    )
    month = (pl.col("at_s") / (28 * DAY_S)).floor().cast(pl.Int64)
    central = set(where.filter("central")["site_id"])
    parts = frames.with_columns(month.alias("_part")).partition_by(
        "site_id", "timezone", "_part", as_dict=True, maintain_order=True
    )
    for number, ((site, zone, part), told) in enumerate(parts.items()):
        text = wire.logged(told, str(zone)) if site in central else wire.enveloped(told)
        name = f"central-{site}_{part}.log" if site in central else f"{site}_{part}.jsonl"
        dirty = wire.dirtied(rng, text, mechanics.dirt)
        wire.write_text(
            delivery / f"ocpp/{name}{SUFFIXES[number % 3]}",
            "\n".join(dirty["line"].to_list()) + "\n",
        )
        if site in central:
            mapping = wire.CENTRAL_MAPPING.format(site=site, zone=zone)
            wire.write_text(delivery / f"ocpp/{site}.mapping.yaml", mapping)
    pilot = records.pilot_rows(rng, steps, clocks)
    for (site,), rows in pilot.partition_by("site", as_dict=True, maintain_order=True).items():
        wire.write_text(
            delivery / f"pilot/yard-{int(str(site)) + 1}.csv{SUFFIXES[int(str(site)) % 3]}",
            rows.drop("site").write_csv(),
        )
    for (site, zone), sessions in (
        steps.filter("exported")
        .partition_by("site_id", "timezone", as_dict=True, maintain_order=True)
        .items()
    ):
        wire.write_text(
            delivery / f"sites/{site}_sessions.csv",
            records.export_text(str(site), records.exported(sessions, str(zone))),
        )
        wire.write_text(
            delivery / f"sites/{site}.mapping.yaml", records.MAPPING.format(site=site, zone=zone)
        )
