"""A delivery as a whole: what is read, what is known, what cannot be read; nothing is lost."""

from __future__ import annotations

import errno
import gzip
import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa
import pytest
import zstandard
from delivered import assert_accounts, frame, lines_of, put, read, reasons, row

import pipeline.ingest.batch as batch_module
import pipeline.ingest.delivery as delivery_module
import pipeline.ingest.lines as lines_module
from pipeline.core.errors import DeliveryError, StoreError
from pipeline.ingest import ingest_delivery
from pipeline.ingest.lines import Block
from pipeline.ingest.source import Source
from pipeline.orchestrate.fingerprint import of_warehouse
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import Connection, query, writing

FRAMES = "".join(frame(2, str(i), "Heartbeat", {}) + "\n" for i in range(500))
TOKENS = "id_token,vehicle_id,valid_from,valid_to\nT1,V1,2026-01-01T00:00:00Z,\n"
PACKERS: dict[str, Callable[[bytes], bytes]] = {
    "plain": lambda b: b,
    "gz": gzip.compress,
    "gz in two members": lambda b: gzip.compress(b[:7000]) + gzip.compress(b[7000:]) + b"\0" * 100,
    "zst": zstandard.ZstdCompressor().compress,
    "zst in two frames": lambda b: zstandard.compress(b[:7000]) + zstandard.compress(b[7000:]),
}


@pytest.mark.parametrize("packer", PACKERS)
def test_packing_is_told_by_content(con: Connection, delivery: Path, packer: str) -> None:
    """Plain, gzip and zstd files are read alike, whatever their name."""
    put(delivery, "name says nothing.txt", PACKERS[packer](FRAMES.encode()))
    account = row(read(con, delivery), "name says nothing.txt")
    assert (account["kind"], account["lines"], account["used"]) == ("frames", 500, 500)


def test_the_same_content_again_is_all_duplicates(
    con: Connection, delivery: Path, tmp_path: Path
) -> None:
    """Under another name, packed or not, in the same run or a later one.

    And it changes nothing in the warehouse.
    """
    put(delivery, "a.jsonl", FRAMES)
    put(delivery, "b.jsonl", FRAMES)
    put(delivery, "t.csv", TOKENS)
    report = read(con, delivery)
    first, second = row(report, "a.jsonl"), row(report, "b.jsonl")
    assert (first["used"], first["known_as"]) == (500, None)
    assert (second["duplicates"], second["known_as"], second["earlier_run"]) == (
        500,
        "a.jsonl",
        False,
    )
    before = of_warehouse(con)
    for name, packer in PACKERS.items():
        put(tmp_path / "again", f"f {name}", packer(FRAMES.encode()))
        put(tmp_path / "again", f"t {name}", packer(TOKENS.encode()))
    again = read(con, tmp_path / "again").files
    assert (again["duplicates"] == again["lines"]).all()
    assert again["earlier_run"].all()
    assert of_warehouse(con) == before


def test_a_second_run_changes_nothing(con: Connection, delivery: Path) -> None:
    """The same delivery again.

    Every line a duplicate, the warehouse the same to the last row, no station touched.
    """
    put(delivery, "a.jsonl", FRAMES + "cut {\n")
    put(delivery, "t.csv", TOKENS + "bad\n")
    put(delivery, "stranger", b"\x00\x01\n\n")
    read(con, delivery)
    before = of_warehouse(con)
    again = read(con, delivery)
    assert row(again, "a.jsonl")["duplicates"] == 501
    assert row(again, "stranger")["duplicates"] == 2
    assert again.touched.is_empty()
    assert of_warehouse(con) == before


