"""What a file is, told from its first bytes."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipeline.doorway.kinds import guess

# Unpacked bytes looked at: many frames, and any header.
BOM = b"\xef\xbb\xbf"
HEAD_BYTES = 1 << 18
_DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "vertical bars"}
# A section with its entries below it, or in it: a log's line may begin with the word too.
TRACE_ROWS = 150
"""Rows of figures at the end of what is looked at: ten periods of the pilot at 15 kS/s."""
_FIGURE = rb"[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?"
_FIGURES = re.compile(
    rb'"?' + _FIGURE + rb'"?(?:[ \t]*[;,\t ][ \t]*"?' + _FIGURE + rb'"?){0,7}[;,]{0,3}'
)
_MAPPING = re.compile(
    rb"""^(?:exports|frames)[ \t]*:[ \t]*(?:#.*)?(?:[\r\n\[{"']|\Z)""", re.MULTILINE
)


@dataclass(frozen=True)
class Recognised:
    """A kind, the header of a CSV as found, and why a file cannot be used (None = it can).

    `looks_like` is the kind that it would be, were it right; `doubtful` where a mapping that covers the
    file knows better: objects with a frame, but not our envelope's station.
    """

    kind: str
    found: tuple[str, ...] = ()
    message: str | None = None
    doubtful: bool = False
    looks_like: str | None = None


def recognise(head: bytes) -> Recognised:
    """The kind of a file by the start of its unpacked content.

    Session exports are told apart by their mapping, not here.
    """
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return Recognised(
            "unrecognised",
            message="the text is UTF-16, not UTF-8: save it as UTF-8, or name the encoding in a mapping",
        )
    head = head.removeprefix(BOM)
    if _looks_like_frames(head):
        return Recognised("frames", doubtful=not _looks_like_frames(head, b'"station_id"'))
    if (mapping := _looks_like_mapping(head)) or _looks_like_trace(head):
        return Recognised("mapping" if mapping else "trace")
    first = next((line for line in _lines(head) if line.strip()), b"")
    if b"\0" in first or not first:
        return Recognised("unrecognised", message=_no_text(first))
    try:
        return _by_header(first.decode())
    except UnicodeDecodeError:
        return Recognised(
            "unrecognised",
            message="its first line is not UTF-8, and no mapping names another encoding",
        )


def _no_text(line: bytes) -> str:
    """What an empty line or one with NUL bytes is: every other byte of UTF-16 is one, where letters are Latin."""
    for name, zeros in (("utf-16-le", line[1:200:2]), ("utf-16-be", line[0:200:2])):
        if zeros and zeros.count(0) * 10 >= len(zeros) * 9:
            return f"the text is UTF-16 without its mark: save it as UTF-8, or write encoding: {name} in a mapping"
    return "neither frames nor a CSV header: no text in its first line"


def _looks_like_frames(head: bytes, *besides: bytes) -> bool:
    """True where any of the first lines starts an object that names a frame.

    The first ones may be cut or garbled.
    """
    names = (b'"frame"', *besides)
    return all(name in head for name in names) and any(
        line.lstrip().startswith(b"{") and all(name in line for name in names)
        for line in _lines(head)
    )


def _lines(head: bytes) -> Iterator[bytes]:
    """Lines one by one: the first tells, where a file is what it looks like."""
    start, end = 0, 0
    while end >= 0:
        end = head.find(b"\n", start)
        yield head[start:end] if end >= 0 else head[start:]
        start = end + 1


def _looks_like_mapping(head: bytes) -> bool:
    """True where a section of a mapping begins a line; most files do not even hold the words."""
    return (b"exports" in head or b"frames" in head) and _MAPPING.search(head) is not None


def _looks_like_trace(head: bytes) -> bool:
    """True where rows of a few figures go on and on: an oscilloscope's export, whatever its header.

    None of our own kinds is figures alone.
    """
    lines = head.split(b"\n")[:-1]
    rows = lines[-TRACE_ROWS:]
    if len(rows) < TRACE_ROWS or not _FIGURES.fullmatch(rows[-1].strip()):
        return False
    return all(_FIGURES.fullmatch(row.strip()) for row in rows)


def header_fields(line: str, delimiter: str = ",") -> tuple[str, ...]:
    """Names in a header line, blanks around them off."""
    try:
        return tuple(
            name.strip()
            for name in next(csv.reader([line.rstrip("\r\n")], delimiter=delimiter), [])
        )
    except csv.Error:
        return (line.strip(),)


def _by_header(line: str) -> Recognised:
    found = header_fields(line)
    best = guess(list(found))
    if best is None:
        return _other_dialect(line) or Recognised("unrecognised", found, _no_such_header(found))
    twice = sorted({name for name in found if name and found.count(name) > 1})
    if best.missing:
        lacking = "the column {} is" if len(best.missing) == 1 else "the columns {} are"
        told = lacking.format(_listed(best.missing))
        what = f"looks like {best.kind}, but {told} missing; found: {_listed(found)}"
        return Recognised("unrecognised", found, what, looks_like=best.kind)
    if twice:
        return Recognised(
            "unrecognised",
            found,
            f"the column {_listed(twice)} stands twice in the header; found: {_listed(found)}",
            looks_like=best.kind,
        )
    return Recognised(best.kind, found)


def _other_dialect(line: str) -> Recognised | None:
    """A known header written with another delimiter."""
    for delimiter, word in _DELIMITERS.items():
        if delimiter == ",":
            continue
        found = header_fields(line, delimiter)
        best = guess(list(found))
        if best is not None and len(found) > 1:
            what = f"looks like {best.kind}, but separated by {word}; only commas are read, with decimal points: save it so"
            return Recognised("unrecognised", found, what, looks_like=best.kind)
    return None


def _no_such_header(found: Sequence[str]) -> str:
    return (
        f"no known header, and no mapping covers the file; found: {_listed(found)}; "
        "a session export needs an entry in a mapping file beside it"
    )


def _listed(names: Sequence[str]) -> str:
    """Names for a message, cut to what a person reads."""
    shown = ", ".join(repr(n[:60]) for n in names[:40])
    return shown + (f" and {len(names) - 40} more" if len(names) > 40 else "")
