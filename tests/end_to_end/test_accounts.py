"""A delivery damaged at random.

The accounting law holds for every file, nothing is lost without a reason, and nothing stops.
"""

from __future__ import annotations

import json
import random
import shutil
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.ingest import IngestReport, ingest_delivery
from pipeline.normalise import normalise
from pipeline.orchestrate.run import Request, run_week
from pipeline.settings import Settings
from pipeline.storage.warehouse import Connection, query, writing
from pipeline.validate import validate
from sample_logs.generator import simulate
from sample_logs.generator.emit.files import read, write

Damage = Callable[[bytes, random.Random], bytes]


def flip(content: bytes, dice: random.Random) -> bytes:
    """Up to a hundred bytes changed to others."""
    made = bytearray(content)
    for _ in range(dice.randint(1, 100)):
        made[dice.randrange(len(made))] = dice.randrange(256)
    return bytes(made)


def lines(change: Callable[[list[bytes], random.Random], list[bytes]]) -> Damage:
    """A damage done to lines."""
    return lambda content, dice: b"".join(change(content.splitlines(keepends=True), dice))


def cut_lines(rows: list[bytes], dice: random.Random) -> list[bytes]:
    """A tenth of the lines end early."""
    return [row[: dice.randrange(len(row))] + b"\n" if dice.random() < 0.1 else row for row in rows]


def double_lines(rows: list[bytes], dice: random.Random) -> list[bytes]:
    """A tenth of the lines come twice."""
    return [again for row in rows for again in [row] * (1 + (dice.random() < 0.1))]


def swap_lines(rows: list[bytes], dice: random.Random) -> list[bytes]:
    """The lines in any order, a header included."""
    return dice.sample(rows, len(rows))


def join_lines(rows: list[bytes], dice: random.Random) -> list[bytes]:
    """A tenth of the lines run into the next."""
    return [row.rstrip(b"\r\n") if dice.random() < 0.1 else row for row in rows]


def drop_header(rows: list[bytes], dice: random.Random) -> list[bytes]:
    """The first lines are gone."""
    return rows[dice.randint(1, 3) :]


def truncate(content: bytes, dice: random.Random) -> bytes:
    """The end is missing."""
    return content[: dice.randrange(len(content))]


def quote(content: bytes, dice: random.Random) -> bytes:
    """A quotation mark somewhere that is never closed."""
    at = dice.randrange(len(content))
    return content[:at] + b'"' + content[at:]


def nul(content: bytes, dice: random.Random) -> bytes:
    """A block of zeros, as a file system leaves after a loss of power."""
    at = dice.randrange(len(content))
    return content[:at] + bytes(512) + content[at:]


def digits(content: bytes, dice: random.Random) -> bytes:
    """Up to two hundred digits changed to others: rows that read well and say the absurd."""
    made = bytearray(content)
    places = [i for i, byte in enumerate(made) if 48 <= byte <= 57]
    for at in dice.sample(places, min(len(places), dice.randint(1, 200))):
        made[at] = 48 + dice.randrange(10)
    return bytes(made)


LINES = [lines(change) for change in (cut_lines, double_lines, swap_lines, join_lines, drop_header)]
DAMAGES: list[Damage] = [flip, digits, truncate, quote, nul, *LINES]


