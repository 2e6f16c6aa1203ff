"""Files read in one transaction: their lines, but for those of files that must not be used."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipeline.ingest.contents import Contents, Known
from pipeline.ingest.lines import Block, Recoder, blocks, joined
from pipeline.ingest.opened import Opened
from pipeline.ingest.source import Source
from pipeline.settings.ingest import IngestSettings


@dataclass(frozen=True)
class Part:
    """Some whole lines of files read in one go, the places of these files, and of those that end
    with them.
    """

    block: Block
    places: frozenset[int]
    ended: Sequence[int]


def parts(sources: Sequence[Source], settings: IngestSettings, recoded: Recoder) -> Iterator[Part]:
    """The lines of files, one after the other, about `block_bytes` at a time.

    Only a file larger than that is parted: what is put together does not depend on its neighbours.
    """
    held: list[tuple[int, Block]] = []
    ended: list[int] = []
    size = 0
    for place, source in enumerate(sources):
        mine: list[tuple[int, Block]] = []
        mine_size = 0
        for block in blocks(source, settings, recoded):
            mine.append((place, block.at(place)))
            mine_size += len(block.data)
            if mine_size >= settings.block_bytes:
                if held or ended:
                    yield _part(held, ended)
                    held, ended, size = [], [], 0
                yield _part(mine, [])
                mine, mine_size = [], 0
        if held and size + mine_size > settings.block_bytes:
            yield _part(held, ended)
            held, ended, size = [], [], 0
        held += mine
        ended.append(place)
        size += mine_size
    if held or ended:
        yield _part(held, ended)


def _part(held: Sequence[tuple[int, Block]], ended: Sequence[int]) -> Part:
    return Part(joined([block for _, block in held]), frozenset(i for i, _ in held), ended)


class LeftOutError(Exception):
    """A file some of whose lines are put already is not to be used: the go is given up, and begun
    again without it.
    """

    def __init__(self, one: Opened) -> None:
        super().__init__(one.file)
        self.one = one


class Batch:
    """Files read in one transaction, and why some of them were left out."""

    def __init__(self, contents: Contents, before: dict[str, Known]) -> None:
        self._contents = contents
        self._before = before
        self.repeats: dict[str, str] = {}
        """By file, the hash of the content it repeats."""
        self.changed: set[str] = set()

    def blocks(self, files: Sequence[Opened], read: Iterator[Part]) -> Iterator[Block]:
        """What is read, but for files that were rewritten meanwhile or whose unpacked content is
        known. Raises LeftOutError where some lines of such a file were given already.
        """
        given: set[int] = set()
        content: dict[str, int] = {}
        for part in read:
            ended = [source_of(files[i]) for i in part.ended]
            known = self._contents.known(
                s.content_sha256 for s in ended if s.content_sha256 != s.sha256
            )
            left_out = {i for i in part.ended if self._left_out(files[i], i, content, known)}
            if late := given & left_out:
                raise LeftOutError(files[min(late)])
            given |= part.places - left_out
            yield part.block.without(left_out) if left_out & part.places else part.block

    def _left_out(
        self, one: Opened, place: int, content: dict[str, int], known: dict[str, Known]
    ) -> bool:
        """Decide on a file that was read to its end; `content` grows by what it holds."""
        source = source_of(one)
        if source.changed:
            self.changed.add(one.file)
            return True
        unpacked = source.content_sha256
        if content.setdefault(unpacked, place) != place:
            self.repeats[one.file] = unpacked
            return True
        if unpacked not in known:
            return False
        if self._contents.to_read_again(known[unpacked], one):
            self._contents.take_back([known[unpacked]])
            return False
        self.repeats[one.file] = unpacked
        return True

    def left_out(self, one: Opened) -> bool:
        """Whether a file was left out."""
        return one.file in self.changed or one.file in self.repeats

    def begin(self, files: Sequence[Opened]) -> None:
        """Take back what is to be read again."""
        self._contents.take_back(
            [self._before[f] for f in (one.file for one in files) if f in self._before]
        )


def source_of(one: Opened) -> Source:
    """The content of a file that has one."""
    if one.source is None:
        raise ValueError(f"{one.file} has no content")
    return one.source
