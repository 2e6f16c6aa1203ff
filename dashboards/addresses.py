"""Where a unit's pages and files are."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from urllib.parse import quote

from pipeline.publish.addresses import pack_folder

PACK_PAGE = "index.html"


@dataclass(frozen=True)
class UnitLinks:
    """What comes before a unit's id in the address of its page; None where the reader has none."""

    vehicle: str | None = "vehicle.html#"
    evse: str | None = "evse.html#"

    def of(self, kind: str, unit_id: str | None) -> str | None:
        """Address of a unit's page."""
        prefix = self.vehicle if kind == "vehicle" else self.evse
        if prefix is None or unit_id is None:
            return None
        return prefix + quote(unit_id, safe="")


def pack_links(vehicles: Iterable[str]) -> dict[str, str]:
    """Address of each vehicle's evidence page, from the week's folder."""
    return {vehicle: f"referrals/{pack_folder(vehicle)}/{PACK_PAGE}" for vehicle in vehicles}
