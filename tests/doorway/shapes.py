"""A case book of log shapes: our envelope's frames written as other systems write them, each with the mapping that reads it.

All shapes are invented here; what varies is what varies in logs seen in the open: where the time, the station and the direction
stand, how they are written, whether a frame is on one line, and what else is in the file. A renderer is given frames in order and
says what it wrote: the files, and for each how many lines hold frames and how many do not.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import zstandard


@dataclass(frozen=True)
class Sent:
    """One frame as our envelope has it."""

    at: datetime
    station_id: str
    dir: str
    version: str
    frame: list[Any]

    @property
    def envelope(self) -> str:
        """The line of our envelope."""
        at = self.at.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
        body = {
            "at": at,
            "station_id": self.station_id,
            "dir": self.dir,
            "version": self.version,
            "frame": self.frame,
        }
        return json.dumps(body, ensure_ascii=False)

    @property
    def text(self) -> str:
        """The frame as on the wire."""
        return json.dumps(self.frame, ensure_ascii=False, separators=(",", ":"))


@dataclass
class Written:
    """What a renderer wrote: bytes by file, the lines of each that hold frames, and those that hold none."""

    files: dict[str, bytes] = field(default_factory=dict)
    frame_lines: dict[str, int] = field(default_factory=dict)
    chatter: dict[str, int] = field(default_factory=dict)

    def put(
        self,
        name: str,
        lines: Sequence[str],
        chatter: int,
        *,
        encode: Callable[[str], bytes] = str.encode,
        end: str = "\n",
    ) -> None:
        """Note a file and its account."""
        self.files[name] = encode("".join(line + end for line in lines))
        total = sum(line.count("\n") + 1 for line in lines)
        self.frame_lines[name], self.chatter[name] = total - chatter, chatter


Renderer = Callable[[Sequence[Sent]], Written]


@dataclass(frozen=True)
class Shape:
    """A shape: how frames are written in it, the entry that reads it, and how fine its times are (seconds)."""

    name: str
    render: Renderer
    entry: str
    step_us: int = 1000
    by_payload: bool = False
    errors: bool = True  # whether it has a place for an error's code and words


SHAPES: list[Shape] = []


def shape(
    entry: str, *, step_us: int = 1000, by_payload: bool = False, errors: bool = True
) -> Callable[[Renderer], Renderer]:
    """Put a renderer into the case book."""

    def noted(render: Renderer) -> Renderer:
        name = render.__name__.strip("_").replace("_", " ")
        SHAPES.append(Shape(name, render, entry, step_us, by_payload, errors))
        return render

    return noted


def local(at: datetime, zone: str = "Europe/Oslo") -> datetime:
    """A time as a clock on the wall shows it."""
    return at.astimezone(ZoneInfo(zone))


def way(f: Sent, into: str, out: str) -> str:
    """The word of a frame's direction."""
    return into if f.dir == "in" else out


def chatter_every(lines: list[str], every: int, words: Sequence[str]) -> tuple[list[str], int]:
    """Lines with a line of chatter before every n-th."""
    made, n = [], 0
    for i, line in enumerate(lines):
        if i % every == 0:
            made.append(words[n % len(words)])
            n += 1
        made.append(line)
    return made, n


CHATTER = (
    "service started, 14 workers",
    "2026-03-02 09:00:00,000 INFO [worker-2] pool: 3 of 20 connections in use",
    "2026-03-02 09:00:00,000 WARN [worker-2] ny-mid: slow answer [attempt 2] after 3,1 s",
    "    at handler.process(handler:118)",
    "",
)


@shape("""line: "{at} INFO {*} {station_id}: {dir} {frame}"
time_format: "%Y-%m-%d %H:%M:%S,%f"
timezone: Europe/Oslo
in: ["receive message"]
out: ["send"]""")
def comma_millis_and_words(frames: Sequence[Sent]) -> Written:
    """A logger with comma milliseconds in local time, a thread's name, two-word direction, chatter between."""
    lines = [
        f"{local(f.at):%Y-%m-%d %H:%M:%S},{f.at.microsecond // 1000:03d} INFO [worker-{i % 5}] {f.station_id}: "
        f"{'receive message' if f.dir == 'in' else 'send'} {f.text}"
        for i, f in enumerate(frames)
    ]
    lines, n = chatter_every(lines, 7, CHATTER)
    done = Written()
    done.put("site.log", lines, n)
    return done


