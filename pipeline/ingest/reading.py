"""Files of one kind, read in one go by the same statements."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import polars as pl

from pipeline.core.line_numbers import FILE_STEP
from pipeline.ingest.exports import read_sessions, recoder, unmapped_columns
from pipeline.ingest.frames import read_frames
from pipeline.ingest.lines import REJECT_SCHEMA, Block, good_and_bad
from pipeline.ingest.mapped import MappedLines
from pipeline.ingest.opened import Opened
from pipeline.ingest.sink import Account, Sink
from pipeline.ingest.tables import read_table, unknown_columns
from pipeline.storage.warehouse import append


def read_files(
    sink: Sink,
    files: Sequence[Opened],
    blocks: Iterator[Block],
) -> Iterator[None]:
    """Carry files that go together (`together.same_way`) into the raw tables of their kind, or all
    their lines into raw_rejected where they are of none; comes back after each block.
    """
    first = files[0]
    if first.what.message is not None:
        return _refuse(sink, [one.what.message or "" for one in files], blocks)
    if first.frames is not None:
        stations = [one.station for one in files]
        log = MappedLines(sink, first.frames, stations, first.what.found)
        return read_frames(sink, log.parts(blocks))
    if first.what.kind == "frames":
        return read_frames(sink, (good_and_bad(block) for block in blocks))
    if first.what.kind in _WHOLE:
        return _keep_whole(sink, blocks, *_WHOLE[first.what.kind])
    if first.export is not None:
        return read_sessions(sink, first.export, first.what.found, blocks)
    return read_table(sink, first.what.kind, first.what.found, blocks)


_WHOLE = {"mapping": ("raw_mapping", "mapping_text"), "trace": ("raw_trace_file", "trace_text")}
"""Kinds that are kept as they came: table and column."""


def account_of(sink: Sink, place: int, one: Opened) -> Account:
    """The account of the file at a place, its unknown columns named."""
    what, unknown = one.what, tuple[str, ...]()
    if one.export is not None:
        unknown = unmapped_columns(one.export, what.found)
    elif what.message is None and what.found and one.frames is None:
        unknown = unknown_columns(what.kind, what.found)
    return sink.account(place, unknown)


def recoder_of(one: Opened) -> Callable[[Iterator[bytes]], Iterator[bytes]]:
    """What turns the bytes of a file into UTF-8."""
    return recoder(one.entry) if one.entry is not None and one.what.message is None else iter


def _refuse(sink: Sink, messages: list[str], blocks: Iterator[Block]) -> Iterator[None]:
    """Every line of files that cannot be used, with the file's reason; what could not even be read
    keeps its own.
    """
    for block in blocks:
        good, bad = good_and_bad(block, blanks=False)
        lines = (
            pl.DataFrame(good).with_columns(reject_reason=pl.lit("")).select(REJECT_SCHEMA.names())
        )
        everything = pl.concat([lines, bad])
        message = pl.Series(messages).gather(everything["line"] // FILE_STEP)
        unread = pl.col("line").is_in([line for line, *_ in block.unread])
        reason = pl.when(unread).then("reject_reason").otherwise(message)
        sink.reject(everything.with_columns(reject_reason=reason))
        yield


def _keep_whole(sink: Sink, blocks: Iterator[Block], table: str, column: str) -> Iterator[None]:
    """A mapping file or a trace (one a go) as it came: all its lines count as used, blank ones and
    comments too.
    """
    held = []
    for block in blocks:
        held.append(block.data)
        bare = Block(b"", block.starts[:1], block.line[:0], block.offset[:0], block.unread)
        sink.reject(good_and_bad(bare)[1])
        sink.count("used", block.line)
        yield
    text = b"".join(held).decode("utf-8", "replace")
    row = {"file_id": sink.file_ids, "file": sink.files, column: [text]}
    append(sink.con, table, pl.DataFrame(row))
