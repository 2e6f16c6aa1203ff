"""The case book of log shapes: each says the same as our own envelope, to the last line and column."""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import polars as pl
import pytest
import zstandard
from shapes import SHAPES, Sent, Shape, write

from pipeline.ingest import ingest_delivery
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import query, writing

SAMPLE = Path(__file__).resolve().parents[2] / "sample_logs" / "delivery" / "ocpp"
STATIONS = 4
FRAMES = 400


def frames_of(path: Path) -> Iterator[Sent]:
    """Frames of a file of ours; lines that are none are passed over."""
    raw = path.read_bytes()
    content = (
        gzip.decompress(raw)
        if path.suffix == ".gz"
        else zstandard.ZstdDecompressor().decompressobj().decompress(raw)
    )
    for line in content.splitlines():
        try:
            one = json.loads(line)
            whole = len(one["frame"]) >= 3
        except ValueError:
            continue
        if whole:
            yield Sent(
                datetime.fromisoformat(one["at"]),
                one["station_id"],
                one["dir"],
                one["version"],
                one["frame"],
            )


@pytest.fixture(scope="module")
def frames() -> list[Sent]:
    """The first frames of some stations of both versions in a sample file, each once, in order of receipt."""
    path = min(SAMPLE.glob("*.jsonl.gz"))
    every = sorted(frames_of(path), key=lambda f: f.at)
    by_version = {
        v: sorted({f.station_id for f in every if f.version == v})[: STATIONS // 2]
        for v in ("1.6", "2.0.1")
    }
    chosen = {s for stations in by_version.values() for s in stations}
    once = {
        (f.station_id, f.dir, f.text): f
        for f in reversed([f for f in every if f.station_id in chosen])
    }
    return sorted(once.values(), key=lambda f: f.at)[:FRAMES]


def coarse(frames: list[Sent], one: Shape) -> list[Sent]:
    """Frames with times as fine as a shape writes them."""
    step = one.step_us
    return [
        replace(f, at=f.at.replace(microsecond=f.at.microsecond // step * step)) for f in frames
    ]


def tables(folder: Path) -> tuple[dict[str, pl.DataFrame], pl.DataFrame, pl.DataFrame]:
    """Raw tables of a delivery without the place of their lines, the report, and what was rejected."""
    with writing(folder.parent / f"{folder.name}.duckdb") as con:
        report = ingest_delivery(con, folder, IngestSettings())
        made = {}
        for table in ("raw_frame", "raw_sample", "raw_event"):
            rows = query(con, f"SELECT * EXCLUDE (file_id, line) FROM {table}")
            made[table] = rows
        return (
            made,
            report.files,
            query(con, "SELECT file, line, reject_reason FROM raw_rejected ORDER BY file, line"),
        )


def same(ours: pl.DataFrame, theirs: pl.DataFrame) -> None:
    """Two tables hold the same rows, in any order; the version of a message that is the same in both is not told."""
    assert ours.columns == theirs.columns
    if "version" in ours.columns:
        told = pl.col("action").is_in(["Heartbeat", "DataTransfer"]) | (pl.col("message_type") != 2)
        ours, theirs = (
            t.with_columns(version=pl.when(~told.fill_null(value=True)).then("version"))
            for t in (ours, theirs)
        )
    order = [c for c, kind in ours.schema.items() if not isinstance(kind, pl.List)]
    a, b = (t.sort(order, nulls_last=True) for t in (ours, theirs))
    assert a.height == b.height
    assert {c: n for c in a.columns if (n := a[c].ne_missing(b[c]).sum())} == {}


@pytest.mark.parametrize("one", SHAPES, ids=lambda s: s.name)
def test_a_shape_says_what_the_envelope_says(
    one: Shape, frames: list[Sent], tmp_path: Path
) -> None:
    """Frames written in a shape and read by its entry fill the raw tables as the same frames in our envelope do.

    Every line is accounted for: those of frames used, chatter used and told, none rejected.
    """
    sent = [f for f in coarse(frames, one) if one.errors or f.frame[0] != 4]
    if (
        one.by_payload
    ):  # a first frame without any time before it would be rejected, as its own test says
        sent = sent[next(i for i, f in enumerate(sent) if '"timestamp"' in f.text) :]
    written = write(one, sent, tmp_path / "shape")
    ours = tmp_path / "ours"
    ours.mkdir()
    (ours / "frames.jsonl").write_text("".join(f.envelope + "\n" for f in sent))
    made, files, rejected = tables(tmp_path / "shape")
    meant, _, _ = tables(ours)
    assert rejected.rows() == []
    accounts = {row["file"]: row for row in files.to_dicts()}
    for name, lines in written.frame_lines.items():
        counts = tuple(
            accounts[name][c] for c in ("lines", "used", "rejected", "duplicates", "chatter")
        )
        total = lines + written.chatter[name]
        assert counts == (total, total, 0, 0, written.chatter[name]), name
    if one.by_payload:
        made, meant = (
            {k: t.drop("receiver_at_utc") for k, t in side.items()} for side in (made, meant)
        )
    for table, rows in meant.items():
        same(made[table], rows)


def test_the_case_book_is_wide_enough(frames: list[Sent]) -> None:
    """At least sixteen shapes, and frames of both versions, calls and results, in both directions."""
    assert len(SHAPES) >= 16
    assert {f.version for f in frames} == {"1.6", "2.0.1"}
    assert {(f.dir, f.frame[0]) for f in frames} >= {("in", 2), ("out", 3)}
    assert len(frames) == FRAMES