@shape(
    """line: "INFO:{*}:{station_id}: {dir} {frame}"
time_format: payload
in: ["receive message"]
out: ["send"]""",
    by_payload=True,
)
def no_time_of_its_own(frames: Sequence[Sent]) -> Written:
    """A logger without times: only the payloads tell them."""
    words = {"in": "receive message", "out": "send"}
    done = Written()
    done.put("site.log", [f"INFO:ocpp:{f.station_id}: {words[f.dir]} {f.text}" for f in frames], 0)
    return done


@shape('''line: "[{at}] [{station_id}] {dir} {frame}"
time_format: "%d/%b/%Y:%H:%M:%S.%f %z"
in: ">>"
out: "<<"''')
def brackets_and_month_names(frames: Sequence[Sent]) -> Written:
    """Everything in brackets, the month by name, an offset, arrows for words."""
    done = Written()
    lines = [
        f"[{f.at:%d/%b/%Y:%H:%M:%S}.{f.at.microsecond // 1000:03d} +0000] [{f.station_id}] {way(f, '>>', '<<')} {f.text}"
        for f in frames
    ]
    done.put("site.log", lines, 0)
    return done


@shape(
    """line: "{at} {*} gateway[{*}]: {station_id} {dir} {frame}"
time_format: "%b %d %H:%M:%S"
timezone: UTC
in: rx
out: tx""",
    step_us=1_000_000,
)
def system_log_without_a_year(frames: Sequence[Sent]) -> Written:
    """A system log: the month by name, no year, a host and a process number; other processes write too."""
    lines = [
        f"{f.at:%b} {f.at.day:2d} {f.at:%H:%M:%S} host-1 gateway[812]: {f.station_id} {'rx' if f.dir == 'in' else 'tx'} {f.text}"
        for f in frames
    ]
    lines, n = chatter_every(
        lines,
        9,
        ("Mar  2 09:00:00 host-1 cron[77]: job done", "Mar  2 09:00:01 host-1 gateway[812]: ready"),
    )
    done = Written()
    done.put("site.log", lines, n)
    return done


@shape("""line: "{at} {station_id} {dir} {frame}"
in: [recv, "got from station"]
out: [sent]""")
def iso_with_offset(frames: Sequence[Sent]) -> Written:
    """ISO 8601 with an offset, which needs no format; two words for one direction."""
    done = Written()
    words = {"in": ("recv", "got from station"), "out": ("sent", "sent")}
    done.put(
        "site.log",
        [
            f"{local(f.at).isoformat(timespec='milliseconds')} {f.station_id} {words[f.dir][i % 2]} {f.text}"
            for i, f in enumerate(frames)
        ],
        0,
    )
    return done


@shape(
    """line: "{frame} | {station_id} | {dir} | {at}"
time_format: "%Y%m%d%H%M%S"
timezone: Europe/Oslo
in: up
out: down""",
    step_us=1_000_000,
)
def frame_first(frames: Sequence[Sent]) -> Written:
    """The frame stands first, what it belongs to after it."""
    done = Written()
    done.put(
        "site.log",
        [
            f"{f.text} | {f.station_id} | {'up' if f.dir == 'in' else 'down'} | {local(f.at):%Y%m%d%H%M%S}"
            for f in frames
        ],
        0,
    )
    return done


@shape('''line: "{at} {station_id} {dir} {frame}"
time_format: epoch_ms
in: "->"
out: "<-"''')
def epoch_milliseconds(frames: Sequence[Sent]) -> Written:
    """Milliseconds since 1970."""
    done = Written()
    done.put(
        "site.log",
        [
            f"{round(f.at.timestamp() * 1000)} {f.station_id} {'->' if f.dir == 'in' else '<-'} {f.text}"
            for f in frames
        ],
        0,
    )
    return done


