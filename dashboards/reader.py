"""Who reads a page, and what that changes: the language, where links lead, what may be reached."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from dashboards.addresses import UnitLinks
from dashboards.language import Language
from dashboards.page_data import PageData

Links = Mapping[str, str]
"""Unit → address."""
SCRIPT_WORDS = (
    "call", "outcome", "stage", "part", "mark", "finding", "decision", "connector", "inlet", "unit", "frame", "list",
    "kind", "proof",
)  # fmt: skip


@dataclass(frozen=True)
class Reader:
    """How the links of a page lead and what it says.

    `packs`, `sheets`: addresses of vehicles' evidence pages and EVSEs' printed sheets. `reviews`,
    `works`: where a server takes decisions and findings on a vehicle, work on an EVSE. `weeks`:
    week → what comes before a page's name in its address, newest first. `index`: where the list of
    all units is.
    """

    t: Language = field(default_factory=Language)
    units: UnitLinks = field(default_factory=UnitLinks)
    packs: Links = field(default_factory=dict)
    sheets: Links = field(default_factory=dict)
    reviews: Links = field(default_factory=dict)
    works: Links = field(default_factory=dict)
    benches: Links = field(default_factory=dict)
    weeks: Links = field(default_factory=dict)
    index: str = "assets/index.js"

    def unit_in_week(self, kind: str, week: str) -> str:
        """What comes before a unit's id in the address of its page in another week."""
        served = self.index.startswith("/")
        return f"{self.weeks[week]}{kind}{'?id=' if served else '.html#'}"

    def frame(self, data: PageData | None, assets: str, shard: int) -> dict[str, Any]:
        """What the pages' script needs besides a page's own data."""
        zones = {} if data is None else dict(data.about_evses.select("evse_id", "timezone").rows())
        counts: dict[str, int] = {}
        for zone in zones.values():
            counts[zone] = counts.get(zone, 0) + 1
        usual = max(sorted(counts), key=counts.__getitem__, default="UTC")
        return {
            "language": self.t.code,
            "words": self.t.group(*SCRIPT_WORDS),
            "links": {"vehicle": self.units.vehicle, "evse": self.units.evse},
            "index": self.index,
            "assets": assets,
            "shard": shard,
            "zone": usual,
            "zones": {evse: zone for evse, zone in zones.items() if zone != usual},
        }


def settings_of(data: PageData, group: str) -> Mapping[str, Any]:
    """A group of the settings as the run recorded them; empty where it did not."""
    return (data.run.get("settings") or {}).get(group) or {}


def turned_away_of(data: PageData) -> list[Mapping[str, Any]]:
    """The files and mapping entries that the week does not rest on, as the run recorded them."""
    return list(data.run.get("turned_away") or ())
