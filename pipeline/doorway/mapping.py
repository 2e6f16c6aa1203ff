"""The mapping files of a delivery: how to read what is not written our way. A wrong entry is told, and never stops the rest."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from collections.abc import Mapping as Map
from dataclasses import dataclass
from datetime import datetime
from operator import itemgetter
from pathlib import PurePosixPath
from typing import Any

from pydantic import ValidationError

from pipeline.doorway import yaml_text
from pipeline.doorway.entries import Entry
from pipeline.doorway.export_entry import Export
from pipeline.doorway.frames_entry import FramesEntry
from pipeline.doorway.yaml_text import YamlText, YamlTextError

SECTIONS: dict[str, type[Entry]] = {"frames": FramesEntry, "exports": Export}


@dataclass(frozen=True)
class Wrong:
    """An entry that cannot be used: where it stands, the files it was for (if that much is told), and what was expected."""

    name: str
    line: int
    file: str | None
    message: str


@dataclass(frozen=True)
class Mapping:
    """A mapping file: its entries in their order, and those that cannot be used."""

    frames: tuple[FramesEntry, ...] = ()
    exports: tuple[Export, ...] = ()
    wrong: tuple[Wrong, ...] = ()

    @property
    def entries(self) -> tuple[Entry, ...]:
        """All entries that can be used, in the order of the file."""
        return tuple(sorted((*self.frames, *self.exports), key=lambda entry: entry.at_line))


def parse(text: str) -> Mapping | str:
    """The mapping in a YAML text, or what is wrong with it where nothing of it can be used."""
    try:
        read = yaml_text.read(text)
    except YamlTextError as error:
        return str(error)
    if not isinstance(read.value, dict):
        return "line 1: a mapping has the keys frames: and exports:"
    wrong: list[Wrong] = []
    found: dict[str, list[Any]] = {name: [] for name in SECTIONS}
    for key in read.value:
        if key not in SECTIONS:
            near = _near(key, SECTIONS)
            wrong.append(
                Wrong(
                    key,
                    read.line_of((key,)),
                    None,
                    f"{key}: not a key of a mapping; its keys are frames, exports{near}",
                )
            )
    for name, kind in SECTIONS.items():
        for one in _section(read, name, kind):
            if isinstance(one, Wrong):
                wrong.append(one)
            else:
                found[name].append(one)
    mapping = Mapping(
        tuple(found["frames"]), tuple(found["exports"]), tuple(sorted(wrong, key=lambda w: w.line))
    )
    return mapping if mapping.entries else _none_left(mapping)


def _none_left(mapping: Mapping) -> str:
    return (
        "; ".join(f"line {w.line}: {w.message}" for w in mapping.wrong[:20])
        or "line 1: frames: and exports: hold no entry"
    )


def _section(read: YamlText, name: str, kind: type[Entry]) -> Iterator[Entry | Wrong]:
    if name not in read.value:
        return
    listed = read.value[name]
    if not isinstance(listed, list):
        yield Wrong(
            name,
            read.line_of((name,)),
            None,
            f"{name}: a list of entries is expected, each beginning with '- file:'",
        )
        return
    for i, one in enumerate(listed):
        line = read.line_of((name, i))
        if not isinstance(one, dict):
            yield Wrong(
                f"{name}.{i}",
                line,
                None,
                f"{name}.{i}: an entry is a set of keys, beginning with 'file:'",
            )
            continue
        try:
            yield kind.model_validate({**one, "at_line": str(line)})
        except ValidationError as error:
            yield _wrong(read, (name, i), one, kind, error)


def _wrong(
    read: YamlText,
    path: yaml_text.Path,
    given: Map[str, Any],
    kind: type[Entry],
    error: ValidationError,
) -> Wrong:
    told = []
    for one in error.errors()[:8]:
        place = _place(one["loc"], given, kind)
        line = read.line_of((*path, *place))
        name = ".".join(map(str, (*path, *place)))
        told.append((line, f"{name}: {_said(one, place, kind)}"))
    told.sort(key=itemgetter(0))
    first = told[0][0]
    message = "; ".join(f"(line {line}) {text}" if line != first else text for line, text in told)
    file = given.get("file")
    return Wrong(".".join(map(str, path)), first, file if isinstance(file, str) else None, message)


def _place(
    loc: tuple[str | int, ...], given: Map[str, Any], kind: type[Entry]
) -> tuple[str | int, ...]:
    """Where in the text an error lies: keys as they are written there."""
    keys = {name: info.alias or name for name, info in kind.model_fields.items()}
    parts = [keys.get(str(part), part) if i == 0 else part for i, part in enumerate(loc)]
    place: list[str | int] = []
    at: Any = given
    for part in parts:
        inside = (isinstance(at, dict) and part in at) or (
            isinstance(at, list) and isinstance(part, int) and part < len(at)
        )
        if not inside and place:
            break
        place.append(part)
        at = at[part] if inside else None
    return tuple(place)


def _said(error: Any, place: tuple[str | int, ...], kind: type[Entry]) -> str:
    known = [info.alias or name for name, info in kind.model_fields.items() if name != "at_line"]
    if error["type"] == "extra_forbidden":
        return f"no such key here; keys are {', '.join(known)}{_near(str(place[-1]), known)}"
    if error["type"] == "missing":
        return "missing, and needed"
    message = str(error["msg"]).removeprefix("Value error, ")
    given = error.get("input")
    return (
        f"{message} (found {str(given)[:80]!r})"
        if isinstance(given, str) and repr(given)[1:-1] not in message
        else message
    )


def _near(word: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(word, list(known), 1, 0.6)
    return f" (meant: {near[0]}?)" if near else ""


@dataclass(frozen=True)
class Delivered:
    """A mapping file: its place in its delivery, its content's hash, and when that was first read (None: never before)."""

    file: str
    sha256: str
    mapping: Mapping
    since: datetime | None

    @property
    def folder(self) -> str:
        """Where its globs are seen from."""
        return str(PurePosixPath(self.file).parent)


@dataclass(frozen=True)
class Covered:
    """An entry that covers a file, its mapping file, and since when that is known (None: this delivery brings it)."""

    entry: Entry
    file: str
    folder: str
    since: datetime | None


class Mappings:
    """The mappings at hand, those of this delivery first, then earlier ones, newest first."""

    def __init__(self, found: Iterable[Delivered]) -> None:
        self._found = list(found)

    def covering(self, file: str) -> Covered | None:
        """The first entry that covers a file."""
        entries = ((one, entry) for one in self._found for entry in one.mapping.entries)
        return next(
            (
                Covered(entry, one.file, one.folder, one.since)
                for one, entry in entries
                if entry.covers(one.folder, file)
            ),
            None,
        )

    def wrongly_covering(self, file: str) -> str | None:
        """What is wrong with an entry that would cover a file, were it right; with its place."""
        for one in self._found:
            for wrong in one.mapping.wrong:
                if wrong.file and Entry.fits(wrong.file, one.folder, file):
                    return f"{one.file}:{wrong.line}: {wrong.message}"
        return None
