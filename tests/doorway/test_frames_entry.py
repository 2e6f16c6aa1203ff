"""What a `frames:` entry does with the lines of a log that are not plain sailing."""

from __future__ import annotations

# ruff: noqa: E501, F811, PLR1714  # tables of cases; a fixture of another module
import json
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapes import SHAPES, Shape, mapping_of
from test_log_shapes import coarse, frames, same, tables  # noqa: F401  # a fixture

from pipeline.doorway.mapping import Mapping, parse
from pipeline.ingest import ingest_delivery
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import query, writing

LINE = """frames:
  - file: "s.log"
    line: "{at} {station_id} {dir} {frame}"
    in: recv
    out: [send]
"""
BEAT = '2026-03-02T10:00:0{}Z ST1 recv [2,"{}","Heartbeat",{{}}]'


def read(
    folder: Path, text: str, mapping: str, name: str = "s.log"
) -> tuple[dict[str, Any], pl.DataFrame, pl.DataFrame]:
    """Account, frames and rejected lines of one file; the law of accounts is held on the way."""
    (folder / "d").mkdir(exist_ok=True)
    (folder / "d" / "mapping.yaml").write_text(mapping)
    (folder / "d" / name).write_text(text)
    with writing(folder / "w.duckdb") as con:
        files = ingest_delivery(con, folder / "d", IngestSettings()).files
        account = files.filter(pl.col("file") == name).row(0, named=True)
        away = query(
            con,
            "SELECT line, reject_reason FROM raw_rejected WHERE file <> 'mapping.yaml' ORDER BY line",
        )
        assert account["lines"] == account["used"] + account["rejected"] + account["duplicates"]
        return account, query(con, "SELECT * FROM raw_frame ORDER BY line"), away


def test_a_cut_frame_is_rejected_and_its_neighbours_are_kept(tmp_path: Path) -> None:
    """A frame cut off at its line's end, with the lines of JSON after it, is rejected; those before and after it are read."""
    text = "\n".join([BEAT.format(1, "a"), '2026-03-02T10:00:02Z ST1 recv [2,"b","MeterValues",{"connectorId":1,', '  "meterValue": [', "server says hello", BEAT.format(3, "c")])  # fmt: skip
    account, made, away = read(tmp_path, text + "\n", LINE)
    assert made["message_id"].to_list() == ["a", "c"]
    assert away["line"].to_list() == [2, 3]
    assert (account["chatter"], account["used"]) == (1, 3)
    assert "never closes" in away["reject_reason"][0]


def test_a_pattern_that_fits_nothing_says_how_far_it_fits(tmp_path: Path) -> None:
    """The file is turned away, with the mapping's place, the first line, what of the pattern fitted and what did not."""
    account, _, _ = read(tmp_path, BEAT.format(1, "a").replace("recv", "got") + "\n", LINE)
    assert account["turned_away"]
    assert all(
        word in account["message"]
        for word in ("mapping.yaml:2", "ST1 got", "{at} {station_id}", "{dir}", "'recv'")
    )


def test_frames_that_do_not_fit_are_no_chatter(tmp_path: Path) -> None:
    """A line that holds a frame and does not fit is rejected, unless a line that fits told the same message."""
    text = "\n".join(
        [
            BEAT.format(1, "a"),
            'DEBUG < text \'[2,"a","Heartbeat",{}]\'',
            BEAT.format(2, "b").replace("recv", "got"),
        ]
    )
    account, made, away = read(tmp_path, text + "\n", LINE)
    assert made["message_id"].to_list() == ["a"]
    assert away["line"].to_list() == [3]
    assert account["chatter"] == 1