def test_order_and_grouping_of_files_do_not_matter(tmp_path: Path) -> None:
    """The same frames in one file or in three, in one delivery or in two.

    The same frames are kept.
    """
    lines = FRAMES.splitlines(keepends=True)
    kept = []
    for name, parts in {
        "one": [[lines]],
        "three": [[lines[300:], lines[:100], lines[90:310]]],
        "two runs": [[lines[200:]], [lines]],
    }.items():
        with writing(tmp_path / name / "w.duckdb") as con:
            for i, files in enumerate(parts):
                for j, part in enumerate(files):
                    put(tmp_path / name / str(i), f"{j}.jsonl", "".join(part))
                read(con, tmp_path / name / str(i))
            kept.append(
                query(con, "SELECT message_id FROM raw_frame ORDER BY 1").to_series().to_list()
            )
    assert kept[0] == kept[1] == kept[2]


def test_a_cut_archive_gives_what_it_holds(con: Connection, delivery: Path) -> None:
    """What can be unpacked is used; the rest is one rejected line, with its place and reason."""
    varied = "".join(
        frame(2, os.urandom(8).hex(), "Heartbeat", {}) + "\n" for _ in range(500)
    ).encode()
    put(delivery, "a.gz", gzip.compress(varied)[:5000])
    put(delivery, "b.zst", zstandard.compress(varied)[:-50])
    put(delivery, "c.gz", gzip.compress(varied)[:-6] + b"\xff" * 6)
    report = read(con, delivery)
    for name in ("a.gz", "c.gz"):
        assert row(report, name)["rejected"] == 1
        assert row(report, name)["used"] + row(report, name)["duplicates"] > 50
    assert row(report, "b.zst")["rejected"] == 1
    assert any("the gzip stream is cut off" in r for r in reasons(con, "a.gz"))
    assert any("the zstd stream is cut off" in r for r in reasons(con, "b.zst"))
    assert any("cannot be unpacked further" in r for r in reasons(con, "c.gz"))


BOMBS = {"gz": gzip.compress(b"\0" * (96 << 20), 9), "zst": zstandard.compress(b"0" * (96 << 20))}


@pytest.mark.parametrize("kind", BOMBS)
def test_a_bomb_is_stopped(con: Connection, delivery: Path, kind: str) -> None:
    """An archive that unpacks beyond the caps is stopped there, with the setting named.

    Memory stays bounded by the blocks.
    """
    put(delivery, "bomb", BOMBS[kind])
    read(con, delivery, unpack_free_bytes=1 << 20, line_cap_bytes=1 << 16, block_bytes=1 << 16)
    assert any("unpack_ratio_cap" in reason for reason in reasons(con))
    put(delivery, "bomb", BOMBS[kind] + b"\0")
    read(con, delivery, unpacked_cap_bytes=1 << 21, line_cap_bytes=1 << 16, block_bytes=1 << 16)
    assert any("unpacked_cap_bytes" in reason for reason in reasons(con))


def test_an_enormous_line_is_passed_over(con: Connection, delivery: Path) -> None:
    """A line beyond the cap is rejected with its place.

    The lines after it keep their numbers and offsets.
    """
    long = '{"frame": "' + "x" * 300_000 + '"}\n'
    short = frame(2, "a", "Heartbeat", {}) + "\n"
    content = short + long + "{\n" + long + frame(2, "b", "Heartbeat", {}) + "\n{"
    put(delivery, "a.jsonl", content)
    account = row(read(con, delivery, block_bytes=1 << 16, line_cap_bytes=1 << 16), "a.jsonl")
    assert (account["lines"], account["used"], account["rejected"]) == (6, 2, 4)
    found = query(
        con,
        "SELECT line, byte_offset, reject_reason, length(text) AS n FROM raw_rejected ORDER BY line",
    ).rows()
    assert [(line, offset) for line, offset, _, _ in found] == [
        (2, len(short)), (3, len(short + long)), (4, len(short + long) + 2), (6, len(content) - 1),
    ]  # fmt: skip
    assert "line_cap_bytes" in found[0][2]
    assert found[0][3] == 2000
    assert query(con, "SELECT line FROM raw_frame ORDER BY 1").rows() == [(1,), (5,)]


