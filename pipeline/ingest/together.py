"""Small frames files, read together.

Most of what one takes alone goes into planning the statements.
"""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.ingest.lines import blocks, good_and_bad
from pipeline.ingest.opened import Opened
from pipeline.ingest.sink import FILE_STEP
from pipeline.ingest.source import Source
from pipeline.settings.ingest import IngestSettings

# What a packed file is taken to unpack to, in times its size; only the memory of one go depends on
# it.
_UNPACKS = 30


def in_groups(found: list[Opened], settings: IngestSettings) -> Iterator[list[Opened]]:
    """The files in their order.

    Small frames files that follow each other up to a block together, any other alone.
    """
    group: list[Opened] = []
    held = 0
    for one in found:
        size = _size(one, settings)
        if group and (size is None or held + size > settings.block_bytes):
            yield group
            group, held = [], 0
        if size is None:
            yield [one]
        else:
            group.append(one)
            held += size
    if group:
        yield group


def _size(one: Opened, settings: IngestSettings) -> int | None:
    """Unpacked bytes, about, of a file that may go with others."""
    if one.source is None or one.what.kind != "frames" or one.what.message is not None:
        return None
    size = one.source.file_bytes * (_UNPACKS if one.source.packed else 1)
    return size if size < settings.together_bytes else None


def placed(sources: list[Source], settings: IngestSettings) -> list[tuple[pa.Table, pl.DataFrame]]:
    """Good and bad lines of each block of the files, their numbers carrying the file's place in the
    list.
    """
    parts = []
    for place, source in enumerate(sources):
        for block in blocks(source, settings):
            good, bad = good_and_bad(block, settings)
            line = pc.add(good["line"], place * FILE_STEP)
            parts.append(
                (
                    good.set_column(0, "line", line),
                    bad.with_columns(pl.col("line") + place * FILE_STEP),
                )
            )
    return parts
