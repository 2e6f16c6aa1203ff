"""A case's shorthand, a line a happening, written out as the files a delivery holds (contract: what
comes in).

`TIME SUBJECT VERB words… key=value… -> answer`. TIME is true time (UTC, day of the case; `1d/`
before it: a day later). SUBJECT is a station and connector (`A1`), a station (`A`) or a vehicle
(`v1`). The verbs of frames are in `frames`; `cp` is a row of the pilot, a vehicle's verb one of its
events. The station writes its own clock, which `clock` sets; the receiver sees a frame 0.3 s later,
or at `rx=`. Shares no code with the pipeline.
"""

from __future__ import annotations

import csv
import io
import re
import shlex
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

HIGH = {"A": "12", "B": "9", "C": "6", "D": "3", "E": "0", "F": ""}  # IEC 61851-1 nominal levels
PILOT_HEAD = "at,station_id,connector_id,state,high_v,low_v,duty_pct,contactor,fault"
CHARGING_HEAD = "at,vehicle_id,event,inlet,soc_pct"
NAMES = re.compile(r"<(\w*)>")


OSLO = ZoneInfo("Europe/Oslo")


def stamp(at: datetime, form: str = "milliseconds") -> str:
    """ISO 8601 in one of the forms stations use.

    `milliseconds` and Z, `nanoseconds` and Z, an `offset`, or `local` time.
    """
    if form == "offset":
        return at.astimezone(OSLO).isoformat(timespec="milliseconds")
    if form == "local":
        return at.astimezone(OSLO).replace(tzinfo=None).isoformat(timespec="milliseconds")
    return (
        at.strftime("%Y-%m-%dT%H:%M:%S.")
        + f"{at.microsecond // 1000:03d}"
        + ("000000Z" if form == "nanoseconds" else "Z")
    )


def when(word: str, day: datetime) -> datetime:
    """`08:00:00`, `1d/08:00:00` (a day later) or a whole ISO time, as aware UTC."""
    if "T" in word:
        return datetime.fromisoformat(word).astimezone(UTC)
    ahead, _, clock = word.rpartition("d/")
    hour, minute, second = clock.split(":")
    return day + timedelta(
        days=int(ahead or 0), hours=int(hour), minutes=int(minute), seconds=float(second)
    )


@dataclass
class Clock:
    """What a station's clock shows.

    Set to a time, or so many seconds ahead, and running so many seconds a day too fast.
    """

    true_from: datetime
    shows: datetime
    fast_s_per_day: float = 0.0

    def at(self, true: datetime) -> datetime:
        """The clock's reading at a true time."""
        gone = true - self.true_from
        return (
            self.shows
            + gone
            + timedelta(seconds=self.fast_s_per_day * gone.total_seconds() / 86400)
        )


@dataclass(frozen=True)
class Habits:
    """What stations may do otherwise without changing what happened."""

    ahead_s: float = 0.0
    whole_seconds: bool = False
    newest_first: bool = False
    form: str = "milliseconds"


@dataclass
class Log:
    """Files of one case, built line by line. `prefix` keeps the ids of cases apart."""

    prefix: str
    day: datetime
    write: Callable[[Told, str, list[str]], None]
    habits: Habits
    frames: list[tuple[datetime, str]] = field(default_factory=list)
    calls: list[tuple[str, str, bool, dict[str, Any]]] = field(
        default_factory=list
    )  # version, action, is a result, payload
    pilot: list[list[str]] = field(default_factory=list)
    charging: list[list[str]] = field(default_factory=list)
    clocks: dict[str, Clock] = field(default_factory=dict)
    ids: int = 0
    seq: dict[str, int] = field(default_factory=dict)

    def named(self, word: str) -> str:
        """The id as the delivery has it."""
        return f"{self.prefix}{word}"

    def station_time(self, station: str, true: datetime) -> datetime:
        """True time as the station's clock shows it."""
        shown = (
            self.clocks[station].at(true)
            if station in self.clocks
            else true + timedelta(seconds=self.habits.ahead_s)
        )
        return shown.replace(microsecond=0) if self.habits.whole_seconds else shown

    def shown(self, station: str, true: datetime) -> str:
        """The station's time as it writes it."""
        return stamp(self.station_time(station, true), self.habits.form)

    def read(self, line: str) -> None:
        """Write out one line of shorthand."""
        told, _, answer = line.partition(" -> ")
        time, subject, verb, *words = shlex.split(told)
        options = dict(w.split("=", 1) for w in words if "=" in w)
        words = [w for w in words if "=" not in w]
        true = when(time, self.day)
        if subject.startswith("v"):
            self.charging.append(
                [
                    stamp(true),
                    self.named(subject),
                    verb,
                    options.get("inlet", "cType2"),
                    options.get("soc", ""),
                ]
            )
        elif verb == "clock":
            self.set_clock(subject, true, words[0], float(options.get("fast", 0)))
        elif verb == "cp":
            self.cp(true, subject, words, options)
        else:
            self.write(Told(self, true, subject, options, answer.split()), verb, words)

    def set_clock(self, station: str, true: datetime, word: str, fast: float) -> None:
        """`+3600`, `-20` (seconds ahead of true time) or a time it jumps to."""
        shows = true + timedelta(seconds=float(word)) if word[0] in "+-" else when(word, self.day)
        self.clocks[station] = Clock(true, shows, fast)

    def cp(self, true: datetime, subject: str, words: list[str], options: dict[str, str]) -> None:
        """A row of the control pilot: `B2 [closed] [low=-8.8] [high=] [fault=]`."""
        state = words[0]
        pulsed = state.endswith("2")
        low = options.get("low", "-12" if pulsed or state == "F" else "")
        duty = options.get("duty", "26.7" if pulsed else "")
        contactor = "closed" if "closed" in words else "open"
        shown = self.shown(subject[0], true)
        self.pilot.append(
            [shown, self.named(subject[0]), subject[1:], state, options.get("high", HIGH[state[0]]), low, duty, contactor,
             options.get("fault", "")]
        )  # fmt: skip

    def files(self) -> dict[str, str]:
        """The delivery's files, by name; frames as the receiver saw them."""
        made = {}
        if self.frames:
            lines = [
                line
                for _, line in sorted(
                    self.frames, key=lambda f: f[0], reverse=self.habits.newest_first
                )
            ]
            made[f"ocpp/{self.prefix}.jsonl"] = "\n".join(lines) + "\n"
        if self.pilot:
            made[f"pilot/{self.prefix}.csv"] = table(PILOT_HEAD, self.pilot)
        if self.charging:
            made[f"telematics/{self.prefix}charging.csv"] = table(CHARGING_HEAD, self.charging)
        return made


@dataclass(frozen=True)
class Told:
    """One line about a station.

    When, which connector, its `key=value` words and what was answered.
    """

    log: Log
    true: datetime
    subject: str
    options: dict[str, str]
    answer: list[str]


def table(head: str, rows: list[list[str]]) -> str:
    """CSV text."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head.split(","))
    writer.writerows(rows)
    return out.getvalue()