def test_a_call_and_its_answer_in_one_row(tmp_path: Path) -> None:
    """A table with request and response in one row gives two frames a row, paired, and counts one line a row."""
    entry = """frames:
  - file: "s.csv"
    delimiter: ";"
    cells: {at: Time, station_id: Box, action: Action, request: Req, response: Res}
"""
    rows = ["Time;Box;Action;Req;Res", '2026-03-02T10:00:00Z;B1;Heartbeat;"{}";"{""currentTime"":""2026-03-02T10:00:00Z""}"', '2026-03-02T10:01:00Z;B1;Heartbeat;"{}";', "2026-03-02T10:02:00Z;B1;Reset;{;"]  # fmt: skip
    account, made, away = read(tmp_path, "\n".join(rows) + "\n", entry, "s.csv")
    assert made.select("direction", "message_type", "action").rows() == [("in", 2, "Heartbeat"), ("in", 2, "Heartbeat"), ("out", 3, "Heartbeat")]  # fmt: skip
    assert (account["lines"], account["used"], account["rejected"]) == (4, 3, 1)
    assert away["line"].to_list() == [4]


def test_our_envelope_is_read_generously(tmp_path: Path) -> None:
    """Seconds and milliseconds since 1970, subprotocol names, no version, and the frame as a text say what the strict form says."""
    call = [2, "1", "TransactionEvent", {"eventType": "Started", "timestamp": "2026-03-02T10:00:00Z", "triggerReason": "Authorized", "seqNo": 0, "transactionInfo": {"transactionId": "t"}}]  # fmt: skip
    beats = [[2, str(n), "Heartbeat", {}] for n in range(4)]
    base = {"station_id": "S", "dir": "in"}
    rows = [
        base | {"at": 1772445600, "version": "1.6J", "frame": beats[0]},
        base | {"at": 1772445600000, "version": "ocpp1.6", "frame": json.dumps(beats[1])},
        base | {"at": "1772445600.5", "version": "OCPP2.0.1", "frame": beats[2]},
        {"station_id": "T", "dir": "in", "at": "2026-03-02T10:00:00Z", "frame": call},
    ]
    account, made, away = read(tmp_path, "\n".join(map(json.dumps, rows)) + "\n", LINE, "f.jsonl")
    assert away.height == 0
    assert account["used"] == 4
    assert made["version"].to_list() == ["1.6", "1.6", "2.0.1", "2.0.1"]
    assert {f"{t:%Y-%m-%d %H:%M}" for t in made["receiver_at_utc"]} == {"2026-03-02 10:00"}


def test_a_corrected_mapping_cures_by_itself(tmp_path: Path) -> None:
    """A log misread by a wrong word of its entry is read again when the mapping is corrected; nothing else has to be done."""
    text = BEAT.format(1, "a") + "\n" + BEAT.format(2, "b").replace("recv", "send") + "\n"
    read(tmp_path, text, LINE.replace("in: recv", "in: send").replace("[send]", "recv"))
    _, made, _ = read(tmp_path, text, LINE)
    assert made["direction"].to_list() == ["in", "out"]


@pytest.mark.parametrize(
    "text",
    [
        "a: &a [" + ",".join(["x"] * 50) + "]\n" + "".join(f"{chr(98 + i)}: &{chr(98 + i)} [{','.join(['*' + chr(97 + i)] * 50)}]\n" for i in range(8)) + "frames: *h\n",
        "frames:\n  - {file: a, line: '{at} {frame}', encoding: idna}\n",
        "frames:\n  - {file: a, line: '{at} {station_id} {frame}', time_format: ''}\n",
        "frames:\n  - {file: a, line: '{at} {station_id} {frame}', timezone: localtime}\n",
        "frames: " + "[" * 5000,
        "frames:\n  - {file: a, line: '{at} {station_id} {nonsense}'}\n",
        "frames:\n  - file: a\n    file: b\n",
    ],
)  # fmt: skip
def test_a_wrong_mapping_is_told_by_line_and_never_hurts(text: str) -> None:
    """Aliases that unfold without end, codecs that are none, formats that say nothing: a sentence with a line, at once."""
    told = parse(text)
    assert isinstance(told, str)
    assert "line " in told


