"""A case book of session exports: the same sessions written as other systems write them, each with the entry that reads it.

All shapes are invented here; what varies is what varies in exports seen in the open.
"""

from __future__ import annotations

# ruff: noqa: E501  # a table of shapes: one line each
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

OSLO = "Europe/Oslo"


@dataclass(frozen=True)
class Charged:
    """One session: what every shape must say."""

    evse_id: str
    id_token: str
    plugged: datetime
    unplugged: datetime
    energy_wh: int
    reason: str  # OCPP 1.6 stop reason
    fault: str | None  # canonical fault code


@dataclass(frozen=True)
class Export:
    """A shape: the text and its encoding, the entry that reads it, and rejected lines by a part of their reason."""

    name: str
    render: Callable[[Sequence[Charged]], str]
    entry: str
    encoding: str = "utf-8"
    rejected: tuple[tuple[int, str], ...] = ()
    """(line counted from the end, 1 the last; part of its reason)"""
    step_s: int = 1


WORDS = {"Local": "done", "EVDisconnected": "pulled out", "PowerLoss": "supply gone"}
FAULTS = {"GroundFailure": "earth leak", None: ""}
MAPPED = """end_reason: {done: Local, "pulled out": EVDisconnected, "supply gone": PowerLoss}
    fault: {"earth leak": GroundFailure}"""


def at(t: datetime, form: str, zone: str = OSLO) -> str:
    """A time in a zone."""
    return t.astimezone(ZoneInfo(zone)).strftime(form)


def lines(header: str, rows: Sequence[str], *after: str, end: str = "\n") -> str:
    """A file's text."""
    return end.join([header, *rows, *after]) + end


def _iso(sessions: Sequence[Charged]) -> str:
    return lines(
        "Bay,Card,From,Until,kWh,Ended,Trouble",
        [f"{s.evse_id},{s.id_token},{s.plugged.isoformat()},{s.unplugged.isoformat()},{s.energy_wh / 1000},{WORDS[s.reason]},{FAULTS[s.fault]}" for s in sessions],
    )  # fmt: skip


def _dialect(sessions: Sequence[Charged]) -> str:
    return lines(
        "Plass;Kort;Start;Slutt;Mengde;Årsak;Feil",
        [f"{s.evse_id};{s.id_token};{at(s.plugged, '%d.%m.%Y %H:%M:%S')};{at(s.unplugged, '%d.%m.%Y %H:%M:%S')};{str(s.energy_wh / 1000).replace('.', ',')};{WORDS[s.reason]};{FAULTS[s.fault]}" for s in sessions],
        end="\r\n",
    )  # fmt: skip


def _joined(sessions: Sequence[Charged]) -> str:
    made = []
    for s in sessions:
        station, plug = s.evse_id.rsplit("-", 1)
        made.append(
            f"{station},{plug},{s.id_token},{at(s.plugged, '%Y-%m-%d')},{at(s.plugged, '%H:%M:%S')},{at(s.unplugged, '%Y-%m-%d')},{at(s.unplugged, '%H:%M:%S')},{s.energy_wh},{WORDS[s.reason]},{FAULTS[s.fault]}"
        )
    return lines("Station,Plug,Card,Day,From,End day,Until,Wh,Ended,Trouble", made)


def _duration_clock(sessions: Sequence[Charged]) -> str:
    made = []
    for s in sessions:
        whole = int((s.unplugged - s.plugged).total_seconds())
        span = f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"
        made.append(
            f"{s.evse_id}|{s.id_token}|{at(s.plugged, '%m/%d/%Y %I:%M:%S %p')}|{span}|{s.energy_wh / 1000}|{WORDS[s.reason]}|{FAULTS[s.fault]}"
        )
    return lines("EVSE|Tag|Begin|Lasted|kWh|Why|Error", made)


def _duration_minutes(sessions: Sequence[Charged]) -> str:
    return lines(
        "EVSE,Tag,Begin,Minutes,kWh,Why,Error",
        [f"{s.evse_id},{s.id_token},{s.plugged.timestamp():.0f},{(s.unplugged - s.plugged).total_seconds() / 60!r},{s.energy_wh / 1000},{WORDS[s.reason]},{FAULTS[s.fault]}" for s in sessions],
    )  # fmt: skip


