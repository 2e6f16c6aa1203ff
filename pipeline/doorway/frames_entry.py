"""An entry of OCPP frames: where a frame and its parts stand on a line, in JSON or in a table."""

from __future__ import annotations

from functools import cached_property
from typing import Any, Literal, Self

from pydantic import Field, field_validator, model_validator

from pipeline.doorway import times
from pipeline.doorway.entries import Entry, listed
from pipeline.doorway.pattern import Pattern, PatternError, Words, compiled
from pipeline.settings.base import Frozen

# Kinds of message as logs name them where an entry does not say; OCPP-J numbers, and common practice.
TYPE_WORDS = {
    "call": ("2", "CALL", "Call", "call", "Request", "REQUEST", "request", "Req", "REQ", "req"),
    "result": ("3", "CALLRESULT", "CallResult", "callresult", "Response", "RESPONSE", "response", "Result", "RESULT", "result",
               "Conf", "CONF", "conf", "Confirmation", "confirmation"),
    "error": ("4", "CALLERROR", "CallError", "callerror", "Error", "ERROR", "error"),
}  # fmt: skip
MESSAGE_PARTS = ("type", "id", "action", "payload", "request", "response")
ROW_PARTS = ("at", "station_id", "dir", "frame", *MESSAGE_PARTS)


def _words(given: Any) -> Any:
    """Words of a log, blanks around them off; ValueError where one is nothing but blanks."""
    told = listed(given)
    if isinstance(told, list | tuple) and any(
        isinstance(word, str) and not word.strip() for word in told
    ):
        raise ValueError("a word is empty")
    return (
        tuple(w.strip() if isinstance(w, str) else w for w in told)
        if isinstance(told, list | tuple)
        else told
    )


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
