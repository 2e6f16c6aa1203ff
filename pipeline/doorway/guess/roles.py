"""Which field of some records is which part of a message: told by what the frames themselves say."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from pipeline.doorway import times
from pipeline.ocpp.actions import STATION_ACTIONS

# Formats tried, those first that are met most, a fraction after a point or a comma; common practice.
_WITH_A_POINT = (
    times.ISO, "%Y/%m/%d %H:%M:%S.%f", "%Y/%m/%d %H:%M:%S", "%d.%m.%Y %H:%M:%S.%f",
    "%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M", "%d/%b/%Y:%H:%M:%S.%f %z", "%d/%b/%Y:%H:%M:%S %z", "%d/%b/%Y %H:%M:%S %z",
    "%m/%d/%Y %I:%M:%S %p", "%d/%m/%Y %I:%M:%S %p", "%m/%d/%Y %H:%M:%S.%f", "%d/%m/%Y %H:%M:%S.%f", "%m/%d/%Y %H:%M:%S",
    "%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M", "%d/%m/%Y %H:%M", "%d-%m-%Y %H:%M:%S", "%d-%m-%y %H:%M:%S", "%a %b %d %H:%M:%S %Y",
    "%d %b %Y %H:%M:%S", "%b %d %H:%M:%S.%f", "%b %d %H:%M:%S", "epoch_ms", "epoch_s", "%Y%m%d%H%M%S", "%Y%m%d %H:%M:%S",
)  # fmt: skip
FORMATS = tuple(
    form
    for point in _WITH_A_POINT
    for form in dict.fromkeys((point, point.replace("%S.%f", "%S,%f")))
)
FRAME = re.compile(r'\[\s*([234])\s*,\s*\\?"((?:[^"\\]|\\(?!"))*)\\?"\s*,\s*(?:\\?"(\w+)\\?")?')
_LEVELS = {
    "info",
    "debug",
    "warn",
    "warning",
    "error",
    "trace",
    "notice",
    "fatal",
    "critical",
    "level",
    "ocpp",
    "log",
}
_STATION_NAMES = re.compile(
    r"station|charg|box|\bcp|evse|unit|device|asset|serial|identity|ids?\b", re.IGNORECASE
)
# Share of frames that a part must be right for.
_SURE = 0.95


@dataclass(frozen=True)
class Said:
    """A frame as far as a look at its beginning tells."""

    kind: str
    id: str
    action: str | None


def said(text: str) -> Said | None:
    """The frame that stands in a text."""
    found = FRAME.search(text)
    return Said(found[1], found[2], found[3]) if found else None


def frame_text(value: Any) -> str | None:
    """A value as the text of a frame's array, where it is one."""
    if isinstance(value, list) and len(value) >= 3 and value[0] in {2, 3, 4}:
        return json.dumps(value)
    if isinstance(value, str) and FRAME.match(value.strip()):
        return value
    return None


def ways(frames: Sequence[Said]) -> list[str | None]:
    """Which way each frame went: calls by their action, answers by the call nearest before."""
    calls: dict[str, str] = {}
    told: list[str | None] = []
    for one in frames:
        if one.kind == "2":
            way = "in" if one.action in STATION_ACTIONS else "out"
            calls[one.id] = way
            told.append(way)
        else:
            told.append({"in": "out", "out": "in"}.get(calls.get(one.id, "")))
    return told


Record = Mapping[str, str]


def direction(
    records: Sequence[Record], told: Sequence[str | None]
) -> tuple[str, dict[str, str]] | None:
    """The field whose words go with the direction, and which way each means."""
    best: tuple[int, str, dict[str, str]] | None = None
    for name in _names(records):
        counts: dict[str, Counter[str]] = {}
        for record, way in zip(records, told, strict=True):
            if way and record.get(name):
                counts.setdefault(record[name], Counter())[way] += 1
        meant = {word: count.most_common(1)[0][0] for word, count in counts.items()}
        hits = sum(count[meant[word]] for word, count in counts.items())
        total = sum(sum(count.values()) for count in counts.values())
        asked = sum(way is not None for way in told)
        if (
            len(counts) > 6
            or set(meant.values()) != {"in", "out"}
            or min(hits, total) < _SURE * asked
        ):
            continue
        if best is None or len(counts) < best[0]:
            best = (len(counts), name, meant)
    return None if best is None else (best[1], best[2])


def station(records: Sequence[Record], frames: Sequence[Said], without: set[str]) -> str | None:
    """The field that a call and its answer share, and that tells some, not all, messages apart."""
    last: dict[str, int] = {}
    pairs: list[tuple[int, int]] = []
    for i, one in enumerate(frames):
        if one.kind == "2":
            last[one.id] = i
        elif one.id in last:
            pairs.append((last[one.id], i))
    scored = []
    for place, name in enumerate(_names(records)):
        values = [record.get(name) or "" for record in records]
        if name in without or not all(values) or values[0].casefold() in _LEVELS:
            continue
        shared = sum(values[a] == values[b] for a, b in pairs) >= _SURE * len(pairs)
        distinct = len(set(values))
        if not shared or distinct > max(3, len(values) // 3) or any(len(v) > 60 for v in values):
            continue
        named = bool(_STATION_NAMES.search(name))
        looks = sum(any(c.isdigit() or c in "-_" or c.isupper() for c in v) for v in values) / len(
            values
        )
        if not (named or distinct > 1 or looks >= 0.5):
            continue
        scored.append(((named, distinct > 1, looks >= 0.5, place), name))
    return max(scored)[1] if scored else None


def _names(records: Sequence[Record]) -> list[str]:
    return list(dict.fromkeys(name for record in records for name in record))


def time_format(values: Sequence[str]) -> str | None:
    """The format that reads every value as a time of this century."""
    some = [value.strip() for value in values if value.strip()][:200]
    if not some:
        return None
    return next((form for form in FORMATS if all(reads(value, form) for value in some)), None)


def reads(value: str, form: str) -> bool:
    """Whether a text is a time in a format."""
    if not re.fullmatch(times.shape(form), value):
        return False
    if form in times.EPOCHS:
        seconds = float(value.replace(",", ".")) * times.EPOCHS[form] / 1e6
        return _lately(datetime.fromtimestamp(seconds, UTC))
    if form == times.ISO:
        return True
    try:
        told = datetime.strptime(value, form)  # noqa: DTZ007
    except ValueError:
        return False
    return not times.has_year(form) or _lately(told)


def _lately(told: datetime) -> bool:
    """A number that is no time reads as one of another age; logs of OCPP are of this one (decided)."""
    return 2015 <= told.year <= 2100


def day_or_month_first(form: str, text: str) -> tuple[str, bool]:
    """The format with day and month as they stand in a text, and whether that is still open.

    What reads more of its times is right; of two that read all, the one whose days stand inside the text as ISO 8601 dates too.
    """
    other = re.sub(r"^%([md])([/-])%([md])", r"%\3\2%\1", form)
    if other == form:
        return form, False
    found = set(re.findall(times.shape(form), text))
    inside = set(re.findall(r"\d{4}-\d{2}-\d{2}", text))
    fits = {}
    for each in (form, other):
        days = [f"{datetime.strptime(v, each):%Y-%m-%d}" for v in found if reads(v, each)]  # noqa: DTZ007
        fits[each] = (len(days), sum(day in inside for day in days))
    return max(fits, key=fits.__getitem__), fits[form] == fits[other]