def damage(delivery: Path, dice: random.Random) -> None:
    """Damage some files inside, some packings, some names; one file comes twice."""
    for path in sorted(p for p in delivery.rglob("*") if p.is_file()):
        choice = dice.random()
        content = read(path)
        if choice < 0.5 and content:
            write(path, dice.choice(DAMAGES)(content, dice))
        elif choice < 0.6:
            path.write_bytes(dice.choice([flip, truncate])(path.read_bytes(), dice))
        elif choice < 0.7:
            path.rename(path.with_name(f"{dice.randrange(10**6)}.dat"))
        elif choice < 0.75:
            shutil.copy(path, delivery / f"again-{path.name}")
        elif choice < 0.8:
            path.write_bytes(b"")


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small simulated delivery."""
    folder = tmp_path_factory.mktemp("world")
    simulate(folder, 5, 4, 1, 11)
    return folder / "delivery"


def balanced(con: Connection, report: IngestReport) -> None:
    """The law for each file, and as many rejected rows as the files count."""
    book = report.files
    wrong = book.filter(
        pl.col("lines") != pl.col("used") + pl.col("rejected") + pl.col("duplicates")
    )
    assert wrong.is_empty(), wrong.to_dicts()
    kept = query(
        con,
        "SELECT count(*) AS n, count(*) FILTER (reject_reason IS NULL OR reject_reason = '') AS silent FROM raw_rejected",
    )
    assert kept.row(0) == (book["rejected"].sum(), 0)


def every_file(delivery: Path, report: IngestReport) -> None:
    """No delivered file is missing from the account, none is invented."""
    there = sorted(p.relative_to(delivery).as_posix() for p in delivery.rglob("*") if p.is_file())
    assert sorted(report.files["file"]) == there


@settings(max_examples=15, derandomize=True, deadline=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 2**32 - 1))
def test_damaged_deliveries_balance(
    sound: Path, tmp_path_factory: pytest.TempPathFactory, seed: int
) -> None:
    """Whatever is damaged: each file's lines are used, rejected or duplicates, and the stages
    behind go through.

    Contract, run.json: `lines = used + rejected + duplicates` for each file; rejected: one row a
    line that was not used.
    """
    folder = tmp_path_factory.mktemp("damaged")
    delivery = folder / "delivery"
    shutil.copytree(sound, delivery)
    damage(delivery, random.Random(seed))  # noqa: S311  # no secret
    with writing(folder / "w.duckdb") as con:
        report = ingest_delivery(con, delivery, Settings().ingest)
        balanced(con, report)
        every_file(delivery, report)
        normalise(con, None, Settings().normalise)
        validate(con, Settings().validate_)
    shutil.rmtree(folder)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_damaged_week_is_published_with_its_accounts(
    sound: Path, tmp_path: Path, seed: int
) -> None:
    """A whole run over damage writes the law into run.json, and as many rejected rows as that
    counts.

    The lists are left whole and the week is named: without the ones there is no week, and a
    damaged year may be the last week in the data.
    """
    delivery = tmp_path / "delivery"
    shutil.copytree(sound, delivery)
    damage(delivery, random.Random(seed))  # noqa: S311  # no secret
    for lists in ("sites", "fleet"):  # without a good list no week is published (contract)
        shutil.copytree(sound / lists, delivery / lists, dirs_exist_ok=True)
    result = run_week(
        Request((delivery,), tmp_path / "w.duckdb", tmp_path / "out", "2026-W14", Settings())
    )
    run = json.loads((result.folder / "run.json").read_text(encoding="utf-8"))
    assert run["inputs"]
    assert [
        i for i in run["inputs"] if i["lines"] != i["used"] + i["rejected"] + i["duplicates"]
    ] == []
    assert len(pl.read_parquet(result.folder / "rejected.parquet")) == sum(
        i["rejected"] for i in run["inputs"]
    )


def test_damage_stays_where_it_is(sound: Path, tmp_path: Path) -> None:
    """One line damaged in each of the line-wise files costs that line only.

    The law is not kept by throwing files away.
    """
    delivery = tmp_path / "delivery"
    shutil.copytree(sound, delivery)
    damaged = [
        p
        for p in sorted(delivery.rglob("*"))
        if p.parent.name in {"ocpp", "pilot"} or p.name.startswith("charging")
    ]
    for path in damaged:
        rows = read(path).splitlines(keepends=True)
        middle = len(rows) // 2
        write(path, b"".join([*rows[:middle], b"\xff\x00{[\n", *rows[middle + 1 :]]))
    accounts = []
    for name, folder in (("before", sound), ("after", delivery)):
        with writing(tmp_path / f"{name}.duckdb") as con:
            accounts.append(ingest_delivery(con, folder, Settings().ingest).files)
    both = accounts[0].join(accounts[1], on="file", suffix="_after")
    lost = dict(both.select("file", pl.col("rejected_after") - pl.col("rejected")).rows())
    names = [p.relative_to(delivery).as_posix() for p in damaged]
    assert len(names) >= 3
    assert {name: lost[name] for name in names} == dict.fromkeys(names, 1)
    assert {more for name, more in lost.items() if name not in names} == {0}


def test_a_unit_of_unknown_model_is_kept(tmp_path: Path) -> None:
    """A vehicle or an EVSE whose model was left blank is listed with no model, not turned away."""
    fleet = tmp_path / "d"
    fleet.mkdir()
    (fleet / "vehicles.csv").write_text(
        "vehicle_id,vehicle_model,model_year,onboard_charger_kw,ac_phases,inlets\nV1,,2024,11,3,cCCS2\n"
    )
    (fleet / "evses.csv").write_text(
        "evse_id,site_id,station_id,connector_id,evse_model,firmware,supply,connector_type,"
        "max_current_a,phases,max_power_kw,timezone\nE1,yard,S1,1,,,AC,sType2,32,3,22,UTC\n"
    )
    with writing(tmp_path / "w.duckdb") as con:
        files = ingest_delivery(con, fleet, Settings().ingest, None).files
        assert files["rejected"].to_list() == [0, 0]
        normalise(con, None, Settings().normalise)
        assert query(con, "SELECT vehicle_model FROM core_vehicle").rows() == [(None,)]
        assert query(con, "SELECT evse_model FROM core_evse").rows() == [(None,)]
