"""Whatever the bytes: no exception, and no line lost."""

from __future__ import annotations

import gzip
import json
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import zstandard
from delivered import assert_accounts, frame, lines_of, put, row
from hypothesis import given, settings
from hypothesis import strategies as st
from test_exports import HEADER, MAPPING
from test_schemas import PAYLOADS
from test_tables import EVSES, FINDINGS, PILOT, TOKENS

from pipeline.ingest import IngestReport, ingest_delivery
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import Connection, query, writing

FILES: dict[str, bytes] = {
    "frames": "".join(
        frame(2, f"id{i}", action, payload, version=version)
        + "\n"
        + frame(3, f"id{i}", {"status": "Accepted"}, way="out")
        + "\n"
        for i, ((version, action), payload) in enumerate(PAYLOADS.items())
    ).encode(),
    "tokens": (TOKENS + "T1,V1,2026-01-01T00:00:00Z,\nT2,V1,2026-01-01,2026-05-01\n").encode(),
    "pilot": (PILOT + "2026-03-02T10:00:00Z,ST1,1,B2,8.98,-12.0,26.67,open,\n" * 4).encode(),
    "findings": (
        FINDINGS + '2026-03-02T10:00:00Z,V,no_fault_found,4.46,3300,OL,,"checked,\nfine"\n' * 3
    ).encode(),
    "evses": (EVSES + "E1,S,ST1,1,M,1,AC,sType2,32,3,22,Europe/Oslo\n").encode(),
    "mapping": MAPPING.encode(),
    "north-yard_1.csv": (
        HEADER + "E1,T1,02.03.2026 08:00:00,02.03.2026 09:30:00,7200,pulled out,,x\n" * 3
    ).encode(),
}
SMALL = IngestSettings(block_bytes=2048, line_cap_bytes=4096, record_lines_cap=4)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Connection]:
    """One warehouse for all examples: what came before must not matter to the law."""
    with writing(tmp_path_factory.mktemp("fuzz") / "w.duckdb") as con:
        yield con


def ingest(con: Connection, files: dict[str, bytes]) -> IngestReport:
    """Ingest files as a delivery; the law holds, and plain files have the lines counted by hand."""
    with tempfile.TemporaryDirectory() as folder:
        delivery = Path(folder)
        for name, content in files.items():
            put(delivery, name, content)
        report = ingest_delivery(con, delivery, SMALL)
        assert_accounts(con, report)
        assert set(report.files["file"]) == set(files)
        for name, content in files.items():
            if not content.startswith((b"\x1f\x8b", b"\x28\xb5\x2f\xfd", b"\xef\xbb\xbf")):
                assert row(report, name)["lines"] == lines_of(delivery / name)
    return report


@st.composite
def mutated(draw: st.DrawFn) -> dict[str, bytes]:
    """The files of a delivery with a few bytes changed, cut out, put in, doubled or cut off."""
    files = dict(FILES)
    for _ in range(draw(st.integers(1, 6))):
        name = draw(st.sampled_from(sorted(files)))
        data = files[name]
        at = draw(st.integers(0, len(data)))
        to = min(len(data), at + draw(st.integers(0, 40)))
        put_in = draw(
            st.one_of(
                st.binary(max_size=6),
                st.sampled_from([b"\n", b'"', b",", b"\0", b"{", b"[", b"\r\n", b"\xff", b";"]),
            )
        )
        files[name] = draw(
            st.sampled_from(
                [data[:at] + put_in + data[to:], data[:at], data[:to] + data[at:], data + put_in]
            )
        )
    return files


@settings(max_examples=50)
@given(mutated())
def test_damaged_files_keep_the_law(store: Connection, files: dict[str, bytes]) -> None:
    """Files changed at random keep `lines = used + rejected + duplicates`, and nothing raises."""
    ingest(store, files)


