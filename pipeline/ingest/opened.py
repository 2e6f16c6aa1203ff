"""The files of a delivery: found, opened, told apart by what is in them."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path, PurePosixPath

from pipeline.core.errors import DeliveryError
from pipeline.doorway.entries import Entry, station_in_name
from pipeline.doorway.export_entry import Export
from pipeline.doorway.frames_entry import FramesEntry
from pipeline.doorway.kinds import READ_ORDER, TABLES
from pipeline.doorway.mapping import Delivered, Mapping, Mappings, parse
from pipeline.doorway.recognise import BOM, HEAD_BYTES, Recognised, recognise
from pipeline.ingest.exports import cells_header, export_header
from pipeline.ingest.source import Source
from pipeline.settings.ingest import IngestSettings

# What is shown of a file that is turned away.
FIRST_BYTES, FIRST_SIGNS = 4096, 200
_NAME_SIGNS = 200  # of a folder's name in a message
_AT_ONCE = 4  # files opened: reading and hashing go on beside the interpreter


@dataclass(frozen=True)
class Opened:
    """A file of the delivery.

    Its name there, its content (None = it has none we can read), what it is.
    """

    file: str
    source: Source | None
    what: Recognised
    mapping: Mapping | None = None
    export: Export | None = None
    frames: FramesEntry | None = None
    station: str = ""  # of a station's own log: its id, from the file's name
    note: str | None = None  # of a mapping: which of its entries cannot be used
    entry_at: str = ""  # where the entry stands that reads it: mapping file and line
    mapped_since: datetime | None = (
        None  # when its mapping was first read (None: this delivery brings it)
    )

    @property
    def entry(self) -> Entry | None:
        """The mapping entry that reads it."""
        return self.export or self.frames


def opened(
    delivery: Path,
    settings: IngestSettings,
    earlier: list[Delivered],
    leave: frozenset[Path] = frozenset(),
) -> list[Opened]:
    """All files of a delivery but those to `leave`, in the order they are read; `earlier` mappings
    (newest first) serve too.

    Raises DeliveryError when the folder itself cannot be read.
    """
    wanted = [path for path in paths(delivery) if path not in leave]
    with ThreadPoolExecutor(_AT_ONCE, thread_name_prefix="ingest-open") as pool:
        found = list(pool.map(lambda path: _open(delivery, path, settings), wanted))
    mappings = Mappings([*mappings_of(found, earlier), *earlier])
    told = [_as_mapped(one, mappings) for one in found]
    return sorted(
        (_message_names_file(one) for one in told),
        key=lambda one: (READ_ORDER.index(one.what.kind), one.file),
    )


def mappings_of(found: list[Opened], earlier: list[Delivered]) -> list[Delivered]:
    """The mapping files among those found, and since when each content is known."""
    since = {one.sha256: one.since for one in earlier}
    return [
        Delivered(one.file, one.source.sha256, one.mapping, since.get(one.source.sha256))
        for one in found
        if one.mapping and one.source
    ]


def paths(delivery: Path) -> list[Path]:
    """Every file below a delivery folder; DeliveryError when it is none or cannot be listed."""
    if not delivery.is_dir():
        what = "the delivery is not a folder" if delivery.exists() else "there is no such delivery"
        raise DeliveryError(
            what, where=str(delivery), next_step="give the folder that holds the files"
        )
    try:
        return sorted(_walk(delivery))
    except OSError as error:
        named = str(error.filename or delivery)
        raise DeliveryError(
            f"a folder of it cannot be listed: {error.strerror}: {named[:_NAME_SIGNS]}",
            where=str(delivery),
            next_step="hand over less deep folders"
            if error.errno == errno.ENAMETOOLONG
            else "give read permission on it",
        ) from error


def _walk(folder: Path) -> Iterator[Path]:
    """All files; a linked folder counts as one file, and is not followed."""
    waiting = [folder]
    while waiting:
        with os.scandir(waiting.pop()) as entries:
            for entry in entries:
                path = Path(entry.path)
                if entry.is_dir(follow_symlinks=False):
                    waiting.append(path)
                else:
                    yield path


def name_in(delivery: Path, path: Path) -> str:
    """A file's name below its delivery, with what is not UTF-8 in it written out."""
    return os.fsencode(path.relative_to(delivery).as_posix()).decode("utf-8", "backslashreplace")


