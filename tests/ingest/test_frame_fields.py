"""Two ways to the fields of a frame, one result."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pytest
from delivered import frame, put, read, row
from hypothesis import given, settings
from hypothesis import strategies as st
from test_schemas import METER, PAYLOADS

from pipeline.ingest.frame_paths import ANSWER, CALL
from pipeline.ingest.frame_sql import staged_query
from pipeline.storage.warehouse import Connection, query

# Every key that is read, so that one may stand where another message has it.
KEYS = sorted(
    {step for path in (CALL | ANSWER).values() for step in path.replace("[0]", "").split(".")}
)
NUMBERS = [1e-8, 1e-5, 0.0001, 0.00012, 2.50, 1e15, 1e16, 1e22, -0.0, 12345678901234567, 10**25, 7]
TEXTS = ["", "1e-8", "a\\b", 'a"b', "{}", "{x", '{"status":"S"}', "[x", "é", "2026-03-02T10:00:00Z"]
VALUE = st.recursive(
    st.sampled_from([None, True, METER, *NUMBERS, *TEXTS]),
    lambda inner: st.one_of(st.lists(inner, max_size=2), st.dictionaries(st.sampled_from(KEYS), inner, max_size=3)),
    max_leaves=4,
)  # fmt: skip


@st.composite
def lines(draw: st.DrawFn) -> list[str]:
    """Frames of every message with some values, parts or places changed, written with or without blanks."""
    made = []
    for _ in range(draw(st.integers(1, 60))):
        version, action = draw(st.sampled_from(sorted(PAYLOADS)))
        payload: dict[str, Any] = PAYLOADS[version, action] | draw(
            st.dictionaries(st.sampled_from(KEYS), VALUE, max_size=2)
        )
        parts = draw(
            st.sampled_from(
                [[2, "1", action, payload], [3, "1", payload], [4, "1", "E", "d", payload]]
            )
        )
        if draw(st.booleans()):
            parts = [*parts]
            parts[draw(st.integers(0, len(parts) - 1))] = draw(VALUE)
        if draw(st.integers(0, 3)) == 0:
            parts = [*parts[:2], draw(VALUE), *parts[2:]]
        whole = {
            "at": "2026-03-02T10:00:00Z",
            "station_id": "S",
            "dir": "in",
            "version": version,
            "frame": parts,
        }
        gaps = draw(st.sampled_from([(",", ":"), (", ", " : ")]))
        made.append(json.dumps(whole, separators=gaps, ensure_ascii=draw(st.booleans())))
    return made  # fmt: skip


def _ways(texts: list[str]) -> tuple[dict[int, tuple[Any, ...]], dict[int, tuple[Any, ...]]]:
    """By line, what the quick way gives without a reason, and what asking every path gives."""
    table = pa.table({"line": range(len(texts)), "text": texts})
    with duckdb.connect() as con:
        con.execute("SET TimeZone = 'UTC'")
        con.register("_lines", table)
        both = [con.execute(staged_query(quick=quick)).fetchall() for quick in (True, False)]
    quick, paths = ({found[0]: found for found in rows} for rows in both)
    return {line: found for line, found in quick.items() if found[-1] is None}, paths


@settings(max_examples=20)
@given(lines())
def test_what_the_quick_way_settles_is_what_every_path_gives(texts: list[str]) -> None:
    """Whatever stands in a frame, what the quick way is sure of has every column as asked path by path."""
    quick, paths = _ways(texts)
    assert len(paths) == len(texts)
    for line, found in quick.items():
        assert found == paths[line], texts[line]


def _with(path: str, value: Any) -> dict[str, Any]:
    """A payload that holds a value at a path."""
    first, _, rest = path.replace("[0]", "").partition(".")
    inner = _with(rest, value) if rest else value
    return {first: [inner] if f"{first}[0]" in path else inner}


def test_numbers_anywhere_are_the_same_both_ways() -> None:
    """At every place that is read, in both versions, a number of any size is as asked path by path, or left to that."""
    sizes = [*NUMBERS, -1e-7, 5e-324, 1.5e300, 3e16, 12345678901234567.5, -(10**20)]
    texts = [
        frame(kind, "1", *action, _with(path, size), version=version)
        for kind, action, fields in ((2, ("DataTransfer",), CALL), (3, (), ANSWER))
        for path in fields.values()
        for size in sizes
        for version in ("1.6", "2.0.1")
    ]
    quick, paths = _ways(texts)
    assert len(quick) > len(texts) / 2
    for line, found in quick.items():
        assert found == paths[line], texts[line]


def test_plain_frames_are_settled() -> None:
    """Every message of both versions as stations write it, and its answer, go the quick way."""
    texts = [
        frame(2, "1", action, payload, version=version)
        for (version, action), payload in PAYLOADS.items()
    ]
    texts += [
        frame(3, "1", {}),
        frame(3, "1", {"idTagInfo": {"status": "Accepted"}}),
        frame(4, "1", "E", "d", {}),
    ]
    quick, _ = _ways(texts)
    assert sorted(quick) == list(range(len(texts)))  # fmt: skip


@pytest.mark.parametrize(
    "payload", [{"vendorErrorCode": 1e-8}, {"info": "a\\b"}, {"info": 12345678901234567.5}]
)
def test_what_would_be_written_otherwise_is_left(payload: dict[str, Any]) -> None:
    """A number with an exponent and a backslash are not settled: the other way reads them."""
    whole = PAYLOADS["1.6", "StatusNotification"] | payload
    quick, paths = _ways([frame(2, "1", "StatusNotification", whole)])
    assert not quick
    assert paths[0][-1] is None


def test_a_text_that_begins_like_a_list_stops_nothing(con: Connection, delivery: Path) -> None:
    """Readings in a JSON text that only begins like a list: the frame lacks them, and other lines are used."""
    bad = frame(2, "1", "MeterValues", {"connectorId": 1, "meterValue": "[x"})
    event = {"generatedAt": "2026-03-02T10:00:00Z", "seqNo": 0, "eventData": "[x"}
    also = frame(2, "2", "NotifyEvent", event, version="2.0.1")
    stop = PAYLOADS["1.6", "StopTransaction"] | {"transactionData": "[x"}
    used = frame(2, "3", "StopTransaction", stop)
    put(delivery, "f.jsonl", "\n".join([bad, also, used, frame(2, "4", "Heartbeat", {})]))
    account = row(read(con, delivery), "f.jsonl")
    assert (account["used"], account["rejected"]) == (2, 2)
    assert query(con, "SELECT count(*) FROM raw_sample").item() == 0
