"""What every entry of a mapping file has: the files it covers, how they are written, whose times they hold."""

from __future__ import annotations

import codecs
import hashlib
import json
import re
from functools import cache
from pathlib import PurePosixPath
from typing import Any
from zoneinfo import available_timezones

from pydantic import Field, field_validator

from pipeline.doorway import times
from pipeline.settings.base import Frozen

_PACKED = (".gz", ".zst")
# Python's codecs of texts that no log or export is written in: parts of other texts' spelling, and aids of the interpreter.
_NO_FILES = {"idna", "punycode", "utf-7", "unicode-escape", "raw-unicode-escape", "charmap", "undefined"}  # fmt: skip


def listed(given: Any) -> Any:
    """A word alone stands for a list of one."""
    return (given,) if isinstance(given, str) else given


def _of_texts(encoding: str) -> bool:
    """Whether an encoding makes bytes of a text: some of Python's codecs make texts of texts, or bytes of bytes."""
    try:
        "".encode(encoding)
    except LookupError:
        return False
    return True


class Entry(Frozen):
    """One entry: the files it covers (a glob beside the mapping file) and how they are written."""

    file: str = Field(min_length=1)
    delimiter: str = Field(",", min_length=1, max_length=1)
    encoding: str = "utf-8"
    skip_until_header: bool = False
    timezone: str | None = None
    time_format: tuple[str, ...] = ()
    at_line: int = 0

    _one_format = field_validator("time_format", mode="before")(listed)

    @field_validator("delimiter", mode="before")
    @classmethod
    def _tab(cls, given: Any) -> Any:
        return "\t" if given in {"\\t", "tab"} else given

    @field_validator("timezone")
    @classmethod
    def _zone(cls, name: str | None) -> str | None:
        if name is not None and name not in known_zones():
            raise ValueError(f"{name!r} is not an IANA time zone, like Europe/Oslo")
        return name

    @field_validator("encoding")
    @classmethod
    def _text_encoding(cls, name: str) -> str:
        try:
            codec = codecs.lookup(name)
        except (LookupError, ValueError, UnicodeError) as error:
            raise ValueError(f"{name!r} is no text encoding known here") from error
        if codec.name.replace("_", "-") in _NO_FILES or not _of_texts(name):
            raise ValueError(
                f"{name!r} is no text encoding of files; utf-8, utf-16, cp1252, latin-1 and the like are"
            )
        return codec.name

    @field_validator("time_format")
    @classmethod
    def _formats(cls, forms: tuple[str, ...]) -> tuple[str, ...]:
        for form in forms:
            if problem := times.wrong(form):
                raise ValueError(problem)
        return forms

    @property
    def reading(self) -> str:
        """A name of how this entry has a file read; which files it covers and where it stands is no part of it."""
        told = self.model_dump(exclude={"file", "at_line"}, by_alias=True)
        words = json.dumps(told, sort_keys=True)
        return hashlib.sha256(words.encode()).hexdigest()

    def covers(self, folder: str, file: str) -> bool:
        """True where a file (path in the delivery) matches the glob, seen from the mapping's folder; packed or not."""
        return self.fits(self.file, folder, file)

    @staticmethod
    def fits(glob: str, folder: str, file: str) -> bool:
        """Whether a file matches a glob seen from a folder."""
        return station_in_name(glob, folder, file) is not None


def station_in_name(glob: str, folder: str, file: str) -> str | None:
    """What stands at `{station_id}` in a file's name ('' where the glob has none); None where the file does not match.

    A packed file matches by its name with or without its ending.
    """
    path = PurePosixPath(file)
    names = [path.with_suffix(""), path] if path.suffix in _PACKED else [path]
    pattern = (PurePosixPath(folder) / glob).parts
    for name in names:
        if len(name.parts) != len(pattern):
            continue
        met = [
            re.fullmatch(_globbed(part), own) for part, own in zip(pattern, name.parts, strict=True)
        ]
        stations = {m["station"] for m in met if m and "station" in m.groupdict()}
        if all(met) and len(stations) <= 1:
            return next(iter(stations), "")
    return None


@cache
def _globbed(part: str) -> str:
    """One part of a path's glob as a regular expression: *, ?, [..] and {station_id}."""
    made, i = "", 0
    while i < len(part):
        end = part.find("]", i + 2)
        if part.startswith("{station_id}", i):
            made, i = (
                made + ("(?P<station>.+)" if "(?P<station>" not in made else "(?P=station)"),
                i + len("{station_id}"),
            )
        elif part[i] == "[" and end > 0:
            inner = part[i + 1 : end].replace("\\", "\\\\")
            made, i = (
                made
                + "["
                + ("^" + inner[1:] if inner[0] == "!" else inner.replace("^", "\\^"))
                + "]",
                end + 1,
            )
        else:
            made, i = made + {"*": ".*", "?": "."}.get(part[i], re.escape(part[i])), i + 1
    return made


@cache
def known_zones() -> frozenset[str]:
    """Names of the IANA data base that mean a place (or UTC), not the machine that runs this."""
    return frozenset(available_timezones() - {"localtime", "posixrules", "Factory"})
