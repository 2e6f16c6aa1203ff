"""A written delivery as sites hand it over: thousands of small files, a third of them packed, some
sent twice; and the same lines in one plain file a source, to measure against.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterable
from pathlib import Path

from sample_logs.generator.emit.files import read, write

PACKED_SHARE = 1 / 3
"""Half of it gzip, half Zstandard."""
AGAIN_SHARE = 0.01
PARTS = 10
"""Files that a source's week comes in where it is not by station."""
_STATION = re.compile(rb'"station_id":"([A-Za-z0-9_-]+)"')
_SPLIT = ("pilot", "telematics")


def hand_over(delivery: Path, many: Path, one: Path, seed: int) -> int:
    """Write a delivery again to `many`, frames by station and half week, and to `one`, a plain file
    a source; returns the number of files in `many`.

    Repeats stand in `many` only. A line whose station cannot be read goes with the one before it.
    """
    rng = random.Random(seed)
    files = 0
    for path in sorted(p for p in delivery.rglob("*") if p.is_file()):
        place, content = path.relative_to(delivery), read(path)
        source, stem = place.parts[0], place.name.partition(".")[0]
        if "again" in place.parts:
            continue
        if source == "ocpp":
            _add(one / "ocpp" / "frames.jsonl", content)
            parts = [
                (f"ocpp/{station}/{stem}-{i}.jsonl", part)
                for station, i, part in _stations(content)
            ]
        elif source in _SPLIT and stem != "dtcs":
            header, *rows = _lines(content)
            whole = one / source / f"{source}.csv"
            _add(whole, b"".join(rows if whole.exists() else [header, *rows]))
            step = -(-len(rows) // PARTS)
            parts = [
                (f"{source}/{stem}-{i // step:02d}.csv", b"".join([header, *rows[i : i + step]]))
                for i in range(0, len(rows), step)
            ]
        else:
            write(one / place.with_name(_unpacked(place.name)), content)
            write(many / place.with_name(_unpacked(place.name)), content)
            files += 1
            continue
        files += sum(_send(many, name, part, rng) for name, part in parts)
    return files


def _send(many: Path, name: str, content: bytes, rng: random.Random) -> int:
    """Write one file, packed or not, now and then twice; how many were written."""
    draw = rng.random()
    suffix = ".gz" if draw < PACKED_SHARE / 2 else ".zst" if draw < PACKED_SHARE else ""
    write(many / (name + suffix), content)
    twice = rng.random() < AGAIN_SHARE
    if twice:
        write(many / "again" / (name.replace("/", "-") + suffix), content)
    return 1 + twice


def _stations(content: bytes) -> Iterable[tuple[str, int, bytes]]:
    """Lines by station, each station's in two halves."""
    found: dict[str, list[bytes]] = {}
    station = "none"
    for line in _lines(content):
        match = _STATION.search(line)
        station = match.group(1).decode() if match else station
        found.setdefault(station, []).append(line)
    for name, lines in found.items():
        half = -(-len(lines) // 2)
        for i, part in enumerate((lines[:half], lines[half:])):
            if part:
                yield name, i, b"".join(part)


def _lines(content: bytes) -> list[bytes]:
    return [line + b"\n" for line in content.split(b"\n") if line]


def _add(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("ab") as out:
        out.write(content)


def _unpacked(name: str) -> str:
    return name.removesuffix(".gz").removesuffix(".zst")
