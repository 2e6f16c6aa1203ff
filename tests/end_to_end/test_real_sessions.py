"""Real charging sessions (tests/reference/acn, what nobody here wrote) through a mapping file,
against the package's own records.

The expected figures come from the records by the standard library alone: csv, datetime with the
offset each record states.
"""

from __future__ import annotations

import csv
import gzip
import math
import shutil
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from pipeline.ingest import ingest_delivery
from pipeline.orchestrate.run import Request, Result, run_week
from pipeline.settings import Settings
from pipeline.storage.warehouse import Connection, query, reading, writing

DATA = Path(__file__).resolve().parents[1] / "reference" / "acn"
FILES = sorted(DATA.glob("*.csv.gz"))
ZONE = "America/Los_Angeles"
RATED_KW = 6.656
"""208 V and 32 A, the usual EVSE of both sites (from memory of the data set's paper)."""
HEADER = (
    "evse_id,site_id,station_id,connector_id,evse_model,firmware,supply,connector_type,"
    "max_current_a,phases,max_power_kw,timezone"
)
AS_PACKED = f"""exports:
  - file: "*.csv"
    columns: {{evse_id: station_id, plugged_at: arrival, unplugged_at: departure, energy_kwh: delivered_energy (kWh)}}
    timezone: {ZONE}
"""
AS_LOCAL = f"""exports:
  - file: "*.csv"
    delimiter: ";"
    decimal: ","
    encoding: utf-16
    columns: {{evse_id: Bay, plugged_at: Von, unplugged_at: Bis, energy_kwh: Menge}}
    time_format: "%d.%m.%Y %H:%M:%S"
    timezone: {ZONE}
    energy_unit: Wh
"""


@dataclass(frozen=True)
class Session:
    """One record as the package has it."""

    evse_id: str
    site: str
    start: datetime
    end: datetime
    kwh: float

    @property
    def kw(self) -> float:
        """Mean power over the whole stay."""
        return self.kwh * 3600 / (self.end - self.start).total_seconds()

    @property
    def key(self) -> tuple[str, datetime]:
        """EVSE and instant of plug-in: what makes an attempt."""
        return self.evse_id, self.start


def records() -> Iterator[Session]:
    """The packaged records, read by the standard library."""
    for path in FILES:
        with gzip.open(path, "rt", newline="") as file:
            for row in csv.DictReader(file):
                start, end = (
                    datetime.fromisoformat(row[name]) for name in ("arrival", "departure")
                )
                yield Session(
                    row["station_id"],
                    path.name[:3],
                    start,
                    end,
                    float(row["delivered_energy (kWh)"]),
                )


SESSIONS = list(records())


def evse_list(folder: Path) -> None:
    """The list of EVSEs, which the package does not have."""
    pairs = sorted({(s.evse_id, s.site) for s in SESSIONS})
    rows = [
        f"{evse},{site},{evse},1,unknown,1,AC,cType1,32,1,{RATED_KW},{ZONE}" for evse, site in pairs
    ]
    (folder / "evses.csv").write_text("\n".join([HEADER, *rows]) + "\n")


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Result, Connection]]:
    """The packed files as they are and their mapping, through a whole run.

    With the warehouse open to read.
    """
    place = tmp_path_factory.mktemp("real")
    delivery = place / "delivery"
    delivery.mkdir()
    evse_list(delivery)
    (delivery / "mapping.yaml").write_text(AS_PACKED)
    for path in FILES:
        shutil.copy(path, delivery)
    result = run_week(
        Request((delivery,), place / "w.duckdb", place / "out", "2021-W30", Settings())
    )
    with reading(place / "w.duckdb") as con:
        yield result, con


def test_every_record_is_read_and_none_is_lost(ran: tuple[Result, Connection]) -> None:
    """7,532 sessions of two sites.

    Every line used, each with its EVSE, its two instants and its energy.
    """
    inputs = {i["file"]: i for i in ran[0].run["inputs"] if i["file"].endswith(".csv.gz")}
    assert sum(i["used"] for i in inputs.values()) == len(SESSIONS) + len(FILES)
    assert sum(i["rejected"] + i["duplicates"] for i in inputs.values()) == 0
    assert len(SESSIONS) == 7532
    read = query(
        ran[1], "SELECT evse_id, plugged_at_utc, unplugged_at_utc, energy_kwh FROM raw_session"
    ).rows()
    assert sorted(read) == sorted((s.evse_id, s.start, s.end, s.kwh) for s in SESSIONS)


def test_energy_by_site_and_month(ran: tuple[Result, Connection]) -> None:
    """Energy summed by EVSE and local month is the records' own, summed exactly."""
    expected: dict[tuple[str, int, int], list[float]] = defaultdict(list)
    for s in SESSIONS:
        expected[s.evse_id, s.start.year, s.start.month].append(s.kwh)
    rows = query(
        ran[1],
        f"""SELECT evse_id, year(timezone('{ZONE}', plugged_at_utc)), month(timezone('{ZONE}', plugged_at_utc)), sum(energy_kwh)
            FROM raw_session GROUP BY ALL""",
    ).rows()
    assert {
        (evse, year, month): pytest.approx(kwh, rel=1e-12) for evse, year, month, kwh in rows
    } == {key: math.fsum(values) for key, values in expected.items()}