def _offset(sessions: Sequence[Charged]) -> str:
    return lines(
        "EVSE,Tag,Begin,End,Wh,Why,Error",
        [f"{s.evse_id},{s.id_token},{at(s.plugged, '%d/%b/%Y %H:%M:%S %z')},{at(s.unplugged, '%d/%b/%Y %H:%M:%S %z')},{s.energy_wh},{WORDS[s.reason]},{FAULTS[s.fault]}" for s in sessions],
    )  # fmt: skip


def _preamble_and_totals(sessions: Sequence[Charged]) -> str:
    return (
        "Report of sessions\nMade by the yard's office,page 1\n\n"
        + _iso(sessions)
        + f"Total,,,,{sum(s.energy_wh for s in sessions) / 1000},,\n"
    )


def _blank_words(sessions: Sequence[Charged]) -> str:
    return lines(
        "Bay,Card,From,Until,kWh,Ended,Trouble",
        [f"{s.evse_id},{s.id_token},{s.plugged.isoformat()},{s.unplugged.isoformat()},{s.energy_wh / 1000},{WORDS[s.reason]},{FAULTS[s.fault] or 'n/a'}" for s in sessions],
        "B-9,-,2026-03-01T00:00:00Z,n/a,-,n/a,-",
    )  # fmt: skip


def _mixed_formats(sessions: Sequence[Charged]) -> str:
    forms = ("%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M:%S")
    return lines(
        "Bay,Card,From,Until,kWh,Ended,Trouble",
        [f"{s.evse_id},{s.id_token},{at(s.plugged, forms[i % 2])},{at(s.unplugged, forms[i % 2])},{s.energy_wh / 1000},{WORDS[s.reason]},{FAULTS[s.fault]}" for i, s in enumerate(sessions)],
    )  # fmt: skip


def _proven(sessions: Sequence[Charged]) -> str:
    return lines(
        "Bay,Card,From,Until,kWh,Ended,Trouble",
        [f"{s.evse_id},{s.id_token},{at(s.plugged, '%d/%m/%Y %H:%M:%S')},{at(s.unplugged, '%d/%m/%Y %H:%M:%S')},{s.energy_wh / 1000},{WORDS[s.reason]},{FAULTS[s.fault]}" for s in sessions],
    )  # fmt: skip


def _quoted(sessions: Sequence[Charged]) -> str:
    return lines(
        '"Bay","Card","From","Until","Wh","Ended","Trouble","Note"',
        [f'"{s.evse_id}","{s.id_token}","{s.plugged.isoformat()}","{s.unplugged.isoformat()}","{s.energy_wh:,}","{WORDS[s.reason]}","{FAULTS[s.fault]}","two\nlines, and ""quotes"""' for s in sessions],
    )  # fmt: skip


def _milliseconds(sessions: Sequence[Charged]) -> str:
    return lines(
        "Id\tBay\tCard\tStart ms\tEnd ms\tWh\tEnded\tTrouble",
        [f"{i}\t{s.evse_id}\t{s.id_token}\t{round(s.plugged.timestamp() * 1000)}\t{round(s.unplugged.timestamp() * 1000)}\t{s.energy_wh}\t{WORDS[s.reason]}\t{FAULTS[s.fault]}" for i, s in enumerate(sessions)],
    )  # fmt: skip


def _one_day(sessions: Sequence[Charged]) -> str:
    return lines(
        "Bay,Card,Day,From,Until,Wh,Ended,Trouble",
        [f"{s.evse_id},{s.id_token},{at(s.plugged, '%d-%m-%y')},{at(s.plugged, '%H:%M:%S')},{at(s.unplugged, '%H:%M:%S')},{s.energy_wh},{WORDS[s.reason]},{FAULTS[s.fault]}" for s in sessions],
    )  # fmt: skip


_PLAIN = "columns: {evse_id: Bay, id_token: Card, plugged_at: From, unplugged_at: Until, energy_kwh: kWh, end_reason: Ended, fault: Trouble}"
_SHORT = (
    "id_token: Tag, plugged_at: Begin, {end}, energy_kwh: {energy}, end_reason: Why, fault: Error"
)


def _short(end: str, energy: str) -> str:
    return "columns: {evse_id: EVSE, " + _SHORT.format(end=end, energy=energy) + "}"


