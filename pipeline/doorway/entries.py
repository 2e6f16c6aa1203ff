"""The entries of a mapping file, as strict models: what a site's own files hold, and how it is written."""

from __future__ import annotations

import codecs
import hashlib
import json
import re
from collections.abc import Mapping
from functools import cache, cached_property
from pathlib import PurePosixPath
from typing import Any, Literal, Self
from zoneinfo import available_timezones

from pydantic import Field, field_validator, model_validator

from pipeline.doorway import times
from pipeline.doorway.pattern import Pattern, PatternError, Words, compiled
from pipeline.registry import load_folder
from pipeline.settings.base import Frozen

# Our columns that an export may have; the first two it must.
COLUMNS = (
    "evse_id", "plugged_at", "id_token", "vehicle_id", "unplugged_at", "duration", "energy_kwh", "end_reason",
    "fault", "session_id",
)  # fmt: skip
_MUST = ("evse_id", "plugged_at")
_PACKED = (".gz", ".zst")
# A word of an export may mean that nothing was wrong; OCPP 1.6 ChargePointErrorCode.
NO_FAULT = "NoError"
# Kinds of message as logs name them where an entry does not say; OCPP-J numbers, and common practice.
TYPE_WORDS = {
    "call": ("2", "CALL", "Call", "call", "Request", "REQUEST", "request", "Req", "REQ", "req"),
    "result": ("3", "CALLRESULT", "CallResult", "callresult", "Response", "RESPONSE", "response", "Result", "RESULT", "result",
               "Conf", "CONF", "conf", "Confirmation", "confirmation"),
    "error": ("4", "CALLERROR", "CallError", "callerror", "Error", "ERROR", "error"),
}  # fmt: skip
MESSAGE_PARTS = ("type", "id", "action", "payload", "request", "response")
ROW_PARTS = ("at", "station_id", "dir", "frame", *MESSAGE_PARTS)


@cache
def _codes() -> dict[str, set[str]]:
    lists = load_folder("codes")
    reasons = lists["ocpp16_stop_reason"]
    return {
        "fault": {*lists["fault"], NO_FAULT},
        "end_reason": {*reasons["canonical"], *reasons["unusable"]},
    }


def _listed(given: Any) -> Any:
    """A word alone stands for a list of one."""
    return (given,) if isinstance(given, str) else given


def _words(given: Any) -> Any:
    """Words of a log, blanks around them off; ValueError where one is nothing but blanks."""
    listed = _listed(given)
    if isinstance(listed, list | tuple) and any(
        isinstance(word, str) and not word.strip() for word in listed
    ):
        raise ValueError("a word is empty")
    return (
        tuple(w.strip() if isinstance(w, str) else w for w in listed)
        if isinstance(listed, list | tuple)
        else listed
    )


class Entry(Frozen):
    """One entry: the files it covers (a glob beside the mapping file) and how they are written."""

    file: str = Field(min_length=1)
    delimiter: str = Field(",", min_length=1, max_length=1)
    encoding: str = "utf-8"
    skip_until_header: bool = False
    timezone: str | None = None
    time_format: tuple[str, ...] = ()
    at_line: int = 0

    _one_format = field_validator("time_format", mode="before")(_listed)

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
            alike = codec.name in _ENCODINGS or (
                codec.name.startswith(_FAMILIES) and "".encode(name) is not None
            )
        except (LookupError, ValueError, UnicodeError) as error:
            raise ValueError(f"{name!r} is no text encoding known here") from error
        if not alike:
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
        told = self.model_dump(mode="json", exclude={"file", "at_line"}, by_alias=True)
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
        if all(met):
            return next((m["station"] for m in met if m and "station" in m.groupdict()), "")
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
                + ("^" + inner[1:] if inner[0] == "!" else inner.replace("^", "\\^", 1))
                + "]",
                end + 1,
            )
        else:
            made, i = made + {"*": ".*", "?": "."}.get(part[i], re.escape(part[i])), i + 1
    return made


_ENCODINGS = {"utf-8", "utf-8-sig", "ascii", "cp037", "hp-roman8", "tis-620", "ptcp154", "big5", "big5hkscs", "euc_jp", "euc_kr",
              "shift_jis", "gb2312", "gbk", "gb18030", "johab", "hz"}  # fmt: skip
