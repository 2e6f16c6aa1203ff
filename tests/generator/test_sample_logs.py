"""The committed sample: made by the generator, small, and as its README says."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

import sample_logs
from sample_logs.generator import simulate_frames, town_world, write_town
from sample_logs.generator.emit.files import read

HOME = Path(sample_logs.__file__).parent


@pytest.fixture(scope="module")
def again(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample made again."""
    home = tmp_path_factory.mktemp("town")
    write_town(home)
    return home


def files(home: Path) -> dict[str, Path]:
    """Files of delivery and truth by relative path."""
    return {
        path.relative_to(home).as_posix(): path
        for part in ("delivery", "truth")
        for path in sorted((home / part).rglob("*"))
        if path.is_file()
    }


def test_generator_makes_the_committed_sample(again: Path) -> None:
    """Same files, same content (packed files are compared unpacked.

    Packers may differ by version).
    """
    here, made = files(HOME), files(again)
    assert sorted(here) == sorted(made)
    for name, path in here.items():
        if path.suffix == ".parquet":
            assert pl.read_parquet(path).equals(pl.read_parquet(made[name])), name
        else:
            assert read(path) == read(made[name]), name


def test_packing_has_no_time_stamp(again: Path, tmp_path: Path) -> None:
    """Made twice by the same packers, the files are the same bytes."""
    write_town(tmp_path)
    for name, path in files(again).items():
        assert path.read_bytes() == files(tmp_path)[name].read_bytes(), name


def test_sample_is_small() -> None:
    """Under 3 MB in all."""
    assert sum(path.stat().st_size for path in files(HOME).values()) < 3_000_000


def test_planted_faults_show() -> None:
    """Every planted fault has failures to its name, the leaking diode none.

    The lone pair meets nobody else.
    """
    world = town_world()
    attempts = world.attempts
    failed = attempts.filter(pl.col("outcome") == "failed")
    for vehicle in ("meals-03", "parcels-05", "meals-09", "parcels-10", "parcels-31"):
        assert (
            failed.filter((pl.col("vehicle_id") == vehicle) & (pl.col("cause") == "vehicle")).height
            >= 10
        )
    for evse in ("ny-east-2", "hk-quay-2"):
        ours = failed.filter((pl.col("evse_id") == evse) & (pl.col("cause") == "evse"))
        assert ours["vehicle_id"].n_unique() >= 5
    assert failed.filter(pl.col("cause") == "pairing")["vehicle_id"].n_unique() >= 3
    leaking = attempts.filter(pl.col("vehicle_id") == "parcels-14").sort("plugged_at")
    assert leaking.filter(pl.col("cause") == "vehicle").is_empty()
    assert leaking["leak_ohm"].is_sorted(descending=True)
    lone = attempts.filter(
        (pl.col("vehicle_id") == "parcels-31") | (pl.col("evse_id") == "md-shed-1")
    )
    assert lone.select("vehicle_id", "evse_id").n_unique() == 1


def test_chademo_charges_with_a_shorted_diode() -> None:
    """The meals van's DC sessions go on (its DC coupler has no pilot), the CCS van's fail where the
    diode is looked for.
    """
    attempts = town_world().attempts.filter(pl.col("vehicle_fault") == "pilot_diode_shorted")
    dc = (
        attempts.filter(pl.col("supply") == "DC")
        .group_by("coupler")
        .agg((pl.col("cause") == "vehicle").sum().alias("n"))
    )
    assert dc.filter(pl.col("coupler") == "cG105")["n"].to_list() == [0]
    assert dc.filter(pl.col("coupler") == "cCCS2")["n"].item() > 0


def test_bulk_frames(tmp_path: Path) -> None:
    """The bench file has the size asked for, no two lines alike, and every line is a frame."""
    path = tmp_path / "bulk.jsonl"
    written = simulate_frames(path, 0.02, seed=3)
    assert path.stat().st_size == written >= 20_000_000
    frames = pl.read_ndjson(
        path,
        schema={"at": pl.String, "station_id": pl.String, "dir": pl.String},
        ignore_errors=False,
    )
    lines = path.read_bytes().splitlines()
    assert len(frames) == len(lines) == len(set(lines))
    share = sum(b'"MeterValues"' in line for line in lines) / len(lines)
    assert share > 0.3