@shape('''line: "<{at}> station={station_id} way={dir} {frame}"
time_format: epoch_s
in: "1"
out: "2"''')
def epoch_seconds(frames: Sequence[Sent]) -> Written:
    """Seconds since 1970 with a fraction, numbers for directions."""
    done = Written()
    done.put(
        "site.log",
        [
            f"<{f.at.timestamp():.3f}> station={f.station_id} way={1 if f.dir == 'in' else 2} {f.text}"
            for f in frames
        ],
        0,
    )
    return done


@shape(
    """line: "{at} - {station_id} - {dir}: {frame} ({*} bytes)"
time_format: "%m/%d/%Y %I:%M:%S %p"
timezone: America/Toronto
in: Received
out: Sent""",
    step_us=1_000_000,
)
def twelve_hours_and_words_after(frames: Sequence[Sent]) -> Written:
    """A clock of twelve hours; the frame is followed by how long it was."""
    done = Written()
    lines = [
        f"{local(f.at, 'America/Toronto'):%m/%d/%Y %I:%M:%S %p} - {f.station_id} - "
        f"{way(f, 'Received', 'Sent')}: {f.text} ({len(f.text)} bytes)"
        for f in frames
    ]
    done.put("site.log", lines, 0)
    return done


@shape("""line: "{at} [{station_id}] {dir} {frame}"
in: "IN "
out: OUT""")
def pretty_over_many_lines(frames: Sequence[Sent]) -> Written:
    """Each frame printed over many lines, chatter between the frames."""
    lines = [
        f"{f.at.isoformat(timespec='milliseconds')} [{f.station_id}] {way(f, 'IN', 'OUT')} "
        + json.dumps(f.frame, indent=2, ensure_ascii=False)
        for f in frames
    ]
    lines, n = chatter_every(
        lines, 5, ("2026-03-02T09:00:00.000+00:00 [main] ready", "-- rotated --")
    )
    done = Written()
    done.put("site.log", lines, n)
    return done


@shape("""line: "{at} {station_id} {dir} | {frame}"
more: "{at} {station_id} {*} | {frame}"
time_format: "%Y-%m-%d %H:%M:%S.%f"
timezone: UTC
in: IN
out: OUT""")
def wrapped_with_a_prefix(frames: Sequence[Sent]) -> Written:
    """Lines of fifty signs: a long frame goes on over further lines, each with its own prefix, a heartbeat line between."""
    lines, n = [], 0
    for i, f in enumerate(frames):
        at = f"{f.at:%Y-%m-%d %H:%M:%S}.{f.at.microsecond // 1000:03d}"
        pieces = [f.text[k : k + 50] for k in range(0, len(f.text), 50)]
        lines.append(f"{at} {f.station_id} {'IN' if f.dir == 'in' else 'OUT'} | {pieces[0]}")
        for piece in pieces[1:]:
            if i % 11 == 0 and n < 20:
                lines.append("watchdog alive")
                n += 1
            lines.append(f"{at} {f.station_id} .. | {piece}")
    done = Written()
    done.put("site.log", lines, n)
    return done


@shape("""json: {at: timestamp, station_id: meta.chargePointId, dir: direction, frame: message}
in: fromStation
out: toStation""")
def json_lines_nested(frames: Sequence[Sent]) -> Written:
    """One JSON object a line, the station further in, other records between."""
    lines = [
        json.dumps(
            {
                "timestamp": f.at.isoformat(),
                "meta": {"chargePointId": f.station_id, "host": "a"},
                "direction": "fromStation" if f.dir == "in" else "toStation",
                "message": f.frame,
            }
        )
        for f in frames
    ]
    lines, n = chatter_every(
        lines,
        6,
        ('{"timestamp":"2026-03-02T09:00:00+00:00","meta":{"host":"a"},"event":"connected"}',),
    )
    done = Written()
    done.put("site.log", lines, n)
    return done