_FAMILIES = (
    "utf-16",
    "utf-32",
    "iso8859",
    "cp",
    "mac",
    "koi8",
    "windows",
    "latin",
    "kz1048",
    "iso2022",
    "shift_jis",
    "euc",
)


@cache
def known_zones() -> frozenset[str]:
    """Names of the IANA data base that mean a place (or UTC), not the machine that runs this."""
    return frozenset(available_timezones() - {"localtime", "posixrules", "Factory"})


class Types(Frozen):
    """The words of a kind of message, where a row names it in a part of its own."""

    call: tuple[str, ...] = TYPE_WORDS["call"]
    result: tuple[str, ...] = TYPE_WORDS["result"]
    error: tuple[str, ...] = TYPE_WORDS["error"]

    _one = field_validator("call", "result", "error", mode="before")(_words)


class FramesEntry(Entry):
    """How OCPP frames stand in a log: on lines by a pattern, in JSON by paths, or in the cells of a table."""

    line: str | None = None
    more: str | None = None
    json_: dict[str, str] | None = Field(None, alias="json")
    cells: dict[str, str] | None = None
    in_: tuple[str, ...] = Field((), alias="in")
    out: tuple[str, ...] = ()
    version: Literal["from_frame", "1.6", "2.0.1"] = "from_frame"
    written_by: Literal["central", "station"] = "central"
    type: Types = Types()

    _one = field_validator("in_", "out", mode="before")(_words)

    @field_validator("json_", "cells")
    @classmethod
    def _parts(cls, parts: dict[str, str] | None) -> dict[str, str] | None:
        if parts is None:
            return None
        unknown = sorted(set(parts) - set(ROW_PARTS))
        if unknown:
            raise ValueError(f"{unknown[0]!r} is no part; parts are {', '.join(ROW_PARTS)}")
        named = set(parts)
        ways = ("frame" in named, {"payload", "id"} <= named, "request" in named)
        if sum(ways) != 1:
            raise ValueError(
                "name either frame, or type, id, action and payload, or request and response"
            )
        if "request" in named and "action" not in named:
            raise ValueError("request and response need the action beside them")
        if "payload" in named and "type" not in named:
            raise ValueError("payload needs the type beside it")
        return parts

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        ways = [
            name
            for name, given in (("line", self.line), ("json", self.json_), ("cells", self.cells))
            if given is not None
        ]
        if len(ways) != 1:
            found = " and ".join(ways) or "none"
            raise ValueError(
                f"one of line, json and cells says how a frame stands in the file; found {found}"
            )
        if self.more is not None and self.line is None:
            raise ValueError("more goes with line")
        both = sorted(set(self.in_) & set(self.out))
        if both:
            raise ValueError(f"{both[0]!r} is a word of in and of out")
        patterns = self._compiled()
        named = set(patterns[0].named) if patterns else set(self.json_ or self.cells or {})
        self._complete(named)
        return self

    def _compiled(self) -> list[Pattern]:
        made = []
        for key, text in (("line", self.line), ("more", self.more)):
            if text is None:
                continue
            try:
                made.append(self._pattern(text))
            except PatternError as error:
                raise ValueError(f"{key}: {error}") from error
        return made

    def _complete(self, named: set[str]) -> None:
        if "station_id" not in named and "{station_id}" not in self.file:
            raise ValueError(
                "nothing tells the station: name station_id among the parts, or put {station_id} into file"
            )
        if "at" not in named and times.PAYLOAD not in self.time_format:
            raise ValueError(
                "nothing tells the time: name at among the parts, or write time_format: payload"
            )
        if (self.in_ or self.out) and "dir" not in named:
            raise ValueError("in and out are words of dir, which is not among the parts")
        if times.PAYLOAD in self.time_format[:-1]:
            raise ValueError("time_format: payload stands alone or last")
        if "at" in named and not self.forms:
            raise ValueError("at needs a time format beside payload")

    @cached_property
    def forms(self) -> tuple[str, ...]:
        """Formats of a time of its own, in order; ISO 8601 where none is given."""
        return tuple(form for form in self.time_format or (times.ISO,) if form != times.PAYLOAD)

    @property
    def by_payload(self) -> bool:
        """Whether the time inside a payload stands in."""
        return times.PAYLOAD in self.time_format

    @property
    def words(self) -> Words:
        """The words of the parts; a direction told by one list only has any other word for the other way."""
        types = (*self.type.call, *self.type.result, *self.type.error)
        return Words((*self.in_, *self.out) if self.in_ and self.out else (), types)

    def _pattern(self, text: str) -> Pattern:
        return compiled(text, self.forms, self.words)

    @cached_property
    def pattern(self) -> Pattern:
        """The pattern of a line."""
        return self._pattern(self.line or "{frame}")

    @cached_property
    def onward(self) -> Pattern | None:
        """The pattern of a line on which a frame goes on."""
        return self._pattern(self.more) if self.more else None


