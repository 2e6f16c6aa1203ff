"""What the keys of a mapping and of the frames' envelope mean, for `explain`."""

from __future__ import annotations

# one key, one meaning, one line
from pipeline.doorway.entries import Entry
from pipeline.doorway.export_entry import COLUMNS, Export
from pipeline.doorway.frames_entry import TYPE_WORDS, FramesEntry
from pipeline.doorway.pattern import PARTS

# key of an entry → what it says
KEYS = {
    "file": "A glob of file names, seen from the mapping file's folder; the first entry that fits a name reads the file. {station_id} in "
    "it gives the station of its own log",
    "line": f"How a line stands: words, blanks (any run of them) and parts {', '.join('{' + p + '}' for p in PARTS)}; {{*}} is anything, "
    "{frame} the JSON array; {type} {id} {action} {payload} may stand for it; words may follow; {{ and }} are braces that are meant",
    "more": "How a line stands on which a frame goes on; absent: raw lines until the JSON closes",
    "json": "Parts by dotted path in a JSON object (one a line, or printed over several, or an array of them)",
    "cells": "Parts by column of a table of messages; request and response where one row holds both",
    "time_format": "strptime formats tried in order, epoch_s, epoch_ms, or payload (alone or last); absent: ISO 8601",
    "timezone": "IANA zone of times without an offset; absent: the site's, as evses.csv has it",
    "in": "Words of {dir} for a frame from the station; neither in nor out given: told by the action, and by the call it answers",
    "out": "Words of {dir} for a frame to the station",
    "version": "1.6, 2.0.1 or from_frame (the frame tells)",
    "written_by": "central, or station: then the times are the station's clock",
    "type": "Words of {type}: call, result, error; absent: " + "; ".join(f"{k}: {', '.join(w[:4])} …" for k, w in TYPE_WORDS.items()),
    "delimiter": "What parts the cells of a table",
    "encoding": "utf-8, utf-16, cp1252 and the like",
    "skip_until_header": "true where other lines stand before the header",
    "columns": f"Which column is which of ours ({', '.join(COLUMNS)}); a list joins columns and words",
    "decimal": "The decimal sign",
    "energy_unit": "Wh or kWh",
    "duration_unit": "s, min, h, '%H:%M:%S', '%H:%M' or '%M:%S': how duration, which stands for unplugged_at, is written",
    "blank": "Words that mean nothing is known",
    "end_reason": "Its words → OCPP 1.6 stop reasons",
    "fault": "Its words → canonical fault codes (`whichside explain fault`); NoError where a word means none",
}  # fmt: skip
ENVELOPE = {
    "at": "Receiver's clock: ISO 8601, or seconds or milliseconds since 1970; without an offset it is in the site's zone",
    "station_id": "The station",
    "dir": "in (from the station) or out (to it)",
    "version": "1.6 or 2.0.1, written also as ocpp1.6, 1.6J and so on; absent: the frame tells",
    "frame": "The OCPP-J array as it was on the wire, or a JSON text of it: CALL, CALLRESULT or CALLERROR",
}


def keys_of(kind: type[Entry]) -> list[str]:
    """Keys of an entry, as they are written."""
    return [info.alias or name for name, info in kind.model_fields.items() if name != "at_line"]


def explained(name: str) -> str | None:
    """What `input_frames` or `input_mapping` are; None for any other name."""
    if name in {"input_frames", "frames"}:
        rows = [f"  {key:<12} {meaning}" for key, meaning in ENVELOPE.items()]
        return (
            "input_frames: one line is one OCPP-J frame in a JSON envelope\n"
            + "\n".join(rows)
            + "\n"
            "Source:  A delivery's contract (decided here); a log of another shape is read by a mapping: `whichside explain input_mapping`"
        )
    if name in {"input_mapping", "mapping"}:
        parts = []
        for section, kind in (("frames", FramesEntry), ("exports", Export)):
            rows = [f"    {key:<18} {KEYS[key]}" for key in keys_of(kind)]
            parts.append(
                f"  {section}: a list of entries, each with these keys\n" + "\n".join(rows)
            )
        begin = "input_mapping: a YAML file, anywhere in a delivery, that says how to read files that are not written our way\n"
        return (
            begin
            + "\n".join(parts)
            + "\nSource:  A delivery's contract (decided here); `whichside preview FILE` writes one for a file"
        )
    return None