@shape("""json: {at: ts, station_id: "ids[0]", dir: io, frame: log.raw}
time_format: epoch_ms""")
def json_with_the_frame_as_text(frames: Sequence[Sent]) -> Written:
    """The frame is a text inside the JSON, the time a number, the directions our own words."""
    done = Written()
    done.put(
        "site.log",
        [
            json.dumps(
                {
                    "ts": round(f.at.timestamp() * 1000),
                    "ids": [f.station_id],
                    "io": f.dir.upper(),
                    "log": {"raw": f.text},
                }
            )
            for f in frames
        ],
        0,
    )
    return done


@shape("""json: {at: time, station_id: box, dir: way, frame: body}
in: request-in
out: reply""")
def json_array_printed(frames: Sequence[Sent]) -> Written:
    """One JSON array of records, printed over many lines."""
    ways = {"in": "request-in", "out": "reply"}
    text = json.dumps(
        [
            {"time": f.at.isoformat(), "box": f.station_id, "way": ways[f.dir], "body": f.frame}
            for f in frames
        ],
        indent=4,
    )
    done = Written()
    done.put("site.log", [text], 2)
    return done


def table(rows: list[list[str]], delimiter: str = ",") -> str:
    """Rows as CSV."""
    file = io.StringIO()
    csv.writer(file, delimiter=delimiter, lineterminator="\n").writerows(rows)
    return file.getvalue().removesuffix("\n")


@shape(
    """cells: {at: LogTime, station_id: Box, dir: Way, type: Kind, id: MsgId, action: Action, payload: Body}
type: {call: Request, result: [Response, Confirmation], error: Error}
time_format: "%d.%m.%Y %H:%M:%S.%f"
timezone: Europe/Oslo
in: incoming
out: outgoing""",
    errors=False,
)
def table_of_message_parts(frames: Sequence[Sent]) -> Written:
    """A table, a message a row, its parts in cells."""
    rows = [["LogTime", "Box", "Way", "Kind", "MsgId", "Action", "Body", "Node"]]
    for f in frames:
        kind, key = f.frame[0], f.frame[1]
        action, body = (f.frame[2], f.frame[3]) if kind == 2 else ("", f.frame[2])
        word = {2: "Request", 3: "Response", 4: "Error"}[kind]
        at = f"{local(f.at):%d.%m.%Y %H:%M:%S}.{f.at.microsecond // 1000:03d}"
        rows.append(
            [
                at,
                f.station_id,
                "incoming" if f.dir == "in" else "outgoing",
                word,
                key,
                action,
                json.dumps(body),
                "n1",
            ]
        )
    done = Written()
    done.put("site.log", [table(rows)], 0)  # the header is no chatter
    return done


@shape(
    """line: "{at} {station_id} {dir} {type} {id} {action} {payload} took {*}"
in: from
out: to""",
    errors=False,
)
def message_parts_in_text(frames: Sequence[Sent]) -> Written:
    """A line names the kind of message, its id and action, then the payload, then how long it took."""
    lines = []
    for f in frames:
        kind, key = f.frame[0], f.frame[1]
        rest = f"{f.frame[2]} {json.dumps(f.frame[3])}" if kind == 2 else json.dumps(f.frame[2])
        word = {2: "CALL", 3: "CALLRESULT", 4: "CALLERROR"}[kind]
        lines.append(
            f"{f.at.isoformat()} {f.station_id} {'from' if f.dir == 'in' else 'to'} {word} {key} {rest} took 12 ms"
        )
    done = Written()
    done.put("site.log", lines, 0)
    return done


