"""The readings of a case: given on the command line, kept with the decisions, brought by deliveries."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.cli import base

if TYPE_CHECKING:
    from pipeline.refer.bench import Reading
    from pipeline.storage.decisions.bench_store import BenchStore


def _split(text: str) -> tuple[str, str | None, str]:
    """KIND[@STATE]=VALUE."""
    name, equals, value = text.partition("=")
    if not equals:
        raise click.BadParameter(f"{text!r} is not KIND=VALUE")
    kind, _, state = name.strip().partition("@")
    return kind, state or None, value.strip()


def answers(given: dict[str, Any], at: datetime) -> list[Reading]:
    """What `--answer` tells."""
    from pipeline.refer.bench import parse_reading

    return [parse_reading(kind, value, at=at) for kind, _, value in map(_split, given["answers"])]


def figures(given: dict[str, Any], at: datetime) -> list[Reading]:
    """What `--reading` tells, with its instrument and note."""
    from pipeline.refer.bench import parse_reading

    about = {"instrument": given["instrument"], "note": given["note"], "at": at}
    return [
        parse_reading(kind, value, state=state, **about)
        for kind, state, value in map(_split, given["readings"])
    ]


def traces(given: dict[str, Any], at: datetime) -> list[Reading]:
    """The levels of the traces that `--trace` names."""
    made: list[Reading] = []
    for named in given["traces"]:
        name, _, state = named.rpartition("@") if "@" in named else (named, "", "")
        text = Path(name).read_text(encoding="utf-8", errors="replace")
        made += _of_trace(text, where=name, name=Path(name).name, state=state or None, at=at)
    return made


def _of_trace(
    text: str, *, where: str, name: str, state: str | None, at: datetime
) -> list[Reading]:
    from pipeline.refer.bench.trace import trace_readings

    found, said = trace_readings(text, where=where, state=state)
    base.say(said, err=True)
    return [replace(r, at=at, instrument="oscilloscope", note=f"from {name}") for r in found]


def keep(
    store: BenchStore, vehicle: str, new: list[Reading], inlets: tuple[str, ...], by: str
) -> None:
    """Keep readings with the decisions."""
    from pipeline.refer.bench.case import row_of_reading

    for reading in new:
        row = row_of_reading(vehicle, replace(reading, coupler=";".join(inlets)))
        store.keep_reading(row, by)


def kept(store: BenchStore, vehicle: str) -> tuple[list[int | None], list[Reading]]:
    """Numbers and readings that stand kept of a vehicle."""
    from pipeline.refer.bench.case import reading_of_row

    standing = [e for e in store.entries("decision_reading", vehicle) if e.withdrawn_by is None]
    return [e.number for e in standing], [reading_of_row(e.row) for e in standing]


_READINGS = "SELECT * FROM raw_reading WHERE vehicle_id = $vehicle ORDER BY at_utc, line"
_TRACES = (
    "SELECT t.at_utc, t.trace_file, t.pilot_state, f.trace_text FROM raw_trace t JOIN raw_trace_file f "
    "ON f.file = t.trace_file OR f.file LIKE '%/' || t.trace_file WHERE t.vehicle_id = $vehicle ORDER BY t.at_utc"
)


def delivered(warehouse: Path | None, vehicle: str) -> list[Reading]:
    """Readings and traces of the vehicle that deliveries brought, in order of time."""
    if warehouse is None or not warehouse.exists():
        return []
    from pipeline.core.errors import WhichsideError
    from pipeline.refer.bench.case import reading_of_row
    from pipeline.storage.warehouse import query, reading

    with reading(warehouse) as con:
        rows = query(con, _READINGS, {"vehicle": vehicle}).to_dicts()
        traced = query(con, _TRACES, {"vehicle": vehicle}).to_dicts()
    made: list[Reading] = []
    for row in rows:
        try:
            made.append(reading_of_row(row))
        except WhichsideError as error:
            base.say(f"left out, line {row['line']} of a delivery: {error.what}", err=True)
    for row in traced:
        file = row["trace_file"]
        made += _of_trace(
            row["trace_text"], where=file, name=file, state=row["pilot_state"], at=row["at_utc"]
        )
    return sorted(made, key=lambda r: r.at or datetime.now(UTC))
