"""Pilot rows, exports, telematics and findings as written."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

import polars as pl
import pytest
import yaml

from sample_logs.generator import simulate
from sample_logs.generator.emit.files import read

PILOT_STATES = {"A1", "B1", "B2", "C1", "C2", "F"}
# IEC 61851-1 moves between pilot letters (from memory); any letter may go to A, E or F.
LETTERS = {"A": "ABEF", "B": "ABCDEF", "C": "ABCEF", "F": "AF"}


def pilot(home: Path) -> pl.DataFrame:
    """All pilot rows of a delivery."""
    parts = [pl.read_csv(BytesIO(read(p))) for p in sorted((home / "delivery" / "pilot").iterdir())]
    return pl.concat(parts, how="vertical_relaxed")


def test_pilot_letters_follow_each_other(clean: Path) -> None:
    """On every connector the letters move as IEC 61851-1 lets them, and the contactor closes in C2
    only.
    """
    rows = pilot(clean)
    assert set(rows["state"].unique()) <= PILOT_STATES
    assert set(rows.filter(pl.col("contactor") == "closed")["state"]) == {"C2"}
    moves = rows.with_columns(
        letter=pl.col("state").str.head(1),
        then=pl.col("state").str.head(1).shift(-1).over("station_id", "connector_id"),
    )
    for letter, then in moves.select("letter", "then").drop_nulls().unique().iter_rows():
        assert then in LETTERS[letter], (letter, then)


def test_no_low_side_without_pwm(clean: Path) -> None:
    """A steady pilot (A1, B1, C1) has no negative level.

    The diode cannot be seen before the PWM starts.
    """
    rows = pilot(clean)
    assert rows.filter(pl.col("state").str.ends_with("1"))["low_v"].is_null().all()
    assert rows.filter(pl.col("state") == "C2")["low_v"].is_not_null().mean() not in (0.0, 1.0)


def test_dc_pilot_offers_five_percent(clean: Path) -> None:
    """CCS stations offer 5 % duty: digital communication (second-hand)."""
    evses = pl.read_csv(clean / "delivery" / "sites" / "evses.csv")
    rows = pilot(clean).join(
        evses.select("station_id", "connector_id", "supply"), on=["station_id", "connector_id"]
    )
    running = rows.filter(pl.col("state") == "C2")
    assert set(running.filter(pl.col("supply") == "DC")["duty_pct"].unique()) <= {5.0}
    assert (running.filter(pl.col("supply") == "AC")["duty_pct"] >= 10.0).all()


def test_exports_follow_their_mapping(clean: Path) -> None:
    """Read by nothing but its mapping, each export gives back the true times, to the second."""
    folder = clean / "delivery" / "sessions"
    entries = yaml.safe_load((folder / "mapping.yaml").read_text())["exports"]
    truth = pl.read_parquet(clean / "truth" / "attempts.parquet").filter("export")
    found = 0
    for entry in entries:
        form = entry.get("time_format", "%Y-%m-%dT%H:%M:%S")
        for path in folder.glob(entry["file"]):
            text = path.read_bytes().decode(entry.get("encoding", "utf-8")).encode()
            rows = pl.read_csv(
                BytesIO(text), separator=entry.get("delimiter", ","), infer_schema=False
            )
            columns = entry["columns"]
            assert set(columns.values()) == set(rows.columns)
            start = pl.col(columns["plugged_at"]).str.to_datetime(
                form, time_zone=entry["timezone"], time_unit="ms"
            )
            ours = rows.select(
                pl.col(columns["evse_id"]).alias("evse_id"),
                start.dt.convert_time_zone("UTC").alias("at"),
            )
            met = ours.join(
                truth.select("evse_id", at=pl.col("plugged_at").dt.truncate("1s")),
                on=["evse_id", "at"],
                how="inner",
            )
            assert met.height == rows.height
            assert set(rows[columns["end_reason"]].drop_nulls()) <= set(entry["end_reason"])
            assert set(rows[columns["fault"]].drop_nulls().replace("", None).drop_nulls()) <= set(
                entry["fault"]
            )
            found += rows.height
    assert found > 50


def test_empty_read_outs_are_there(clean: Path) -> None:
    """Most trouble-code read-outs are empty, and a diode fault stores no code."""
    dtcs = pl.read_csv(clean / "delivery" / "telematics" / "dtcs.csv")
    assert dtcs["dtc"].is_null().mean() > 0.8  # type: ignore[operator]


def test_autumn_hour_comes_twice(tmp_path: Path) -> None:
    """A world that ends after the clock change in October writes local times that exist twice."""
    simulate(
        tmp_path,
        vehicles=200,
        evses=12,
        weeks=2,
        seed=2,
        dirt=0.0,
        end=datetime(2026, 11, 2, tzinfo=UTC),
    )
    truth = pl.read_parquet(tmp_path / "truth" / "attempts.parquet").filter("export")
    local = truth["plugged_at"].dt.convert_time_zone("Europe/Oslo")
    offsets = (local.dt.base_utc_offset() + local.dt.dst_offset()).unique()
    assert len(offsets) == 2


def test_truth_is_not_in_the_delivery(clean: Path) -> None:
    """No file of the delivery names a cause or a fault's truth."""
    for path in (clean / "delivery").rglob("*"):
        if path.is_file():
            content = read(path)
            assert b"true_p" not in content
            assert b"pilot_diode_shorted" not in content