EXPORTS = [
    Export("plain", _iso, f"{_PLAIN}\n    timezone: {OSLO}\n    {MAPPED}"),
    Export("semicolons, decimal commas, an old encoding", _dialect, f'delimiter: ";"\n    decimal: ","\n    encoding: cp1252\n    columns: {{evse_id: Plass, id_token: Kort, plugged_at: Start, unplugged_at: Slutt, energy_kwh: Mengde, end_reason: Årsak, fault: Feil}}\n    time_format: "%d.%m.%Y %H:%M:%S"\n    timezone: {OSLO}\n    {MAPPED}', "cp1252"),
    Export("columns joined with words", _joined, f'columns: {{evse_id: [Station, "-", Plug], id_token: Card, plugged_at: [Day, " ", From], unplugged_at: ["End day", " ", Until], energy_kwh: Wh, end_reason: Ended, fault: Trouble}}\n    time_format: "%Y-%m-%d %H:%M:%S"\n    timezone: {OSLO}\n    energy_unit: Wh\n    {MAPPED}'),
    Export("a duration as a clock", _duration_clock, f'delimiter: "|"\n    {_short("duration: Lasted", "kWh")}\n    duration_unit: "%H:%M:%S"\n    time_format: "%m/%d/%Y %I:%M:%S %p"\n    timezone: {OSLO}\n    {MAPPED}'),
    Export("a duration in minutes, seconds since 1970", _duration_minutes, f'{_short("duration: Minutes", "kWh")}\n    duration_unit: min\n    time_format: epoch_s\n    {MAPPED}'),
    Export("an offset in the format", _offset, f'{_short("unplugged_at: End", "Wh")}\n    time_format: "%d/%b/%Y %H:%M:%S %z"\n    energy_unit: Wh\n    {MAPPED}'),
    Export("lines before the header, a total after", _preamble_and_totals, f"skip_until_header: true\n    {_PLAIN}\n    timezone: {OSLO}\n    {MAPPED}", rejected=((27, "empty line"), (1, "the plug-in time is blank"))),
    Export("words that mean nothing is known", _blank_words, f'{_PLAIN}\n    timezone: {OSLO}\n    blank: ["-", "n/a"]\n    {MAPPED}'),
    Export("two formats by turns", _mixed_formats, f'{_PLAIN}\n    time_format: ["%d.%m.%Y %H:%M:%S", "%Y-%m-%d %H:%M:%S"]\n    timezone: {OSLO}\n    {MAPPED}'),
    Export("two formats, the file tells which", _proven, f'{_PLAIN}\n    time_format: ["%m/%d/%Y %H:%M:%S", "%d/%m/%Y %H:%M:%S"]\n    timezone: {OSLO}\n    {MAPPED}'),
    Export("quotes, line ends inside, thousands", _quoted, f"columns: {{evse_id: Bay, id_token: Card, plugged_at: From, unplugged_at: Until, energy_kwh: Wh, end_reason: Ended, fault: Trouble}}\n    timezone: {OSLO}\n    energy_unit: Wh\n    {MAPPED}"),
    Export("tabs, milliseconds, an id, UTF-16", _milliseconds, f'delimiter: "\\t"\n    encoding: utf-16\n    columns: {{session_id: Id, evse_id: Bay, id_token: Card, plugged_at: Start ms, unplugged_at: End ms, energy_kwh: Wh, end_reason: Ended, fault: Trouble}}\n    time_format: epoch_ms\n    energy_unit: Wh\n    {MAPPED}', "utf-16"),
    Export("one day column, over midnight", _one_day, f'columns: {{evse_id: Bay, id_token: Card, plugged_at: [Day, " ", From], unplugged_at: [Day, " ", Until], energy_kwh: Wh, end_reason: Ended, fault: Trouble}}\n    time_format: "%d-%m-%y %H:%M:%S"\n    timezone: {OSLO}\n    energy_unit: Wh\n    {MAPPED}'),
]  # fmt: skip


def sessions(start: datetime) -> list[Charged]:
    """Sessions of some days, one over midnight, on days that are dates either way and on days that are not."""
    made = []
    for i in range(24):
        begin = start + timedelta(hours=11 * i, minutes=7 * i)
        reason, fault = [("Local", None), ("EVDisconnected", "GroundFailure"), ("PowerLoss", None)][
            i % 3
        ]
        made.append(
            Charged(
                f"B-{i % 3}",
                f"T{i % 5}",
                begin,
                begin + timedelta(minutes=35 + 11 * i),
                1000 + 731 * i,
                reason,
                fault,
            )
        )
    return made
