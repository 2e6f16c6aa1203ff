"""One file, read as what it is; yields its account so far."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from pipeline.ingest.exports import read_sessions, recoder
from pipeline.ingest.frames import read_frames
from pipeline.ingest.lines import REJECT_SCHEMA, Block, blocks, good_and_bad
from pipeline.ingest.opened import Opened
from pipeline.ingest.read_ahead import ahead
from pipeline.ingest.sink import Account, Sink
from pipeline.ingest.source import Source
from pipeline.ingest.tables import read_table
from pipeline.storage.warehouse import append


def read_file(sink: Sink, one: Opened, source: Source) -> Iterator[Account]:
    """Carry a file into the raw tables of its kind, or all its lines into raw_rejected where it is
    of none.
    """
    what, settings = one.what, sink.settings
    if what.message is not None:
        return _refuse(sink, what.message, ahead(blocks(source, settings)))
    if what.kind == "frames":
        return read_frames(sink, ahead(blocks(source, settings)))
    if what.kind == "mapping":
        return _keep_mapping(sink, source, blocks(source, settings))
    if one.export is not None:
        return read_sessions(
            sink, one.export, what.found, blocks(source, settings, recoder(one.export))
        )
    return read_table(sink, what.kind, what.found, ahead(blocks(source, settings)))


def _refuse(sink: Sink, message: str, read: Iterator[Block]) -> Iterator[Account]:
    """Every line of a file that cannot be used, with the file's reason.

    What could not even be read keeps its own.
    """
    account = Account()
    for block in read:
        good, bad = good_and_bad(block, sink.settings, blanks=False)
        lines = (
            pl.DataFrame(good)
            .with_columns(reject_reason=pl.lit(message))
            .select(REJECT_SCHEMA.names())
        )
        seen = (
            pl.when(pl.lit(not block.unread))
            .then(pl.lit(message))
            .otherwise("reject_reason")
            .alias("reject_reason")
        )
        account = account.plus(rejected=sink.reject(pl.concat([lines, bad.with_columns(seen)])))
        yield account


def _keep_mapping(sink: Sink, source: Source, read: Iterator[Block]) -> Iterator[Account]:
    """A mapping file: all its lines count as used, blank ones and comments too."""
    held, account = [], Account()
    for block in read:
        held.append(block.data)
        _, bad = good_and_bad(
            Block(b"", block.starts[:1], block.first_line, block.offset, block.unread),
            sink.settings,
        )
        account = account.plus(used=block.count, rejected=sink.reject(bad))
    text = b"".join(held).decode("utf-8", "replace")
    append(
        sink.con,
        "raw_mapping",
        pl.DataFrame({"file_id": [source.sha256], "file": [sink.file], "mapping_text": [text]}),
    )
    yield account