@settings(max_examples=25)
@given(
    st.sampled_from([gzip.compress, zstandard.compress]), st.sampled_from(sorted(FILES)), st.data()
)
def test_damaged_archives_keep_the_law(
    store: Connection, pack: Any, name: str, data: st.DataObject
) -> None:
    """So do packed ones, cut or changed anywhere."""
    packed = pack(FILES[name] * 20)
    at = data.draw(st.integers(4, len(packed)))
    changed = (
        packed[:at] + data.draw(st.binary(max_size=4)) + packed[at + data.draw(st.integers(0, 4)) :]
    )
    ingest(store, {name: changed[: data.draw(st.integers(4, len(changed)))]})


JSON = st.recursive(
    st.one_of(
        st.none(),
        st.booleans(),
        st.integers(),
        st.floats(),
        st.text(max_size=8),
        st.just("2026-03-02T10:00:00Z"),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4), st.dictionaries(st.text(max_size=5), inner, max_size=4)
    ),
    max_leaves=8,
)


@st.composite
def wrong_frames(draw: st.DrawFn) -> bytes:
    """Frames in which any part may be of any type."""
    lines = []
    for i in range(draw(st.integers(1, 12))):
        version, action = draw(st.sampled_from(sorted(PAYLOADS)))
        payload: Any = dict(PAYLOADS[version, action])
        for name in draw(st.lists(st.sampled_from([*payload, "stranger"]), max_size=3)):
            payload[name] = draw(JSON)
        whole = {
            "at": "2026-03-02T10:00:00Z",
            "station_id": "S",
            "dir": "in",
            "version": version,
            "frame": [2, f"{i}", action, payload],
        }
        for name in draw(st.lists(st.sampled_from(sorted(whole)), max_size=1)):
            whole[name] = draw(JSON)
        lines.append(
            json.dumps(whole, ensure_ascii=draw(st.booleans())).encode("utf-8", "surrogatepass")
        )
    return b"\n".join(lines)


@settings(max_examples=50)
@given(wrong_frames())
def test_wrong_types_keep_the_law(store: Connection, content: bytes) -> None:
    """Any JSON value in any place is a used line, a rejected one with its reason, or a duplicate."""
    ingest(store, {"frames": FILES["frames"] + content})
    assert query(store, "SELECT count(*) FROM raw_rejected WHERE reject_reason = ''").row(0) == (0,)


def call(station: bytes, *parts: bytes) -> bytes:
    """A line written byte by byte."""
    envelope = (
        b'{"at":"2026-03-02T10:00:00Z","dir":"in","version":"1.6","station_id":"'
        + station
        + b'","frame":['
    )
    return envelope + b",".join(parts) + b"]}"


DEEP = 30_000
HARD = {
    "deep arrays": b"[" * 100_000 + b"]" * 100_000,
    "deep payload": call(b"S", b"2", b'"1"', b'"X"', b'{"a":' * DEEP + b"1" + b"}" * DEEP),
    "deep meter": call(
        b"S",
        b"2",
        b'"2"',
        b'"MeterValues"',
        b'{"connectorId":1,"meterValue":' + b"[" * DEEP + b"]" * DEEP + b"}",
    ),
    "a huge number": call(
        b"S",
        b"2",
        b'"3"',
        b'"StartTransaction"',
        b'{"connectorId":1,"idTag":"T","meterStart":' + b"9" * 4000 + b"}",
    ),
    "a lone surrogate": call(b"\\ud800", b"2", b'"4"', b'"X"', b"{}"),
    "an escaped NUL": call(b"a\\u0000b", b"2", b'"5"', b'"X"', b"{}"),
    "many values": call(b"S", *[b"2"] * 50_000),
}


@pytest.mark.parametrize("case", HARD)
def test_hard_lines_cost_themselves_only(store: Connection, case: str) -> None:
    """A line made to break a reader is used or rejected; the lines around it are used."""
    around = [frame(2, f"{case}{i}", "Heartbeat", {}).encode() for i in range(2)]
    put_together = b"\n".join([around[0], HARD[case], around[1]])
    with tempfile.TemporaryDirectory() as folder:
        put(Path(folder), "f", put_together)
        report = ingest_delivery(store, Path(folder), IngestSettings())
    account = row(report, "f")
    assert account["lines"] == 3
    assert account["used"] >= 2
    assert account["used"] + account["rejected"] == 3