def test_damage_of_rows_is_counted(dirty: Path) -> None:
    """Pilot rows and telematics are soiled too, and the truth says how often."""
    damage = json.loads((dirty / "truth" / "damage.json").read_text())
    for place in ("pilot/", "telematics/"):
        assert sum(d["duplicated"] for name, d in damage.items() if name.startswith(place)) > 0


@pytest.mark.parametrize("seed", [21, 22])
def test_station_clocks_are_as_recorded(tmp_path: Path, seed: int) -> None:
    """Truth's clock segments turn every plug-in's true time into the time the station wrote."""
    simulate(tmp_path, vehicles=40, evses=24, weeks=2, seed=seed, dirt=1.0)
    clock = pl.read_csv(tmp_path / "truth" / "station_clock.csv").sort("true_ms")
    truth = pl.read_parquet(tmp_path / "truth" / "attempts.parquet").filter(
        pl.col("pilot") & (pl.col("coupler") != "cG105")
    )
    begun = truth.with_columns(t_ms=pl.col("plugged_at").dt.epoch("ms")).sort("t_ms")
    joined = begun.join_asof(
        clock, left_on="t_ms", right_on="true_ms", by="station_id", check_sortedness=False
    )
    wrote = pl.col("station_ms") + (
        (pl.col("t_ms") - pl.col("true_ms")) * pl.col("drift")
    ).round().cast(pl.Int64)
    expected = joined.select("station_id", "connector_id", at=wrote)
    parts = [
        pl.read_csv(
            BytesIO(read(p)),
            infer_schema=False,
            encoding="utf8-lossy",
            ignore_errors=True,
            truncate_ragged_lines=True,
        )
        for p in sorted((tmp_path / "delivery" / "pilot").iterdir())
    ]
    rows = pl.concat(parts).filter(pl.col("state") == "B1")
    at = (
        pl.col("at")
        .str.to_datetime("%Y-%m-%dT%H:%M:%S%.3fZ", strict=False, time_unit="ms")
        .dt.epoch("ms")
    )
    seen = rows.select("station_id", pl.col("connector_id").cast(pl.Int64, strict=False), at=at)
    missing = expected.join(seen, on=["station_id", "connector_id", "at"], how="anti")
    # a handful of rows were cut or soiled on purpose
    assert missing.height <= 0.01 * expected.height + 3


def test_impossible_records_are_listed(dirty: Path, clean: Path) -> None:
    """Dirt plants records of what cannot be, all listed; a clean delivery has none."""
    listed = pl.read_csv(dirty / "truth" / "impossible.csv")
    assert listed["kind"].n_unique() >= 4
    assert pl.read_csv(clean / "truth" / "impossible.csv").is_empty()
    rows = pilot(clean)
    assert rows.filter((pl.col("state") == "B2") & (pl.col("contactor") == "closed")).is_empty()
    assert (rows["high_v"].drop_nulls() < 14).all()
