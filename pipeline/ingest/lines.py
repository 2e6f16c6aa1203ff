"""Unpacked bytes cut into lines: vectorised, zero-copy for the good ones, the others set apart with
their reason.

A line ends with a newline; bytes after the last newline are a line too. Line numbers count from 1.
Files go together: a line of the file at place i of those read in one go carries the number
i * FILE_STEP + line until it is put.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
import pyarrow as pa

from pipeline.core.line_numbers import FILE_STEP
from pipeline.doorway.recognise import BOM
from pipeline.ingest.source import Source
from pipeline.settings.ingest import IngestSettings

Recoder = Callable[[Iterator[bytes]], Iterator[bytes]]
Integers = np.ndarray[tuple[int], np.dtype[np.int64]]

TEXT_CAP = 2000
EMPTY = "empty line"
# Record batches a block is cut into, so that DuckDB reads it on all its threads (one batch is one
# task).
_BATCHES = 8

REJECT_SCHEMA = pl.Schema(
    {
        "line": pl.Int64(),
        "byte_offset": pl.Int64(),
        "reject_reason": pl.String(),
        "text": pl.String(),
    }
)


@dataclass(frozen=True)
class Block:
    """Whole lines of a file, or of files one after the other.

    Line i is `data` from `starts[i]` to `starts[i + 1]`, the newline included; `line[i]` is its
    number, `offset[i]` the place of its first byte in its unpacked file. `unread` lines never came
    whole: (line, byte offset, first bytes, reason). `problems`: i → why line i cannot be read.
    """

    data: bytes
    starts: Integers
    line: Integers
    offset: Integers
    unread: tuple[tuple[int, int, bytes, str], ...] = ()
    problems: Mapping[int, str] = field(default_factory=dict)

    @property
    def count(self) -> int:
        """Lines in the block, unread ones aside."""
        return len(self.starts) - 1

    def at(self, place: int) -> Block:
        """The same lines with the numbers of the file at a place."""
        step = place * FILE_STEP
        unread = tuple((n + step, offset, head, reason) for n, offset, head, reason in self.unread)
        return replace(self, line=self.line + step, unread=unread) if step else self

    def without(self, places: set[int]) -> Block:
        """The lines of files at other places."""
        keep = ~np.isin(self.line // FILE_STEP, list(places))
        length = np.diff(self.starts)
        number = np.cumsum(keep) - 1
        return Block(
            np.frombuffer(self.data, np.uint8)[np.repeat(keep, length)].tobytes(),
            np.concatenate([[0], np.cumsum(length[keep])]).astype(np.int64),
            self.line[keep],
            self.offset[keep],
            tuple(line for line in self.unread if line[0] // FILE_STEP not in places),
            {int(number[i]): reason for i, reason in self.problems.items() if keep[i]},
        )


_NO_LINES = np.zeros(0, np.int64)
NOTHING = Block(b"", np.zeros(1, np.int64), _NO_LINES, _NO_LINES)


def joined(blocks: Sequence[Block]) -> Block:
    """Blocks as one (NOTHING for none); a file that ends within a character must not take one from the next."""
    if len(blocks) < 2:
        return blocks[0] if blocks else NOTHING
    data = [b.data + b"\n" if b.data[-1:] >= b"\x80" else b.data for b in blocks]
    begin = np.concatenate([[0], np.cumsum([len(part) for part in data])]).astype(np.int64)
    starts = [b.starts[:-1] + at for b, at in zip(blocks, begin[:-1], strict=True)]
    first = np.cumsum([0, *(b.count for b in blocks)]).tolist()
    return Block(
        b"".join(data),
        np.concatenate([*starts, begin[-1:]]),
        np.concatenate([b.line for b in blocks]),
        np.concatenate([b.offset for b in blocks]),
        tuple(line for b in blocks for line in b.unread),
        {
            n + i: reason
            for n, b in zip(first, blocks, strict=False)
            for i, reason in b.problems.items()
        },
    )


@dataclass
class _Place:
    line: int = 1
    offset: int = 0


def blocks(source: Source, settings: IngestSettings, recoded: Recoder = iter) -> Iterator[Block]:
    """Cut a file into blocks of whole lines; a byte-order mark at the start is skipped, memory is
    bounded.

    What could not be read (the rest of a damaged file, the cut last line of one that grew
    meanwhile) is one unread line. `recoded` turns the bytes of another encoding into UTF-8.
    """
    place, carry, first = _Place(), b"", True
    chunks = recoded(source.chunks(settings.block_bytes))
    for chunk in _gathered(chunks, settings.block_bytes):
        data = carry + chunk if carry else chunk
        if first and data.startswith(BOM):
            data, place.offset = data[len(BOM) :], len(BOM)
        first = False
        cut = data.rfind(b"\n") + 1
        if cut:
            yield _block(data if cut == len(data) else data[:cut], place, settings)
        carry = data[cut:]
        if len(carry) > settings.line_cap_bytes:
            carry = yield from _skip(carry, chunks, place, _over_cap(settings))
    if source.damage or (carry and source.grown):
        yield _unread(
            place,
            carry,
            source.damage or "the file grew while being read, this line is cut: deliver it again",
        )
    elif carry:
        yield _block(carry, place, settings)


def _over_cap(settings: IngestSettings) -> str:
    return f"longer than {settings.line_cap_bytes} bytes (setting line_cap_bytes)"


def _unread(place: _Place, head: bytes, reason: str) -> Block:
    return replace(NOTHING, unread=((place.line, place.offset, head[:TEXT_CAP], reason),))


def _gathered(chunks: Iterator[bytes], size: int) -> Iterator[bytes]:
    """Chunks joined to about `size` bytes."""
    held: list[bytes] = []
    length = 0
    for chunk in chunks:
        held.append(chunk)
        length += len(chunk)
        if length >= size:
            yield held[0] if len(held) == 1 else b"".join(held)
            held, length = [], 0
    if held:
        yield b"".join(held)


def _block(data: bytes, place: _Place, settings: IngestSettings) -> Block:
    ends = np.flatnonzero(np.frombuffer(data, np.uint8) == ord("\n")) + 1
    if not data.endswith(b"\n"):
        ends = np.append(ends, len(data))
    starts = np.concatenate([np.zeros(1, np.int64), ends])
    line = np.arange(place.line, place.line + len(ends), dtype=np.int64)
    problems = _problems(data, starts, settings)
    block = Block(data, starts, line, place.offset + starts[:-1], problems=problems)
    place.line += block.count
    place.offset += len(data)
    return block


def _skip(
    carry: bytes, chunks: Iterator[bytes], place: _Place, reason: str
) -> Generator[Block, None, bytes]:
    """Pass over the rest of an endless line.

    What follows its newline is carried on (the generator's return value).
    """
    head, length, rest = carry[:TEXT_CAP], len(carry), b""
    for chunk in chunks:
        cut = chunk.find(b"\n") + 1
        length += cut or len(chunk)
        if cut:
            rest = chunk[cut:]
            break
    yield _unread(place, head, reason)
    place.line += 1
    place.offset += length
    return rest


def good_and_bad(block: Block, *, blanks: bool = True) -> tuple[pa.Table, pl.DataFrame]:
    """The block's readable lines (`line`, `byte_offset`, `text`, zero-copy) and the others
    (REJECT_SCHEMA).

    `blanks` says whether an empty line is one of the others.
    """
    starts = block.starts
    text = pa.StringArray.from_buffers(
        block.count, pa.py_buffer(starts.astype(np.int32)), pa.py_buffer(block.data)
    )
    columns = [pa.array(block.line), pa.array(block.offset), text]
    batch = pa.RecordBatch.from_arrays(columns, ["line", "byte_offset", "text"])
    empty = _blank(block) if blanks else _NO_LINES
    problems = block.problems
    whole = batch
    if problems or len(empty):
        keep = np.ones(block.count, bool)
        keep[list(problems)] = False
        keep[empty] = False
        batch = batch.filter(pa.array(keep))
    rows = [
        (
            int(block.line[i]),
            int(block.offset[i]),
            reason,
            as_text(block.data[starts[i] : starts[i + 1]]),
        )
        for i, reason in sorted(problems.items())
    ]
    bad = pl.DataFrame(rows, schema=REJECT_SCHEMA, orient="row")
    if len(empty):
        bad = pl.concat([bad, _as_bad(whole.take(pa.array(empty)))]).sort("line")
    rows = [
        (number, offset, reason, as_text(head)) for number, offset, head, reason in block.unread
    ]
    unread = pl.DataFrame(rows, schema=REJECT_SCHEMA, orient="row")
    return _batched(batch), pl.concat([bad, unread])


def _as_bad(empty: pa.RecordBatch) -> pl.DataFrame:
    """Empty lines as REJECT_SCHEMA; there may be millions."""
    lines = pl.DataFrame(pl.from_arrow(empty))
    text = pl.col("text").str.strip_chars_end("\r\n")
    return lines.with_columns(text, reject_reason=pl.lit(EMPTY)).select(REJECT_SCHEMA.names())


def _batched(batch: pa.RecordBatch) -> pa.Table:
    step = max(1, -(-batch.num_rows // _BATCHES))
    return pa.Table.from_batches(
        [batch.slice(i, step) for i in range(0, batch.num_rows, step)], batch.schema
    )


def _problems(data: bytes, starts: Integers, settings: IngestSettings) -> dict[int, str]:
    """Index of a line → why it cannot be read.

    Only lines that hold something suspicious are looked at one by one.
    """
    problems: dict[int, str] = {}
    if not data.isascii():
        problems.update(_not_utf8(data, starts))
    if b"\0" in data:
        nul = np.flatnonzero(np.frombuffer(data, np.uint8) == 0)
        problems.update(dict.fromkeys(_line_of(starts, nul), "holds a NUL byte"))
    long = np.flatnonzero(np.diff(starts) > settings.line_cap_bytes).tolist()
    problems.update(dict.fromkeys(long, _over_cap(settings)))
    return problems


_WHITE = np.isin(np.arange(256), list(b" \t\n\r\v\f"))


def _blank(block: Block) -> Integers:
    """Index of each empty line."""
    starts, length = block.starts[:-1], np.diff(block.starts)
    short = np.flatnonzero((length == 1) | (length == 2))
    data = np.frombuffer(block.data, np.uint8)
    first, last = starts[short], starts[short] + length[short] - 1
    return short[_WHITE[data[first]] & _WHITE[data[last]]]


def _line_of(starts: Integers, at: Integers) -> list[int]:
    found: list[int] = np.unique(np.searchsorted(starts, at, side="right") - 1).tolist()
    return found


def _not_utf8(data: bytes, starts: Integers) -> dict[int, str]:
    try:
        data.decode()
    except UnicodeDecodeError:
        pass
    else:
        return {}
    problems = {}
    high = np.flatnonzero(np.frombuffer(data, np.uint8) >= 0x80)
    for i in _line_of(starts, high):
        try:
            data[starts[i] : starts[i + 1]].decode()
        except UnicodeDecodeError as error:
            problems[i] = f"not UTF-8 at its byte {error.start}"
    return problems


_CONTROLS = [chr(c) for c in (*range(32), 127, *range(128, 160))]
_ESCAPED = [f"\\x{ord(c):02x}" for c in _CONTROLS]


def as_text(data: bytes) -> str:
    """The start of a line as text, undecodable bytes as escapes."""
    return data[:TEXT_CAP].rstrip(b"\r\n").decode("utf-8", "backslashreplace")


def printable(text: pl.Expr) -> pl.Expr:
    """A line's text cut to what `rejected` keeps, line end off, control characters escaped."""
    return (
        text.str.strip_chars_end("\r\n")
        .str.slice(0, TEXT_CAP)
        .str.replace_many(_CONTROLS, _ESCAPED)
        .str.slice(0, TEXT_CAP)
    )
