"""What an entry of frames says by itself, and what it must not say."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from pipeline.doorway import times
from pipeline.doorway.frames_entry import TYPE_WORDS, FramesEntry

PATTERN = "{at} {station_id} {dir} {frame}"


def entry(**keys: Any) -> FramesEntry:
    """An entry of lines unless told otherwise; None takes a key out."""
    usual = {"file": "*.log", "line": PATTERN}
    told = {key: value for key, value in {**usual, **keys}.items() if value is not None}
    return FramesEntry.model_validate(told)


def test_what_an_entry_means_where_it_says_nothing() -> None:
    """Commas, UTF-8, no lines before the header, ISO 8601, the receiver's clock, the version by the frame, OCPP-J's kinds of message."""
    plain = entry()
    assert (plain.delimiter, plain.encoding, plain.skip_until_header) == (",", "utf-8", False)
    assert (plain.timezone, plain.time_format, plain.forms, plain.by_payload) == (None, (), (times.ISO,), False)  # fmt: skip
    assert (plain.in_, plain.out, plain.version, plain.written_by) == ((), (), "from_frame", "central")  # fmt: skip
    assert (plain.more, plain.onward, plain.json_, plain.cells) == (None, None, None, None)
    assert (plain.type.call, plain.type.result, plain.type.error) == tuple(TYPE_WORDS.values())


def test_words_of_the_kinds_of_message() -> None:
    """OCPP-J's numbers and the words logs use for them (common practice, no source); no word is of two kinds."""
    assert TYPE_WORDS == {
        "call": ("2", "CALL", "Call", "call", "Request", "REQUEST", "request", "Req", "REQ", "req"),
        "result": (
            "3", "CALLRESULT", "CallResult", "callresult", "Response", "RESPONSE", "response", "Result", "RESULT", "result", "Conf",
            "CONF", "conf", "Confirmation", "confirmation",
        ),
        "error": ("4", "CALLERROR", "CallError", "callerror", "Error", "ERROR", "error"),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"line": None, "json": {"at": "t", "station_id": "s"}},
         "name either frame, or type, id, action and payload, or request and response"),
        ({"line": None, "json": {"at": "t", "station_id": "s", "frame": "f", "request": "q"}},
         "name either frame, or type, id, action and payload, or request and response"),
        ({"line": None, "json": {"at": "t", "station_id": "s", "payload": "p"}},
         "name either frame, or type, id, action and payload, or request and response"),
        ({"line": None, "cells": {"at": "t", "station_id": "s", "request": "q", "response": "r"}},
         "request and response need the action beside them"),
        ({"line": None, "cells": {"at": "t", "station_id": "s", "payload": "q", "id": "r"}}, "payload needs the type beside it"),
        ({"line": None, "cells": {"at": "t", "station_id": "s", "frame": "q", "when": "r"}},
         "'when' is no part; parts are at, station_id, dir, frame, type, id, action, payload, request, response"),
        ({"line": None, "json": {"at": "t", "station_id": "s", "frame": "f"}, "more": PATTERN}, "more goes with line"),
        ({"in": ["a", "c"], "out": ["b", "c"]}, "'c' is a word of in and of out"),
        ({"line": "{at} {dir} {frame}"}, "nothing tells the station: name station_id among the parts, or put {station_id} into file"),
        ({"line": "{station_id} {frame}"}, "nothing tells the time: name at among the parts, or write time_format: payload"),
        ({"line": "{at} {station_id} {frame}", "in": ["a"]}, "in and out are words of dir, which is not among the parts"),
        ({"line": "{at} {station_id} {frame}", "out": ["a"]}, "in and out are words of dir, which is not among the parts"),
        ({"time_format": ["payload", "epoch_s"]}, "time_format: payload stands alone or last"),
        ({"time_format": "payload"}, "at needs a time format beside payload"),
        ({"line": "{at} {frame} {when}"}, "line: {when} is no part"),
        ({"more": "{at} {at} {frame}"}, "more: {at} stands twice"),
        ({"time_format": " "}, "a time format is empty"),
    ],
)  # fmt: skip
def test_an_entry_that_cannot_be_used_says_why(keys: dict[str, Any], said: str) -> None:
    """What lacks, what two keys say at once, what is no part (derived)."""
    with pytest.raises(ValidationError) as told:
        entry(**keys)
    assert f"Value error, {said}" in str(told.value)


def test_the_time_may_be_the_payload_s() -> None:
    """Alone where a line has none, or last, for lines whose own cannot be read."""
    alone = entry(line="{station_id} {dir} {frame}", time_format="payload")
    assert (alone.forms, alone.by_payload) == ((), True)
    last = entry(time_format=["epoch_s", "payload"])
    assert (last.forms, last.by_payload) == (("epoch_s",), True)


def test_a_station_may_be_the_file_s() -> None:
    """A log of its own for each station names it by its name."""
    assert entry(file="{station_id}.log", line="{at} {dir} {frame}").pattern.named == ("at", "dir")


def test_words_that_a_line_s_parts_may_be() -> None:
    """Both lists of the direction, or any word where one list only is given; the kinds of message by their words."""
    both = entry(**{"in": "rx", "out": ["tx", "sent"]})
    assert both.words.direction == ("rx", "tx", "sent")
    assert entry(**{"in": "rx"}).words.direction == ()
    assert entry(out="tx").words.direction == ()
    assert both.words.type == tuple(word for words in TYPE_WORDS.values() for word in words)
    own = entry(type={"call": "C", "result": "R", "error": "E"})
    assert own.words.type == ("C", "R", "E")


def test_a_tab_may_be_written() -> None:
    """As a backslash and a t, or by its name."""
    for written in ("\t", "\\t", "tab"):
        assert entry(delimiter=written).delimiter == "\t"
    with pytest.raises(ValidationError):
        entry(delimiter="tabs")


def test_how_an_entry_has_a_file_read_has_a_name() -> None:
    """The same for entries of other files or other lines of the mapping; another where anything else differs."""
    name = entry().reading
    assert entry(file="other.log").reading == name
    assert entry(at_line=7).reading == name
    for other in ({"timezone": "UTC"}, {"in": "rx"}, {"skip_until_header": True}, {"version": "1.6"}):  # fmt: skip
        assert entry(**other).reading != name