def test_a_wrong_entry_does_not_stop_the_others() -> None:
    """Of two entries one is wrong: the other serves, and the wrong one is told with its line, its key and what was expected."""
    told = parse(
        LINE + '  - file: "x"\n    line: "{at} {station_id} {frame}"\n    timezone: Nowhere\n'
    )
    assert isinstance(told, Mapping)
    assert [entry.file for entry in told.frames] == ["s.log"]
    assert [(w.line, "timezone" in w.message, "Nowhere" in w.message) for w in told.wrong] == [
        (8, True, True)
    ]


@given(
    st.text(max_size=300)
    | st.builds(
        LINE.replace, st.sampled_from(["{at}", "recv", "s.log", "line", "- "]), st.text(max_size=12)
    )
)
@settings(max_examples=150, deadline=None)
def test_any_text_is_a_mapping_or_a_sentence(text: str) -> None:
    """No text makes the reader of mappings fail."""
    assert isinstance(parse(text), str | Mapping)


@given(data=st.data())
@settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_frames_in_any_shape_are_the_same_rows(
    data: st.DataObject, frames: list[Any], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Law: a file of frames written in any shape gives the rows that it gives in our envelope."""
    one: Shape = data.draw(st.sampled_from([s for s in SHAPES if not s.by_payload]))
    start = data.draw(st.integers(0, len(frames) - 60))
    sent = [
        f
        for f in coarse(frames[start : start + data.draw(st.integers(2, 60))], one)
        if one.errors or f.frame[0] != 4
    ]
    if one.name == "system log without a year" or one.name == "no direction at all":
        sent = coarse(frames, one)  # these need the messages around them
    place = tmp_path_factory.mktemp("law")
    for folder in ("shape", "ours"):
        (place / folder).mkdir()
    for name, content in one.render(sent).files.items():
        (place / "shape" / name).write_bytes(content)
    (place / "shape" / "mapping.yaml").write_text(mapping_of(one), encoding="utf-8")
    (place / "ours" / "f.jsonl").write_text("".join(f.envelope + "\n" for f in sent))
    made, _, away = tables(place / "shape")
    meant, _, _ = tables(place / "ours")
    assert away.rows() == []
    for table, rows in meant.items():
        same(made[table], rows)


@pytest.mark.parametrize(
    "name",
    [
        "pretty over many lines",
        "wrapped with a prefix",
        "comma millis and words",
        "no direction at all",
    ],
)
def test_blocks_do_not_matter(name: str, frames: list[Any], tmp_path: Path) -> None:
    """A log read in many blocks, lines without use among them, gives what it gives in one: frames go on from block to block."""
    one = next(s for s in SHAPES if s.name == name)
    [(file, content)] = one.render(coarse(frames[:120], one)).files.items()
    cut = b'\n2026-03-02 bytes that are no text: \xff\xfe [2,"x","Heartbeat",{}]\n'
    told = []
    for n, size in enumerate((1 << 25, 4096)):
        folder = tmp_path / str(n)
        (folder / "d").mkdir(parents=True)
        (folder / "d" / "mapping.yaml").write_text(mapping_of(one), encoding="utf-8")
        (folder / "d" / file).write_bytes(
            content[: len(content) // 3].rpartition(b"\n")[0] + cut + content
        )
        with writing(folder / "w.duckdb") as con:
            files = ingest_delivery(con, folder / "d", IngestSettings(block_bytes=size)).files
            account = (
                files.filter(pl.col("file") == file)
                .select("lines", "used", "rejected", "duplicates", "chatter")
                .row(0)
            )
            told.append(
                (
                    account,
                    query(con, "SELECT * FROM raw_frame ORDER BY line").drop("file_id").rows(),
                )
            )
    assert told[0] == told[1]
    assert told[0][0][2] >= 1
