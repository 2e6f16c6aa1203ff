"""A table or JSON of messages, or of finished sessions: which of its fields is which part."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pipeline.doorway.frames_entry import TYPE_WORDS
from pipeline.doorway.guess import roles
from pipeline.doorway.guess.roles import Record, Said
from pipeline.ocpp.actions import STATION_ACTIONS

# Names of columns that finished sessions are found under; the first whose word stands in the header. Common practice.
SESSION_WORDS: dict[str, str] = {
    "session_id": r"session.?(id|no|nr)|transaction|^id$",
    "id_token": r"card|tag|token|rfid|badge|kort|karte|user|driver",
    "vehicle_id": r"vehicle|\bcar\b|van|bil|fahrzeug",
    "plugged_at": r"start|begin|from|plug.?in|arriv|von|connected",
    "unplugged_at": r"end(?!\w*re)|stop(?!.*reason)|until|plug.?out|unplug|depart|bis|slutt|finish|disconnected",
    "duration": r"duration|lasted|minutes|dauer|varighet|elapsed",
    "energy_kwh": r"energy|kwh|\bwh\b|mengde|menge|consum|deliver",
    "end_reason": r"reason|ended|why|årsak|grund",
    "fault": r"fault|error|trouble|feil|fehler",
    "evse_id": r"evse|bay|plass|charger|connector|outlet|station|plug\b|point|box|socket",
}


@dataclass(frozen=True)
class TableGuess:
    """Fields by our parts, words of the direction, the time's format, kinds of message, and the stations seen."""

    parts: dict[str, str]
    time_format: str | None
    into: tuple[str, ...] = ()
    out: tuple[str, ...] = ()
    types: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    stations: tuple[str, ...] = ()


