"""Files that are read in one go, by the same statements, in one transaction.

Most of what a small file takes alone goes into planning the statements and committing.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator

from pipeline.doorway.kinds import LISTS
from pipeline.ingest.opened import Opened
from pipeline.settings.ingest import IngestSettings

# What a packed file is taken to unpack to, in times its size; only the length of one go depends on
# it. Common practice for logs.
_UNPACKS = 12


def same_way(one: Opened) -> Hashable:
    """What files must have in common to be read by the same statements; a mapping or trace stands
    alone.
    """
    if one.source is None or one.what.kind in {"mapping", "trace"}:
        return one.file
    if one.what.message is not None:
        return None
    return one.what.kind, one.what.found, one.entry and one.entry.reading


def in_groups(found: list[Opened], settings: IngestSettings) -> Iterator[list[Opened]]:
    """The files in groups of up to `together_bytes` (unpacked, about) that are read the same way.

    Files of a kind that are read in several ways are gathered by the way; lists stay in their
    order, because the row that is read last counts.
    """
    first: dict[Hashable, int] = {}
    for i, one in enumerate(found):
        first.setdefault(same_way(one), i)
    place = {one.file: i if one.what.kind in LISTS else first[same_way(one)] for i, one in enumerate(found)}  # fmt: skip
    group: list[Opened] = []
    held = 0
    for one in sorted(found, key=lambda one: place[one.file]):
        size = _size(one)
        other = group and same_way(one) != same_way(group[0])
        if group and (other or held + size > settings.together_bytes):
            yield group
            group, held = [], 0
        group.append(one)
        held += size
    if group:
        yield group


def _size(one: Opened) -> int:
    """Unpacked bytes, about."""
    if one.source is None:
        return 0
    return one.source.file_bytes * (_UNPACKS if one.source.packed else 1)
