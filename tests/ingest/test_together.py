"""Small frames files read together: what comes out is what would come out of them one by one."""

from __future__ import annotations

import gzip
from pathlib import Path
from typing import Any

import pytest
import zstandard
from delivered import frame, put, read, reasons, row
from hypothesis import given
from hypothesis import strategies as st

import pipeline.ingest.batch as batch_module
from pipeline.doorway.recognise import Recognised
from pipeline.ingest.lines import blocks
from pipeline.ingest.opened import Opened
from pipeline.ingest.source import Source
from pipeline.ingest.together import in_groups, same_way
from pipeline.orchestrate.fingerprint import of_warehouse
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import Connection, query, writing


def _file(station: str, count: int) -> str:
    meter = [
        {
            "timestamp": "2026-03-02T10:00:00Z",
            "sampledValue": [{"value": "7"}, {"value": "8", "unit": "Wh"}],
        }
    ]
    calls = [frame(2, str(i), "Heartbeat", {}, station=station) for i in range(count)]
    answers = [
        frame(
            3, str(i), {"currentTime": f"2026-03-02T10:{i % 60:02}:00Z"}, station=station, way="out"
        )
        for i in range(count)
    ]
    meters = [
        frame(2, f"m{i}", "MeterValues", {"connectorId": 1, "meterValue": meter}, station=station)
        for i in range(count)
    ]
    return "\n".join([*calls, *answers, "{", *meters, ""])


def _delivery(folder: Path) -> Path:
    """Plain and packed files, with bad lines, repeats of each other's lines, and an answer whose
    call another file holds.
    """
    put(folder, "a.jsonl", _file("ST1", 40))
    put(folder, "b.gz", gzip.compress(_file("ST2", 30).encode()))
    put(folder, "c.jsonl", _file("ST1", 60) + "\n\xff")
    put(folder, "d.zst", zstandard.compress(_file("ST3", 1).encode()))
    put(folder, "e.jsonl", frame(2, "far", "Heartbeat", {}) + "\n")
    put(
        folder,
        "f.jsonl",
        frame(
            3, "far", {"currentTime": "2026-03-02T10:00:05Z"}, at="2026-03-02T10:00:05Z", way="out"
        )
        + "\n",
    )
    return folder


def test_together_or_alone_is_the_same(tmp_path: Path) -> None:
    """Rows, places of rejected lines and every file's account do not depend on whether files were
    read together.
    """
    delivery, found = _delivery(tmp_path / "d"), []
    for together_bytes in (0, 1 << 20):
        with writing(tmp_path / f"{together_bytes}.duckdb") as con:
            report = read(con, delivery, together_bytes=together_bytes)
            found.append((report.files.rows(), report.touched.rows(), of_warehouse(con)))
    assert found[0] == found[1]
    assert found[0][0][2][3:7] == (
        183,
        60,
        3,
        120,
    )  # c: 60 of each of three, 40 as in a; a brace, an empty line, a letter


def test_one_content_twice_among_small_files(con: Connection, delivery: Path) -> None:
    """A copy, packed or not, is all duplicates though it comes in one go with what it repeats."""
    put(delivery, "a.jsonl", _file("ST1", 5))
    put(delivery, "b.jsonl", _file("ST1", 5))
    put(delivery, "c.gz", gzip.compress(_file("ST1", 5).encode()))
    put(delivery, "d.jsonl", _file("ST2", 5))
    report = read(con, delivery)
    assert [row(report, name)["used"] for name in ("a.jsonl", "b.jsonl", "c.gz", "d.jsonl")] == [
        15,
        0,
        0,
        15,
    ]
    assert [row(report, name)["known_as"] for name in ("b.jsonl", "c.gz")] == ["a.jsonl", "a.jsonl"]


def test_one_rewritten_file_spoils_no_other(
    con: Connection, delivery: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of files read in one go one is rewritten meanwhile.

    It leaves nothing, the others are read.
    """
    changing = put(delivery, "a.jsonl", _file("ST1", 5))
    put(delivery, "b.jsonl", _file("ST2", 5))

    def meddling(source: Source, *given: Any) -> object:
        yield from blocks(source, *given)
        if source._path == changing:
            changing.write_text(_file("ST9", 5))

    monkeypatch.setattr(
        batch_module, "blocks", lambda source, *given: list(meddling(source, *given))
    )
    real = Source.chunks

    def rewritten(self: Source, size: int, **given: Any) -> object:
        yield from real(self, size, **given)
        self.changed = self.changed or self._path == changing

    monkeypatch.setattr(Source, "chunks", rewritten)
    report = read(con, delivery)
    assert "rewritten while being read" in row(report, "a.jsonl")["message"]
    assert reasons(con) == [row(report, "a.jsonl")["message"], "not a JSON value"]
    assert query(con, "SELECT DISTINCT station_id FROM raw_frame").rows() == [("ST2",)]


@given(
    st.lists(
        st.tuples(
            st.integers(0, 400), st.booleans(), st.sampled_from(["frames", "pilot", "evses"])
        ),
        max_size=30,
    )
)
def test_groups_are_of_one_way_and_stay_small(
    tmp_path_factory: pytest.TempPathFactory, files: list[tuple[int, bool, str]]
) -> None:
    """Every file stands in one group, those read in one way in the order given.

    A group of several is read in one way, and is no more than may go together; lists keep the order
    given whatever their way, since the row read last counts.
    """
    settings = IngestSettings(together_bytes=1024)
    folder = tmp_path_factory.mktemp("g")
    found = []
    for i, (size, packed, kind) in enumerate(files):
        source = Source(put(folder, str(i), "x" * size), settings)
        source.packed = packed
        found.append(Opened(str(i), source, Recognised(kind, found=(kind, str(i % 2)))))
    groups = list(in_groups(found, settings))
    for group in groups:
        sizes = [
            one.source.file_bytes * (12 if one.source.packed else 1) for one in group if one.source
        ]
        assert len({same_way(one) for one in group}) == 1
        assert len(group) == 1 or sum(sizes) <= 1024
    together = [one.file for group in groups for one in group]
    for way in {same_way(one) for one in found}:
        mine = [one.file for one in found if same_way(one) == way]
        assert [file for file in together if file in mine] == mine
    lists = [one.file for one in found if one.what.kind == "evses"]
    assert [file for file in together if file in lists] == lists
    assert sorted(together) == sorted(one.file for one in found)