@shape('''file: "unit_{station_id}.log"
line: "{at}:{*}:{dir} {frame}"
written_by: station
time_format: "%Y-%m-%d %H:%M:%S.%f"
timezone: UTC
in: "->"
out: "<-"''')
def stations_own_logs(frames: Sequence[Sent]) -> Written:
    """Each station its own log, named after it; the lines do not say which station."""
    done = Written()
    for station in sorted({f.station_id for f in frames}):
        lines = [
            f"{f.at:%Y-%m-%d %H:%M:%S}.{f.at.microsecond // 1000:03d}:ocppj:{'->' if f.dir == 'in' else '<-'} {f.text}"
            for f in frames
            if f.station_id == station
        ]
        lines = ["boot: firmware ok", *lines]
        done.put(f"unit_{station}.log", lines, 1)
    return done


@shape("""line: "{at}|{station_id}|{frame}"
time_format: ["%Y-%m-%dT%H:%M:%S.%f", "%Y-%m-%dT%H:%M:%S"]
timezone: UTC""")
def no_direction_at_all(frames: Sequence[Sent]) -> Written:
    """Nothing says which way a frame went; whole seconds are written without a fraction."""

    def at(f: Sent) -> str:
        return f.at.strftime("%Y-%m-%dT%H:%M:%S") + (
            f".{f.at.microsecond // 1000:03d}" if f.at.microsecond else ""
        )

    done = Written()
    done.put("site.log", [f"{at(f)}|{f.station_id}|{f.text}" for f in frames], 0)
    return done


@shape("""line: 'time="{at}" level=info {*} station="{station_id}" dir={dir} msg="{frame}"'
in: rx
out: tx""")
def keys_with_a_quoted_frame(frames: Sequence[Sent]) -> Written:
    """Keys and values, the frame a quoted text with its quotes escaped."""
    done = Written()
    lines = [
        f'time="{f.at.isoformat()}" level=info thread=4 station="{f.station_id}" dir={way(f, "rx", "tx")} '
        f"msg={json.dumps(f.text, ensure_ascii=False)}"
        for f in frames
    ]
    done.put("site.log", lines, 0)
    return done


@shape('''line: "{at} ws://{*}/{station_id} {dir} {frame}"
encoding: utf-16
in: "←"
out: "→"''')
def sixteen_bit_text(frames: Sequence[Sent]) -> Written:
    """UTF-16 with its mark, arrows, line ends of two signs."""
    done = Written()
    done.put(
        "site.log",
        [
            f"{f.at.isoformat()} ws://central/{f.station_id} {'←' if f.dir == 'in' else '→'} {f.text}"
            for f in frames
        ],
        0,
        encode=lambda t: t.encode("utf-16"),
        end="\r\n",
    )
    return done


@shape("""line: "{at} {*} {station_id} {dir} {frame}"
in: RECV
out: SEND""")
def coloured_and_packed(frames: Sequence[Sent]) -> Written:
    """A coloured console's output, rotated into a gzip and a zstd file."""
    done = Written()
    lines = [
        f"\x1b[90m{f.at.isoformat()}\x1b[0m \x1b[32mINFO\x1b[0m {f.station_id} "
        f"\x1b[1m{way(f, 'RECV', 'SEND')}\x1b[0m {f.text}"
        for f in frames
    ]
    half = len(lines) // 2
    done.put("site.log.gz", lines[:half], 0, encode=lambda t: gzip.compress(t.encode(), mtime=0))
    done.put(
        "other-site.log.zst",
        lines[half:],
        0,
        encode=lambda t: zstandard.ZstdCompressor().compress(t.encode()),
    )
    return done


def mapping_of(one: Shape) -> str:
    """The mapping file of a shape."""
    body = one.entry if one.entry.startswith("file:") else f'file: "*site.log"\n{one.entry}'
    return "frames:\n  - " + body.replace("\n", "\n    ") + "\n"


def write(one: Shape, frames: Sequence[Sent], folder: Path) -> Written:
    """A delivery's folder with the frames in a shape, and its mapping."""
    folder.mkdir(parents=True, exist_ok=True)
    written = one.render(frames)
    for name, content in written.files.items():
        (folder / name).write_bytes(content)
    (folder / "mapping.yaml").write_text(mapping_of(one), encoding="utf-8")
    return written
