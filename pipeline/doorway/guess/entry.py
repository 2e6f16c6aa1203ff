"""The mapping entry that would read a file, written as YAML to paste, and what it is by its shape."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import Any

from pipeline.doorway import times
from pipeline.doorway.guess.log import LogGuess, guess_log
from pipeline.doorway.guess.roles import day_or_month_first
from pipeline.doorway.guess.table import TableGuess, flat, guess_messages, guess_sessions

_DELIMITERS = (",", ";", "\t", "|")
# Rows looked at; enough for both directions of several stations.
_ROWS = 500


@dataclass(frozen=True)
class Guess:
    """A guessed entry: what the file is, the mapping text, and what a person must still say."""

    shape: str
    mapping: str
    missing: tuple[str, ...] = ()
    stations: tuple[str, ...] = field(default=(), repr=False)


def guess_entry(name: str, text: str, encoding: str = "utf-8") -> Guess | None:
    """The entry that would read a file, by its name and the beginning of its text; None where it tells nothing."""
    lines = text.splitlines()
    extra = [("encoding", _quoted(encoding))] if encoding != "utf-8" else []
    objects = _objects(text, lines)
    if objects:
        made = guess_messages([dict(flat(one)) for one in objects])
        if made:
            return _messages(name, "json", "records of JSON, one message each", made, extra, text)
    table = _table(lines)
    if table:
        delimiter, rows = table
        told = [*extra] + ([("delimiter", _quoted(delimiter))] if delimiter != "," else [])
        made = guess_messages(rows)
        if made:
            return _messages(name, "cells", "a table of messages", made, told, text)
        sessions = guess_sessions(rows)
        if sessions:
            return _sessions(name, sessions, rows, told, text)
    log = guess_log(lines)
    return _log(name, log, extra, text) if log else None


def _objects(text: str, lines: Sequence[str]) -> list[Any]:
    """JSON objects, one a line or printed one after the other, alone or in an array."""
    if not re.match(r"\s*[\[{]", text):
        return []
    decoder, found = json.JSONDecoder(), list[Any]()
    body = text.lstrip()
    at = 1 if re.match(r"\[\s*\{", body) else 0
    while len(found) < _ROWS:
        gap = re.compile(r"[\s,]*").match(body, at)
        at = gap.end() if gap else at
        if at >= len(body) or body[at] != "{":
            break
        try:
            one, at = decoder.raw_decode(body, at)
        except RecursionError:
            break
        except ValueError:
            nxt = body.find("\n", at)
            if nxt < 0 or len(lines) < 2:
                break
            at = nxt
            continue
        found.append(one)
    return found


def _table(lines: Sequence[str]) -> tuple[str, list[Mapping[str, str]]] | None:
    """A CSV's delimiter and rows, where most rows have as many cells as its header."""
    held = [line for line in lines if line.strip()]
    if len(held) < 2:
        return None
    for delimiter in _DELIMITERS:
        rows = list(csv.reader([line + "\n" for line in held[: _ROWS + 1]], delimiter=delimiter))
        width = len(rows[0])
        plain = all(not re.search(r"[\[{]", cell) and cell.strip() for cell in rows[0])
        if width >= 3 and plain and sum(len(row) == width for row in rows) >= 0.8 * len(rows):
            header = [cell.strip() for cell in rows[0]]
            return delimiter, [
                dict(zip(header, row, strict=True)) for row in rows[1:] if len(row) == width
            ]
    return None


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _words(words: Sequence[str]) -> str:
    return "[" + ", ".join(map(_quoted, words)) + "]"


def _glob(name: str) -> str:
    """A file's name with its numbers left open: logs rotate."""
    plain = PurePosixPath(name).name
    plain = re.sub(r"\.(gz|zst)$", "", plain)
    return re.sub(r"\d+", "*", plain)


def _flow(parts: Mapping[str, str]) -> str:
    return "{" + ", ".join(f"{ours}: {_quoted(theirs)}" for ours, theirs in parts.items()) + "}"


def _day_first(form: str | None, text: str) -> tuple[str | None, list[str]]:
    """A format with day and month the right way round; where nothing tells which is right, words that say so."""
    if form is None:
        return None, []
    chosen, open_ = day_or_month_first(form, text)
    if not open_:
        return chosen, []
    return chosen, [
        f"which comes first, day or month: {chosen!r} is a guess, as all its times fit both"
    ]


