"""The kinds of file a delivery holds, and which of them a CSV header is."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from pipeline.registry import Column, registry

# kind → the table its rows go to; its header is declared as input_<kind>
TABLES = {
    "vehicles": "raw_vehicle",
    "tokens": "raw_token",
    "evses": "raw_evse",
    "pilot": "raw_pilot",
    "charging": "raw_charging",
    "dtcs": "raw_dtc",
    "findings": "raw_finding",
    "readings": "raw_reading",
    "traces": "raw_trace",
    "changes": "raw_change",
    "work": "raw_work",
}
# Kinds are read in this order: zones and mappings come before what needs them.
LISTS = ("evses", "vehicles", "tokens")
READ_ORDER = (
    "mapping",
    *LISTS,
    "frames",
    *(kind for kind in TABLES if kind not in LISTS),
    "sessions",
    "trace",
    "unrecognised",
)


@dataclass(frozen=True)
class Header:
    """A kind's header: columns that must stand there and columns that may."""

    kind: str
    columns: tuple[Column, ...]

    @property
    def required(self) -> set[str]:
        """Names that must be there."""
        return {c.name for c in self.columns if not c.nullable}

    @property
    def known(self) -> set[str]:
        """Names that are read."""
        return {c.name for c in self.columns}


@cache
def headers() -> dict[str, Header]:
    """Header of each kind of CSV."""
    return {kind: Header(kind, registry().table(f"input_{kind}").columns) for kind in TABLES}


@dataclass(frozen=True)
class Guess:
    """What a header was taken for; `missing` names required columns that are not there."""

    kind: str
    missing: tuple[str, ...]


def guess(found: list[str]) -> Guess | None:
    """The kind whose header this is, else the nearest one at least half of whose required columns
    are there, else None.
    """
    names = set(found)

    def nearness(header: Header) -> tuple[bool, float, int]:
        here = len(header.required & names)
        return here == len(header.required), here / len(header.required), len(header.known & names)

    best = max(headers().values(), key=nearness)
    whole, share, _ = nearness(best)
    if not whole and share < 0.5:
        return None
    return Guess(
        best.kind, tuple(c.name for c in best.columns if not c.nullable and c.name not in names)
    )