@pytest.mark.parametrize(("name", "told"), [("f", None), ("f" * 200, "less deep folders")])
def test_deep_folders(con: Connection, tmp_path: Path, name: str, told: str | None) -> None:
    """A folder in a folder, twelve hundred times: its file is read, or, where its name is longer
    than the system takes, what to do is said in a short message.
    """
    top = tmp_path / "d"
    top.mkdir()
    at = os.open(top, os.O_RDONLY)
    for _ in range(1200):
        os.mkdir(name, dir_fd=at)  # step by step: the whole name may be too long
        at, above = os.open(name, os.O_RDONLY, dir_fd=at), at
        os.close(above)
    os.close(os.open("a.csv", os.O_CREAT | os.O_WRONLY, dir_fd=at))
    os.close(at)
    try:
        if told is None:
            assert read(con, top).files["file"].to_list() == ["f/" * 1200 + "a.csv"]
        else:
            with pytest.raises(DeliveryError, match=told) as caught:
                read(con, top)
            assert len(str(caught.value)) < 600
    finally:
        subprocess.run(["rm", "-rf", top], check=True)  # pytest's own cleaning recurses


def test_memory_that_runs_out_is_no_fault_of_a_file(
    con: Connection, delivery: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where memory runs out while a packed file is read, by its mapping or as it is opened, the
    run ends; the file is not noted as damaged, and is read whole the next time.
    """
    put(delivery, "a.jsonl.gz", gzip.compress(FRAMES.encode()))
    put(delivery, "b.log", "x\n")
    put(delivery, "mapping.yaml", 'frames:\n  - {file: b.log, line: "{at} {station_id} {frame}"}\n')

    def out_of(error: type[Exception]) -> Callable[..., Any]:
        def fail(*_: object, **__: object) -> Any:
            raise error(errno.ENOMEM, "no memory")

        return fail

    for module, name, error in (
        ("pipeline.ingest.source", "_gunzip", MemoryError),
        ("pipeline.ingest.source", "_gunzip", OSError),
        ("pipeline.ingest.opened", "Source", OSError),
        ("pipeline.ingest.delivery", "read_files", pa.ArrowMemoryError),
    ):
        with monkeypatch.context() as patched, pytest.raises(MemoryError):
            patched.setattr(f"{module}.{name}", out_of(error))
            read(con, delivery)
    account = row(read(con, delivery), "a.jsonl.gz")
    assert (account["used"], account["rejected"]) == (500, 0)


def test_what_is_no_file_is_told(con: Connection, delivery: Path, tmp_path: Path) -> None:
    """Pipes, links out of the delivery, broken links and linked folders count as one rejected line
    each, and are not opened.
    """
    put(delivery, "inside/a.jsonl", FRAMES)
    (delivery / "b.jsonl").symlink_to(delivery / "inside" / "a.jsonl")
    (delivery / "out").symlink_to(put(tmp_path, "secret", "x\n"))
    (delivery / "broken").symlink_to(delivery / "nothing")
    (delivery / "loop").symlink_to(delivery / "loop")
    (delivery / "folder").symlink_to(delivery / "inside")
    os.mkfifo(delivery / "pipe")
    report = read(con, delivery)
    assert sorted((row(report, name)["used"], row(report, name)["duplicates"]) for name in ("b.jsonl", "inside/a.jsonl")) == [
        (0, 500), (500, 0),
    ]  # fmt: skip
    for name in ("out", "broken", "loop", "folder", "pipe"):
        assert row(report, name)["rejected"] == 1
        assert row(report, name)["message"].startswith(f"{name}: ")
    assert reasons(con, "out") == ["out: a link that leaves the delivery is not followed"]
    read(con, delivery)
    assert len(reasons(con, "pipe")) == 1


@pytest.mark.parametrize("name", ["nothing", "file"])
def test_a_delivery_must_be_a_folder(con: Connection, tmp_path: Path, name: str) -> None:
    """A delivery that is not there, or is no folder, is a clear error."""
    put(tmp_path, "file", "x")
    with pytest.raises(DeliveryError, match="What to do"):
        ingest_delivery(con, tmp_path / name, IngestSettings())


def _meddle(monkeypatch: pytest.MonkeyPatch, meddle: Callable[[], object]) -> None:
    """Do something to the files after the first block of the next file is read."""
    real = lines_module.blocks

    def meddling(source: Source, *given: Any) -> Iterator[Block]:
        for i, block in enumerate(real(source, *given)):
            if i == 0:
                meddle()
            yield block

    monkeypatch.setattr(batch_module, "blocks", meddling)


def test_a_growing_file_is_read_as_it_was(
    con: Connection, delivery: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Lines appended while a file is read are left for the next time.

    A last line cut by the growth is rejected, saying so.
    """
    path = put(delivery, "a.jsonl", FRAMES + '{"at": "2026')

    def grow() -> None:
        with path.open("a") as handle:
            handle.write('-03-02T10:00:00Z"}\n')

    _meddle(monkeypatch, grow)
    account = row(read(con, delivery, block_bytes=4096), "a.jsonl")
    assert (account["used"], account["rejected"]) == (500, 1)
    assert "grew while being read" in reasons(con)[0]


def test_a_shrinking_file_loses_no_line_silently(
    con: Connection, delivery: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What vanished while the file was read is one rejected line."""
    path = put(delivery, "a.jsonl", FRAMES)
    _meddle(monkeypatch, lambda: os.truncate(path, 20_000))
    account = row(read(con, delivery, block_bytes=4096), "a.jsonl")
    assert account["rejected"] >= 1
    assert any("shrank while being read" in reason for reason in reasons(con))


def test_a_rewritten_file_is_not_used(
    con: Connection, delivery: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file whose bytes changed while it was read leaves nothing in the warehouse, and is read
    when it comes again.
    """
    path = put(delivery, "a.jsonl", FRAMES)
    _meddle(monkeypatch, lambda: path.write_text(FRAMES.replace("ST1", "ST9")))
    account = row(read(con, delivery, block_bytes=4096), "a.jsonl")
    assert (account["lines"], account["rejected"]) == (1, 1)
    assert "rewritten while being read" in account["message"]
    assert query(con, "SELECT count(*) FROM raw_frame").row(0) == (0,)
    monkeypatch.undo()
    assert row(read(con, delivery), "a.jsonl")["used"] == 500


def test_a_vanished_file_is_told(
    con: Connection, delivery: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that goes away between being found and being read is one rejected line.

    The others are read.
    """
    path = put(delivery, "a.jsonl", FRAMES)
    put(delivery, "b.jsonl", FRAMES.replace("ST1", "ST2"))
    real = delivery_module.opened

    def then_gone(*given: object) -> object:
        found = real(*given)  # type: ignore[arg-type]
        path.unlink()
        return found

    monkeypatch.setattr(delivery_module, "opened", then_gone)
    report = read(con, delivery)
    assert row(report, "a.jsonl")["rejected"] == 1
    assert "cannot be read" in reasons(con, "a.jsonl")[0]
    assert row(report, "b.jsonl")["used"] == 500


def test_a_run_broken_off_leaves_whole_files_only(con: Connection, delivery: Path) -> None:
    """An error in the middle of a file undoes that file alone.

    The next run reads it, and knows the others.
    """
    put(delivery, "a.jsonl", FRAMES)
    put(delivery, "b.jsonl", FRAMES.replace("ST1", "ST2"))

    def fail_in_b(_step: str, done: int, _total: int) -> None:
        if done > len(FRAMES):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        ingest_delivery(
            con, delivery, IngestSettings(block_bytes=4096, together_bytes=0), fail_in_b
        )
    assert query(con, "SELECT DISTINCT station_id FROM raw_frame").rows() == [("ST1",)]
    report = read(con, delivery)
    assert (row(report, "a.jsonl")["duplicates"], row(report, "b.jsonl")["used"]) == (500, 500)


def test_blocks_make_no_difference(tmp_path: Path) -> None:
    """However a file is cut into blocks, and these put together, rows, rejects, offsets and pairs
    are the same.
    """
    dirty = (
        FRAMES[:30_000]
        + "\n{\n"
        + FRAMES[20_000:]
        + "\xff\n".encode("latin-1").decode("latin-1")
        + FRAMES[:100]
    )
    answers = "".join(
        frame(3, str(i), {"currentTime": "2026-03-02T10:00:01Z"}, way="out") + "\n"
        for i in range(500)
    )
    found = []
    for size, held in ((6000, 0), (6000, 20_000), (50_000, 0), (1 << 25, 1 << 27)):
        folder = tmp_path / f"{size}-{held}"
        put(folder, "d/a.jsonl", dirty + "\n" + answers)
        with writing(folder / "w.duckdb") as con:
            read(con, folder / "d", block_bytes=size, typed_bytes=held)
            found.append(of_warehouse(con))
    assert all(one == found[0] for one in found)


def test_an_answer_finds_its_call_across_blocks(con: Connection, delivery: Path) -> None:
    """A call put before, near or far, gives its answer the action.

    One already answered does not.
    """
    calls = [frame(2, str(i), "Heartbeat", {}, at=f"2026-03-02T10:00:{i:02}Z") for i in range(5)]
    answers = [
        frame(
            3,
            str(i),
            {"currentTime": "2026-03-02T10:00:00Z"},
            at=f"2026-03-02T10:01:{i:02}Z",
            way="out",
        )
        for i in range(6)
    ]
    put(delivery, "a.jsonl", "\n".join([*calls, *answers]))
    read(con, delivery, block_bytes=1024, typed_bytes=0)
    found = query(con, "SELECT message_id, action FROM raw_frame WHERE message_type = 3 ORDER BY 1")
    assert found.rows() == [*((str(i), "Heartbeat") for i in range(5)), ("5", None)]


def test_lines_are_counted_as_by_hand(con: Connection, delivery: Path) -> None:
    """The report's line counts are those of counting newlines in the bytes."""
    for i, content in enumerate(
        [b"", b"\n", b"a", b"a\n", b"a\nb", b"\n\n\n", b"\xef\xbb\xbf", b"\xef\xbb\xbfa\n", b"\r\n"]
    ):
        put(delivery, f"{i}", content)
    report = read(con, delivery)
    counted = {name: lines_of(delivery / name) for name in report.files["file"]}
    counted["6"] = 0  # a byte-order mark alone is no line
    assert dict(report.files.select("file", "lines").iter_rows()) == counted


def test_touched_spans_the_new_rows(con: Connection, delivery: Path) -> None:
    """A station is touched over the receiver's time of its new frames, and not at all where all are
    repeats.
    """
    put(delivery, "a.jsonl", "\n".join([
        frame(2, "1", "Heartbeat", {}, at="2026-03-02T10:00:00Z"), frame(2, "2", "Heartbeat", {}, at="2026-03-05T10:00:00Z"),
        frame(2, "1", "Heartbeat", {}, at="2026-03-09T10:00:00Z"),
    ]))  # fmt: skip
    touched = read(con, delivery).touched
    assert touched.select(pl.col("from_utc").dt.day(), pl.col("to_utc").dt.day()).rows() == [(2, 5)]
    put(delivery, "b.jsonl", frame(2, "2", "Heartbeat", {}))
    report = read(con, delivery)
    assert_accounts(con, report)
    assert report.touched.is_empty()


def test_other_frame_keys_are_an_error(con: Connection, delivery: Path) -> None:
    """A warehouse whose keys were made by another hash is refused, before a repeat could be taken
    for new.
    """
    read(con, delivery)
    con.execute("UPDATE store_meta SET value = '1' WHERE name = 'frame_key_probe'")
    with pytest.raises(StoreError, match="frame keys"):
        ingest_delivery(con, delivery, IngestSettings())


def test_memory_stays_bounded(con: Connection, delivery: Path) -> None:
    """The bound on DuckDB's memory holds while files are read and afterwards, for the steps that follow."""
    put(delivery, "a.jsonl", FRAMES)
    ingest_delivery(con, delivery, IngestSettings(engine_bytes=300 << 20))
    assert con.execute("SELECT current_setting('memory_limit')").fetchall() == [("300.0 MiB",)]