class Export(Entry):
    """How finished sessions stand in a table: which of its columns and words is which of ours."""

    columns: dict[str, tuple[str, ...]]
    decimal: Literal[".", ","] = "."
    energy_unit: Literal["Wh", "kWh"] = "kWh"
    duration_unit: str = "s"
    blank: tuple[str, ...] = ()
    end_reason: dict[str, str] = Field(default_factory=dict)
    fault: dict[str, str] = Field(default_factory=dict)

    _one = field_validator("blank", mode="before")(_listed)

    @field_validator("columns", mode="before")
    @classmethod
    def _lists(cls, columns: Any) -> Any:
        return (
            {key: _listed(given) for key, given in columns.items()}
            if isinstance(columns, Mapping)
            else columns
        )

    @field_validator("columns")
    @classmethod
    def _ours(cls, columns: dict[str, tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
        unknown = sorted(set(columns) - set(COLUMNS))
        missing = [name for name in _MUST if name not in columns]
        if unknown or missing:
            parts = [f"not ours: {', '.join(unknown)}"] * bool(unknown)
            parts += [f"missing: {', '.join(missing)}"] * bool(missing)
            raise ValueError(f"{'; '.join(parts)}; ours are {', '.join(COLUMNS)}")
        empty = sorted(
            name for name, joined in columns.items() if not any(part.strip() for part in joined)
        )
        if empty:
            raise ValueError(f"{empty[0]} names no column")
        if "duration" in columns and "unplugged_at" in columns:
            raise ValueError("duration stands for unplugged_at: name one of them")
        return columns

    @field_validator("duration_unit")
    @classmethod
    def _unit(cls, unit: str) -> str:
        if unit not in {"s", "min", "h"} and not re.fullmatch(r"%H:%M(:%S)?|%M:%S", unit):
            raise ValueError(f"{unit!r} is none of s, min, h, '%H:%M:%S', '%H:%M', '%M:%S'")
        return unit

    @model_validator(mode="after")
    def _known_words(self) -> Self:
        if self.timezone is None and not all(self._zoned(form) for form in self.forms):
            raise ValueError(
                "timezone is missing, and needed: the times say no offset of their own"
            )
        if times.PAYLOAD in self.time_format:
            raise ValueError("time_format: payload is for frames")
        for form in self.forms:
            if not times.has_year(form):
                raise ValueError(f"time_format: {form!r} names no year")
        for name, given in (("fault", self.fault), ("end_reason", self.end_reason)):
            wrong = sorted(set(given.values()) - _codes()[name])
            if wrong:
                raise ValueError(
                    f"{name}: {', '.join(wrong)} is none of {', '.join(sorted(_codes()[name]))}"
                )
        return self

    @staticmethod
    def _zoned(form: str) -> bool:
        return form in times.EPOCHS or "%z" in form or "%Z" in form

    @property
    def forms(self) -> tuple[str, ...]:
        """Formats of its times, in order; ISO 8601 where none is given."""
        return self.time_format or (times.ISO,)

    @property
    def zone(self) -> str:
        """The zone of its local times."""
        return self.timezone or "UTC"

    @property
    def plain_columns(self) -> tuple[str, ...]:
        """Every column or word that stands for one of ours."""
        return tuple(part for joined in self.columns.values() for part in joined)
