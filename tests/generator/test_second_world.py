"""The second world: its frames keep to the protocols, its truth adds up, and equal seeds give equal files."""

from __future__ import annotations

import gzip
import json
import re
from collections import Counter
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
import pytest
import yaml
import zstandard
from jsonschema import Draft4Validator, Draft6Validator
from ocpp import v16, v201

from sample_logs.second_world import WORLDS, simulate

CLEAN = replace(
    WORLDS["standard"],
    dirt=0.0,
    vehicle_faults=0.3,
    evse_faults=0.3,
    outages_per_site_week=0.3,
    central_log_sites=0,
)
SIZE = (30, 18, 4)


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A world full of faults whose files are undamaged."""
    folder = tmp_path_factory.mktemp("clean")
    simulate(folder, *SIZE, seed=5, mechanics=CLEAN)
    return folder


def text_of(path: Path) -> str:
    """Text of a plain, .gz or .zst file."""
    data = path.read_bytes()
    if path.suffix == ".gz":
        data = gzip.decompress(data)
    elif path.suffix == ".zst":
        data = zstandard.decompress(data)
    return data.decode()


def envelopes(folder: Path) -> list[dict[str, Any]]:
    """Every frame with its envelope."""
    files = sorted((folder / "delivery/ocpp").iterdir())
    return [json.loads(line) for path in files for line in text_of(path).splitlines()]


@cache
def schema(version: str, action: str, *, answer: bool) -> Any:
    """The schema bundled in the PyPI package `ocpp`."""
    package, reader = (v16, Draft4Validator) if version == "1.6" else (v201, Draft6Validator)
    name = f"{action}{'Response' if answer else ('' if version == '1.6' else 'Request')}.json"
    return reader(
        json.loads((Path(package.__file__).parent / "schemas" / name).read_text("utf-8-sig"))
    )


def test_frames_keep_to_the_published_schemas(clean: Path) -> None:
    """Every call and result validates against the schemas bundled in the PyPI package `ocpp`."""
    asked: dict[tuple[str, str], str] = {}
    seen: Counter[str] = Counter()
    for said in envelopes(clean):
        frame, version, station = said["frame"], said["version"], said["station_id"]
        if frame[0] == 2:
            asked[station, frame[1]] = frame[2]
            schema(version, frame[2], answer=False).validate(frame[3])
            seen[f"{version} {frame[2]}"] += 1
        else:
            schema(version, asked[station, frame[1]], answer=True).validate(frame[2])
    assert {
        "1.6 StartTransaction",
        "1.6 MeterValues",
        "2.0.1 TransactionEvent",
        "2.0.1 NotifyEvent",
    } <= set(seen)


def test_a_central_log_tells_the_same_frames_in_local_time(tmp_path: Path, clean: Path) -> None:
    """A site written as a text log holds the frames of its envelopes, line for line; its mapping names the words."""
    simulate(tmp_path, *SIZE, seed=5, mechanics=replace(CLEAN, central_log_sites=1))
    log = "".join(text_of(p) for p in sorted((tmp_path / "delivery/ocpp").glob("central-*.log*")))
    arrays = [json.loads(line[line.index("[") :]) for line in log.splitlines()]
    assert arrays == [e["frame"] for e in envelopes(clean) if e["station_id"].startswith("y1-")]
    entry = yaml.safe_load((tmp_path / "delivery/ocpp/yard-1.mapping.yaml").read_text())["frames"][
        0
    ]
    word = "received|sent"
    assert re.fullmatch(
        rf"\d{{4}}-\d\d-\d\d \d\d:\d\d:\d\d,\d{{3}} INFO \S+ y1-\d: ({word}) \[.*\]",
        log.splitlines()[0],
    )
    assert {*entry["in"], *entry["out"]} == {"received", "sent"}


def test_calls_have_ids_of_their_own_and_at_most_one_answer(clean: Path) -> None:
    """An id is used by one call of a station, and answered once in the other direction."""
    calls = Counter(
        (e["station_id"], e["frame"][1]) for e in envelopes(clean) if e["frame"][0] == 2
    )
    answers = Counter(
        (e["station_id"], e["frame"][1]) for e in envelopes(clean) if e["frame"][0] == 3
    )
    assert set(calls.values()) == set(answers.values()) == {1}
    assert set(answers) <= set(calls)
    assert {e["dir"] for e in envelopes(clean) if e["frame"][0] == 2} == {"in"}


def test_status_moves_are_those_of_the_1_6_table(clean: Path) -> None:
    """Statuses of a connector follow section 4.9 of OCPP 1.6, as two independent transcriptions give it."""
    declared = yaml.safe_load(Path("schemas/moves/ocpp16_status.yaml").read_text())
    allowed = {(before, after) for before, afters in declared.items() for after in afters}
    last: dict[tuple[str, int], str] = {}
    for said in envelopes(clean):
        frame = said["frame"]
        if said["version"] == "1.6" and frame[0] == 2 and frame[2] == "StatusNotification":
            key = said["station_id"], frame[3]["connectorId"]
            before, now = last.get(key, "Available"), frame[3]["status"]
            assert before == now or (before, now) in allowed, f"{key}: {before} to {now}"
            last[key] = now


def test_a_transaction_counts_its_events_and_ends_last(clean: Path) -> None:
    """OCPP 2.0.1: seqNo of a transaction runs 0, 1, 2 …; Started comes first, Ended last."""
    events: dict[str, list[tuple[int, str]]] = {}
    for said in envelopes(clean):
        frame = said["frame"]
        if frame[0] == 2 and frame[2] == "TransactionEvent":
            events.setdefault(frame[3]["transactionInfo"]["transactionId"], []).append(
                (frame[3]["seqNo"], frame[3]["eventType"])
            )
    assert len(events) > 20
    for told in events.values():
        assert [number for number, _ in told] == list(range(len(told)))
        kinds = [kind for _, kind in told]
        assert kinds[0] == "Started"
        assert kinds.index("Ended") == len(kinds) - 1


def test_equal_seeds_give_equal_files(tmp_path: Path, clean: Path) -> None:
    """The same seed writes the same bytes; another seed does not."""
    simulate(tmp_path / "again", *SIZE, seed=5, mechanics=CLEAN)
    simulate(tmp_path / "other", *SIZE, seed=6, mechanics=CLEAN)
    names = sorted(p.relative_to(clean) for p in clean.rglob("*") if p.is_file())
    assert [(clean / n).read_bytes() for n in names] == [
        (tmp_path / "again" / n).read_bytes() for n in names
    ]
    one, two = clean / "delivery/fleet/vehicles.csv", tmp_path / "other/delivery/fleet/vehicles.csv"
    assert one.read_bytes() != two.read_bytes()


def test_the_truth_adds_up(clean: Path) -> None:
    """Failed attempts have one cause, which had a chance to act; all others have none. Nobody is in two places."""
    attempts = pl.read_parquet(clean / "truth/attempts.parquet")
    failed = attempts.filter(pl.col("outcome") == "failed")
    assert failed.height > 50
    assert failed["cause"].null_count() == 0
    assert (
        attempts.filter(pl.col("outcome") != "failed")["cause"].null_count()
        == attempts.height - failed.height
    )
    for cause in ("vehicle", "evse", "pairing", "site", "chance"):
        assert (failed.filter(pl.col("cause") == cause)[f"p_{cause}"] > 0).all()
    for key in ("vehicle_id", "evse_id"):
        before = pl.col("unplugged_at").shift(1).over(key)
        overlaps = attempts.sort(key, "plugged_at").filter(pl.col("plugged_at") < before)
        assert overlaps.is_empty()


def test_every_kind_of_fault_is_there(tmp_path: Path) -> None:
    """In a large enough world each declared kind makes attempts fail in its own way."""
    simulate(
        tmp_path, 300, 60, 3, seed=2, mechanics=replace(CLEAN, vehicle_faults=0.5, evse_faults=0.7)
    )
    failed = pl.read_parquet(tmp_path / "truth/attempts.parquet").filter(
        pl.col("outcome") == "failed"
    )
    kinds = set(failed["cause_suspect"].unique())
    assert set(CLEAN.vehicle_suspects) | set(CLEAN.evse_suspects) <= kinds
    sockets = failed.filter(
        (pl.col("cause") == "vehicle") & (pl.col("cause_suspect") == "carried_cable")
    )
    assert set(sockets["connector_type"]) == {"sType2"}
    short = failed.filter(
        (pl.col("cause") == "vehicle") & (pl.col("cause_suspect") == "pilot_diode_shorted")
    )
    assert "no" not in set(short["looks"])
    assert "cG105" not in set(short["connector_type"])
    asked = failed.filter(
        (pl.col("cause") == "vehicle") & (pl.col("cause_suspect") == "never_requests")
    )
    assert asked["silent"].all()


def test_a_world_without_faults_fails_by_chance_only(tmp_path: Path) -> None:
    """With every fault switched off only chance and events of a whole site are left."""
    simulate(tmp_path, 40, 18, 6, seed=3, mechanics=WORLDS["no_fault"])
    attempts = pl.read_parquet(tmp_path / "truth/attempts.parquet")
    failed = attempts.filter(pl.col("outcome") == "failed")
    assert set(failed["cause"]) <= {"chance", "site"}
    assert 0.01 < failed.filter(pl.col("cause") == "chance").height / attempts.height < 0.05


def test_worlds_of_one_seed_are_other_fleets() -> None:
    """Each named world draws from a stream of its own."""
    assert len({world.stream for world in WORLDS.values()}) == len(WORLDS)


@pytest.mark.parametrize("name", WORLDS)
def test_every_named_world_can_be_written(name: str, tmp_path: Path) -> None:
    """Each named world gives a delivery and truth, with what its name promises."""
    simulate(tmp_path, 40, 18, 4, seed=4, mechanics=WORLDS[name])
    assert (tmp_path / "delivery/sites/evses.csv").exists()
    attempts = pl.read_parquet(tmp_path / "truth/attempts.parquet")
    faults = pl.read_parquet(tmp_path / "truth/vehicle_faults.parquet")
    assert attempts.height > 20
    assert faults["comes_and_goes"].any() == (name == "intermittent" and faults.height > 0)
    assert name != "weather" or attempts["wet"].any()
    assert name != "outages" or pl.read_parquet(tmp_path / "truth/outages.parquet").height > 0