def _open(delivery: Path, path: Path, settings: IngestSettings) -> Opened:
    """A file as far as its own content tells; one that cannot be opened has no source."""
    name = name_in(delivery, path)
    try:
        if path.is_symlink() and not path.resolve().is_relative_to(delivery.resolve()):
            return _not_read(name, "a link that leaves the delivery is not followed")
        if not stat.S_ISREG(path.stat().st_mode):
            return _not_read(name, "not a regular file")
        source = Source(path, settings)
    except (OSError, RuntimeError) as error:
        if isinstance(error, OSError) and error.errno == errno.ENOMEM:
            raise MemoryError(str(error)) from error  # no fault of the file's
        return _not_read(name, f"cannot be read: {getattr(error, 'strerror', None) or error}")
    what = recognise(source.head(HEAD_BYTES))
    return (
        _with_mapping(name, source, settings)
        if what.kind == "mapping"
        else Opened(name, source, what)
    )


def _not_read(name: str, message: str) -> Opened:
    return Opened(name, None, Recognised("unrecognised", message=message))


def _with_mapping(name: str, source: Source, settings: IngestSettings) -> Opened:
    content = source.head(settings.mapping_cap_bytes + 1)
    if len(content) > settings.mapping_cap_bytes:
        wrong = f"longer than {settings.mapping_cap_bytes} bytes (setting mapping_cap_bytes)"
        return Opened(
            name,
            source,
            Recognised("unrecognised", message=f"looks like a mapping, but is {wrong}"),
        )
    try:
        mapping = parse(content.removeprefix(BOM).decode())
    except UnicodeDecodeError:
        mapping = "not UTF-8"
    if isinstance(mapping, str):
        return Opened(
            name,
            source,
            Recognised(
                "unrecognised", message=f"looks like a mapping, but cannot be used: {mapping}"
            ),
        )
    told = "; ".join(f"{name}:{one.line}: {one.message}" for one in mapping.wrong) or None
    return Opened(name, source, Recognised("mapping"), mapping, note=told)


def _as_mapped(one: Opened, mappings: Mappings) -> Opened:
    """A file that is none of ours, and that a mapping covers, is what its entry says."""
    if one.source is None or one.mapping is not None or not (one.what.message or one.what.doubtful):
        return one
    covered = mappings.covering(one.file)
    if covered is None:
        wrong = mappings.wrongly_covering(one.file)
        if wrong is None or one.what.message is None:
            return one
        return replace(
            one, what=replace(one.what, message=f"the entry for it cannot be used: {wrong}")
        )
    place = f"{covered.file}:{covered.entry.at_line}"
    mapped = replace(one, mapped_since=covered.since, entry_at=place)
    head = one.source.head(HEAD_BYTES)
    if isinstance(covered.entry, Export):
        found, wrong = export_header(covered.entry, head)
        what = Recognised("sessions", found)
        mapped = replace(mapped, what=what, export=covered.entry)
    else:
        entry = covered.entry
        if not isinstance(entry, FramesEntry):
            raise TypeError(entry)
        found, wrong = cells_header(entry, head) if entry.cells else ((), None)
        station = station_in_name(entry.file, covered.folder, one.file) or ""
        mapped = replace(mapped, what=Recognised("frames", found), frames=entry, station=station)
    if wrong:
        message = f"the entry at {place} covers it, but {wrong}"
        return replace(one, what=Recognised("unrecognised", found, message), entry_at=place)
    return mapped


def first_line(one: Opened) -> str:
    """The first line of a file that holds anything, as far as it can be shown."""
    head = one.source.head(FIRST_BYTES) if one.source else b""
    lines = head.removeprefix(BOM).decode("utf-8", "backslashreplace").splitlines()
    shown = next((line.strip() for line in lines if line.strip()), "")
    return "".join(c if c.isprintable() else "·" for c in shown)[:FIRST_SIGNS]


def _message_names_file(one: Opened) -> Opened:
    """A file that cannot be used, by its name, and by what it looks like or is called."""
    message = one.what.message
    named = PurePosixPath(one.file).name.split(".")[0]
    if message and one.what.looks_like is None and named in TABLES:
        one = replace(one, what=replace(one.what, looks_like=named))
    return (
        replace(one, what=replace(one.what, message=f"{one.file}: {message}")) if message else one
    )