def test_local_times_in_another_dialect_say_the_same(tmp_path: Path) -> None:
    """The same records as a foreign export writes them (local times without offset, Wh, decimal
    comma, UTF-16): same instants.

    The records lie on both sides of two changes of the clocks (3 November 2019, 8 March 2020); the
    offset each record states is the check, and is not in the file that is read.
    """
    offsets = {(s.start.year, s.start.utcoffset()) for s in SESSIONS}
    assert offsets >= {(year, timedelta(hours=h)) for year in (2019, 2020) for h in (-8, -7)}
    lines = ["Bay;Von;Bis;Menge"]
    for s in SESSIONS:
        times = ";".join(t.strftime("%d.%m.%Y %H:%M:%S") for t in (s.start, s.end))
        lines.append(f"{s.evse_id};{times};{str(s.kwh * 1000).replace('.', ',')}")
    (tmp_path / "d").mkdir()
    (tmp_path / "d" / "abroad.csv").write_text("\n".join(lines), encoding="utf-16")
    (tmp_path / "d" / "mapping.yaml").write_text(AS_LOCAL)
    with writing(tmp_path / "w.duckdb") as con:
        files = ingest_delivery(con, tmp_path / "d", Settings().ingest, None).files
        read = query(
            con,
            "SELECT evse_id, plugged_at_utc, unplugged_at_utc, energy_kwh, time_doubt FROM raw_session",
        ).sort("evse_id", "plugged_at_utc", "unplugged_at_utc")
    assert files["rejected"].sum() == 0
    told = sorted((s.evse_id, s.start, s.end, s.kwh) for s in SESSIONS)
    assert read.select("evse_id", "plugged_at_utc", "unplugged_at_utc").rows() == [
        row[:3] for row in told
    ]
    assert read["energy_kwh"].to_list() == pytest.approx([row[3] for row in told], rel=1e-12)
    assert read["time_doubt"].null_count() == read.height


def test_one_attempt_a_plug_in_and_none_failed(ran: tuple[Result, Connection]) -> None:
    """Every record took 0.5 kWh or more, so that each plug-in is a charged attempt and none a
    failure (common practice).
    """
    assert min(s.kwh for s in SESSIONS) >= 0.5
    made = query(
        ran[1],
        "SELECT evse_id, plugged_at_utc, unplugged_at_utc, energy_kwh, outcome, stage FROM core_attempt",
    )
    # of two that begin at one instant the later is a microsecond after the first, to keep them apart
    whole = [(row[0], row[1].replace(microsecond=0), *row[2:4]) for row in made.rows()]
    assert sorted(whole) == sorted((s.evse_id, s.start, s.end, s.kwh) for s in SESSIONS)
    assert made.select("outcome", "stage").unique().rows() == [("charged", "delivering")]


def test_two_sessions_from_one_instant_are_told(ran: tuple[Result, Connection]) -> None:
    """The records hold one pair that begins at the same second at one EVSE.

    One attempt, and a rule says so.
    """
    seen: dict[tuple[str, datetime], int] = defaultdict(int)
    for s in SESSIONS:
        seen[s.key] += 1
    twice = sorted(key for key, n in seen.items() if n > 1)
    caught = query(
        ran[1],
        "SELECT station_id, at_utc, attempt_id FROM core_impossible WHERE rule = 'exported_start_twice'",
    ).rows()
    assert (
        sorted({row[:2] for row in caught})
        == twice
        == [("AG-3F20", datetime(2021, 7, 19, 13, 11, 16, tzinfo=ZoneInfo(ZONE)))]
    )
    assert all(row[2] for row in caught)


def test_more_energy_than_the_evse_can_give_is_caught_and_nothing_else(
    ran: tuple[Result, Connection],
) -> None:
    """Records whose mean power is twice the rating are caught, those within a tenth of it are not.

    There are both.
    """
    caught = {
        (row[0], row[1])
        for row in query(
            ran[1],
            "SELECT station_id, at_utc FROM core_impossible WHERE rule IN ('energy_absurd', 'energy_above_rating')",
        ).rows()
    }
    beyond = {s.key for s in SESSIONS if s.kw > 2 * RATED_KW}
    within = {s.key for s in SESSIONS if s.kw <= 1.1 * RATED_KW}
    assert len(beyond) >= 3
    assert beyond <= caught
    assert not caught & within
    rules = query(ran[1], "SELECT DISTINCT rule FROM core_impossible")["rule"]
    assert set(rules) == {
        "energy_absurd",
        "energy_above_rating",
        "exported_start_twice",
        "evse_overlap",
    }


def test_nobody_is_called_where_nothing_failed(ran: tuple[Result, Connection]) -> None:
    """A look-back of real sessions without a failure calls no EVSE, refers no vehicle and proposes
    no test.
    """
    tables = ran[0].tables
    end = datetime.fromisocalendar(2021, 31, 1).replace(tzinfo=UTC)
    assert set(tables["evses"]["evse_id"]) == {
        s.evse_id for s in SESSIONS if end - timedelta(weeks=12) <= s.start < end
    }
    assert set(tables["evses"]["call"]) <= {"clear", "insufficient_data"}
    assert tables["evses"].select(pl.col("failures").sum()).item() == 0
    assert [tables[name].height for name in ("vehicles", "pairings", "next_tests")] == [0, 0, 0]