def _common(
    given: str | None, into: Sequence[str], out: Sequence[str], text: str
) -> tuple[list[tuple[str, str]], list[str]]:
    """Keys of the time and the direction, and what must still be said."""
    keys: list[tuple[str, str]] = []
    form, missing = _day_first(given, text)
    if form is None:
        keys.append(("time_format", times.PAYLOAD))
    elif form != times.ISO:
        keys.append(("time_format", _quoted(form)))
    if form and form not in times.EPOCHS and "%z" not in form:
        missing.append(
            "timezone, if its times are not in the zone of the site (evses.csv) and carry no offset"
        )
    if into and out:
        keys += [("in", _words(into)), ("out", _words(out))]
    return keys, missing


def _entry(section: str, name: str, keys: Sequence[tuple[str, str]]) -> str:
    return f"{section}:\n  - file: {_quoted(name)}\n" + "".join(
        f"    {key}: {value}\n" for key, value in keys
    )


def _messages(
    name: str, way: str, shape: str, made: TableGuess, extra: Sequence[tuple[str, str]], text: str
) -> Guess:
    keys, missing = _common(made.time_format, made.into, made.out, text)
    types = (
        [("type", "{" + ", ".join(f"{k}: {_words(w)}" for k, w in made.types.items()) + "}")]
        if made.types
        else []
    )
    file, gap = _station_in_file(name, "station_id" in made.parts)
    keys = [(way, _flow(made.parts)), *types, *keys, *extra]
    return Guess(shape, _entry("frames", file, keys), (*gap, *missing), made.stations)


def _station_in_file(name: str, told: bool) -> tuple[str, tuple[str, ...]]:  # noqa: FBT001
    if told:
        return _glob(name), ()
    plain = re.sub(r"\.(gz|zst)$", "", PurePosixPath(name).name)
    stem, dot, ending = plain.partition(".")
    prefix = re.match(r"[A-Za-z]+[_-]", stem)
    file = f"{prefix.group() if prefix else ''}{{station_id}}{dot}{ending}"
    return file, (
        "nothing in it names the station: its id is taken from the file's name; see that it is right",
    )


def _log(name: str, log: LogGuess, extra: Sequence[tuple[str, str]], text: str) -> Guess:
    keys, missing = _common(log.time_format, log.into, log.out, text)
    file, gap = _station_in_file(name, "{station_id}" in log.line)
    patterns = [("line", log.line), *([("more", log.more)] if log.more else [])]
    line = [(key, "'" + text.replace("'", "''") + "'") for key, text in patterns]
    return Guess(
        "a text log with frames on its lines",
        _entry("frames", file, [*line, *keys, *extra]),
        (*gap, *missing),
        log.stations,
    )


def _sessions(
    name: str, made: TableGuess, rows: Sequence[Mapping[str, str]], extra: Sequence[tuple[str, str]], text: str,
) -> Guess:  # fmt: skip
    keys: list[tuple[str, str]] = [("columns", _flow(made.parts)), *extra]
    form, missing = _day_first(made.time_format, text)
    if form and form != times.ISO:
        keys.append(("time_format", _quoted(form)))
    if form not in times.EPOCHS and "%z" not in (form or ""):
        keys.append(("timezone", "UTC"))
        missing.append("timezone: UTC is a guess; write the site's, like Europe/Oslo")
    energy = made.parts.get("energy_kwh", "")
    numbers = [row.get(energy, "") for row in rows]
    if any("," in n and "." not in n for n in numbers) and any(k == "delimiter" for k, _ in extra):
        keys.append(("decimal", '","'))
    if re.search(r"\bwh\b", energy, re.IGNORECASE) and "kwh" not in energy.casefold():
        keys.append(("energy_unit", "Wh"))
    for ours in ("end_reason", "fault"):
        if ours in made.parts:
            words = sorted({row.get(made.parts[ours], "") for row in rows} - {""})[:12]
            missing.append(
                f"{ours}: what these words mean: {', '.join(words)}"
                if words
                else f"{ours}: no word seen"
            )
    if not {"id_token", "vehicle_id"} & set(made.parts):
        missing.append("which column names the card (id_token) or the vehicle (vehicle_id)")
    return Guess(
        "a table of finished sessions", _entry("exports", _glob(name), keys), tuple(missing)
    )