def flat(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Values of a JSON object by dotted path; a frame stays whole."""
    if path and roles.frame_text(value):
        yield path, value
    elif isinstance(value, dict):
        for key, inner in value.items():
            name = f'"{key}"' if re.search(r"[.\[\]]", key) else key
            yield from flat(inner, f"{path}.{name}" if path else name)
    elif isinstance(value, list) and len(value) <= 3:
        for i, inner in enumerate(value):
            yield from flat(inner, f"{path}[{i}]")
    else:
        yield path, value


def guess_messages(rows: Sequence[Mapping[str, Any]]) -> TableGuess | None:
    """Which fields of records are the parts of messages; None where none holds any."""
    whole = _frame_field(rows)
    if whole:
        kept = [row for row in rows if roles.frame_text(row.get(whole))]
        frames = [roles.said(roles.frame_text(row[whole]) or "") for row in kept]
        return _told(kept, [f for f in frames if f], {"frame": whole}, {})
    return _both(rows) or _in_parts(rows)


def _frame_field(rows: Sequence[Mapping[str, Any]]) -> str | None:
    names = dict.fromkeys(name for row in rows for name in row)
    hits = {
        name: sum(roles.frame_text(row.get(name)) is not None for row in rows) for name in names
    }
    best = max(hits, key=lambda name: hits[name], default=None)
    return best if best is not None and hits[best] >= max(2, 0.3 * len(rows)) else None


def _objects(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Fields that hold JSON objects, in a text or as they are."""
    names = dict.fromkeys(name for row in rows for name in row)

    def is_object(value: Any) -> bool:
        if not isinstance(value, str) or not value.lstrip().startswith("{"):
            return False
        try:
            return isinstance(json.loads(value), dict)
        except (ValueError, RecursionError):
            return False

    return [
        name
        for name in names
        if sum(is_object(row.get(name)) for row in rows) >= max(2, 0.3 * len(rows))
    ]


def _action_field(rows: Sequence[Mapping[str, Any]]) -> str | None:
    names = dict.fromkeys(name for row in rows for name in row)
    hits = {name: sum(str(row.get(name)) in STATION_ACTIONS for row in rows) for name in names}
    best = max(hits, key=lambda name: hits[name], default=None)
    return best if best is not None and hits[best] >= 2 else None


def _both(rows: Sequence[Mapping[str, Any]]) -> TableGuess | None:
    """A table with a call and its answer in one row."""
    bodies, action = _objects(rows), _action_field(rows)
    if len(bodies) != 2 or action is None:
        return None
    first, second = sorted(
        bodies, key=lambda name: not re.search(r"req|call|sent|in", name, re.IGNORECASE)
    )
    parts = {"action": action, "request": first, "response": second}
    frames = [Said("2", str(i), str(row.get(action))) for i, row in enumerate(rows)]
    return _told(rows, frames, parts, {})


def _in_parts(rows: Sequence[Mapping[str, Any]]) -> TableGuess | None:
    """A table with a message's kind, id, action and payload in fields of their own."""
    bodies, action = _objects(rows), _action_field(rows)
    if len(bodies) != 1 or action is None:
        return None
    kinds = _kind_field(rows, action, {action, *bodies})
    if kinds is None:
        return None
    kind, types = kinds
    number = {
        word: {"call": "2", "result": "3", "error": "4"}[name]
        for name, words in types.items()
        for word in words
    }
    identity = _id_field(rows, {action, *bodies, kind})
    if identity is None:
        return None
    kept = [row for row in rows if str(row.get(kind)) in number]
    frames = [
        Said(number[str(row[kind])], str(row[identity]), str(row.get(action) or "") or None)
        for row in kept
    ]
    parts = {"type": kind, "id": identity, "action": action, "payload": bodies[0]}
    return _told(kept, frames, parts, types)


def _kind_field(
    rows: Sequence[Mapping[str, Any]], action: str, without: set[str]
) -> tuple[str, dict[str, tuple[str, ...]]] | None:
    known = {word: name for name, words in TYPE_WORDS.items() for word in words}
    for name in dict.fromkeys(name for row in rows for name in row):
        values = {str(row.get(name)) for row in rows}
        if name in without or not 2 <= len(values) <= 6 or not all(v in known for v in values):
            continue
        called = {str(row.get(name)) for row in rows if row.get(action)}
        if any(known[v] == "call" for v in called):
            types = {
                kind: tuple(sorted(v for v in values if known[v] == kind))
                for kind in ("call", "result", "error")
            }
            return name, {kind: words for kind, words in types.items() if words}
    return None


def _id_field(rows: Sequence[Mapping[str, Any]], without: set[str]) -> str | None:
    """The field whose values stand twice, for a call and its answer, more than any other's."""
    best: tuple[float, str] | None = None
    for name in dict.fromkeys(name for row in rows for name in row):
        values = [str(row.get(name) or "") for row in rows]
        if name in without or not all(values):
            continue
        distinct = len(set(values)) / len(values)
        nearness = abs(distinct - 0.5)
        if (
            distinct > 0.3
            and (best is None or nearness < best[0])
            and roles.time_format(values) is None
        ):
            best = (nearness, name)
    return best[1] if best else None


def _told(
    rows: Sequence[Mapping[str, Any]],
    frames: Sequence[Said],
    parts: dict[str, str],
    types: dict[str, tuple[str, ...]],
) -> TableGuess:
    used = set(parts.values())
    texts: list[Record] = [
        {k: str(v) for k, v in row.items() if k not in used and isinstance(v, str | int | float)}
        for row in rows
    ]
    form, at = None, None
    for name in dict.fromkeys(name for row in texts for name in row):
        form = roles.time_format([row.get(name, "") for row in texts])
        if form is not None:
            at = name
            break
    told = roles.ways(frames)
    way = roles.direction(texts, told)
    without = {name for name in (at, way and way[0]) if name}
    station = roles.station(texts, frames, without)
    named = dict(parts)
    if station:
        named = {"station_id": station, **named}
    if way:
        named = {"dir": way[0], **named}
    if at:
        named = {"at": at, **named}
    meant = way[1] if way else {}
    plain = {word.casefold() for word in meant} <= {"in", "out"}
    return TableGuess(
        named,
        form,
        () if plain else tuple(w for w, m in meant.items() if m == "in"),
        () if plain else tuple(w for w, m in meant.items() if m == "out"),
        types,
        tuple(dict.fromkeys(row[station] for row in texts if station and station in row)),
    )


def guess_sessions(rows: Sequence[Mapping[str, str]]) -> TableGuess | None:
    """Which columns of finished sessions are ours: by name, and by what they hold. None without an EVSE and a beginning."""
    header = list(rows[0]) if rows else []
    parts: dict[str, str] = {}
    form: str | None = None
    timed = {name: roles.time_format([row.get(name) or "" for row in rows]) for name in header}
    for ours, words in SESSION_WORDS.items():
        wants_time = ours in {"plugged_at", "unplugged_at"}
        for name in header:
            fits = re.search(words, name, re.IGNORECASE) and name not in parts.values()
            if fits and bool(timed[name]) == wants_time:
                parts[ours] = name
                break
    times_left = [name for name in header if timed[name] and name not in parts.values()]
    for ours in ("plugged_at", "unplugged_at"):
        if (
            ours not in parts
            and times_left
            and not (ours == "unplugged_at" and "duration" in parts)
        ):
            parts[ours] = times_left.pop(0)
    if "unplugged_at" in parts:
        parts.pop("duration", None)
    if not {"evse_id", "plugged_at"} <= set(parts):
        return None
    form = timed[parts["plugged_at"]]
    return TableGuess(parts, form)
