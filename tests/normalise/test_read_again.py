"""What is told again: a corrected mapping, a frame's copy that was received first.

The end is as if told so from the start.
"""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl

from pipeline.core.progress import silent
from pipeline.ingest import ingest_delivery
from pipeline.orchestrate.run import normalise_step
from pipeline.settings import Settings
from pipeline.storage.warehouse import Connection, query, read, writing

EVSES = (
    "evse_id,site_id,station_id,connector_id,evse_model,firmware,supply,connector_type,"
    "max_current_a,phases,max_power_kw,timezone\nE1,S,ST1,1,M,1,AC,sType2,32,3,22,Europe/Oslo\n"
)
MAPPING = """exports:
  - file: "*.csv"
    columns: {evse_id: Bay, vehicle_id: Car, plugged_at: From, unplugged_at: Until, energy_kwh: Energy, fault: Trouble}
    timezone: Europe/Oslo
    energy_unit: Wh
    fault: {leak: GroundFailure}
"""
EXPORT = "Bay,Car,From,Until,Energy,Trouble\n" + "".join(
    f"E1,V{day % 3},2026-03-{day:02}T08:00:00,2026-03-{day:02}T09:00:00,{'8000,' if day % 4 else '0,leak'}\n"
    for day in range(2, 29)
)


def put(folder: Path, **files: str) -> Path:
    """A delivery of files by name, `_` for the dot before the ending."""
    folder.mkdir()
    for name, text in files.items():
        (folder / name.replace("_", ".")).write_text(text)
    return folder


def take(con: Connection, *deliveries: Path) -> None:
    """Read deliveries and make attempts, as a run does."""
    for delivery in deliveries:
        ingest_delivery(con, delivery, Settings().ingest)
        normalise_step(con, Settings(), silent)


def core(con: Connection) -> dict[str, pl.DataFrame]:
    """What was made, in an order of its own."""
    names = ("core_plug_in", "core_attempt", "core_word", "core_clock", "core_signal")
    tables = {name: read(con, name) for name in names}
    flat = {
        n: t.with_columns(pl.col("lineage").list.join(" ")) if "lineage" in t.columns else t
        for n, t in tables.items()
    }
    return {name: table.sort(table.columns) for name, table in flat.items()}


def test_a_corrected_mapping_leaves_no_trace_of_the_wrong_one(tmp_path: Path) -> None:
    """Zone, unit and words corrected.

    Plug-ins, attempts and words are those of a warehouse that saw the right mapping only.
    """
    wrong = (
        MAPPING.replace("Europe/Oslo", "UTC")
        .replace("energy_unit: Wh", "energy_unit: kWh")
        .replace("leak:", "drip:")
    )
    first = put(tmp_path / "first", e_csv=EVSES, mapping_yaml=wrong, x_csv=EXPORT)
    second = put(tmp_path / "second", mapping_yaml=MAPPING, x_csv=EXPORT)
    with writing(tmp_path / "a.duckdb") as a, writing(tmp_path / "b.duckdb") as b:
        take(a, first)
        assert core(a)["core_attempt"]["energy_kwh"].max() == 8000
        take(a, second)
        take(b, put(tmp_path / "right", e_csv=EVSES, mapping_yaml=MAPPING, x_csv=EXPORT))
        found, right = core(a), core(b)
        assert right["core_attempt"]["outcome"].value_counts().sort("outcome").rows() == [
            ("charged", 20),
            ("failed", 7),
        ]
        assert all(found[name].equals(right[name]) for name in right)
        take(a, first, second)
        assert all(core(a)[name].equals(right[name]) for name in right)


def frames(*said: tuple[str, str, list[object]]) -> str:
    """Lines of frames (received, station or centre, frame)."""
    envelope = {"station_id": "ST1", "version": "1.6"}
    return "".join(
        json.dumps({"at": f"2026-03-{at}Z", "dir": way, "frame": f, **envelope}) + "\n"
        for at, way, f in said
    )


def status(number: int, at: str, word: str) -> list[object]:
    """A StatusNotification of connector 1."""
    told = {"connectorId": 1, "status": word, "errorCode": "NoError", "timestamp": f"2026-03-{at}Z"}
    return [2, str(number), "StatusNotification", told]


def test_which_file_a_copy_is_found_in_first_does_not_matter(tmp_path: Path) -> None:
    """Frames sent again days later, read before or after those that came at once.

    The same signals, clocks and attempts.
    """
    words = ("Preparing", "Charging", "Available", "Preparing")
    times = list(
        zip(("02T08:00:00", "02T08:00:30", "02T09:00:00", "03T08:00:00"), words, strict=True)
    )
    at_once = frames(*((at, "in", status(n, at, word)) for n, (at, word) in enumerate(times)))
    again = frames(
        *((f"09T07:00:{n:02}", "in", status(n, at, word)) for n, (at, word) in enumerate(times))
    )
    live = frames(
        *(
            (f"{day:02}T07:00:00", "in", status(100 + day, f"{day:02}T07:00:00", "Available"))
            for day in range(4, 12)
        )
    )
    put(tmp_path / "lists", e_csv=EVSES)
    first, late = (
        put(tmp_path / "first", a_jsonl=at_once),
        put(tmp_path / "late", b_jsonl=again + live),
    )
    with writing(tmp_path / "a.duckdb") as a, writing(tmp_path / "b.duckdb") as b:
        take(a, tmp_path / "lists", first, late)
        take(b, tmp_path / "lists", late, first)
        one, other = core(a), core(b)
        assert query(a, "SELECT * FROM raw_changed").is_empty()
        assert query(b, "SELECT * FROM raw_changed").is_empty()
    assert one["core_attempt"].height == 2
    for name in one:
        told = [c for c in one[name].columns if c not in {"file_id", "line", "lineage"}]
        assert one[name].select(told).sort(told).equals(other[name].select(told).sort(told)), name
