"""Where a referral's files are: names that no file system or address trips over."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable

PACK_PAGE = "index.html"
_PLAIN_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}")


def pack_folder(vehicle_id: str) -> str:
    """Name of a vehicle's folder under `referrals/`.

    Its id; or, where a file system or an address would trip over that, a cleaned form with eight
    hex digits of the id's SHA-256, so that two vehicles never share one.
    """
    if _PLAIN_NAME.fullmatch(vehicle_id) and not vehicle_id.endswith("."):
        return vehicle_id
    cleaned = re.sub(r"[^A-Za-z0-9_-]+", "_", vehicle_id)[:60].strip("_") or "vehicle"
    return (
        f"{cleaned}-{hashlib.sha256(vehicle_id.encode('utf-8', 'surrogatepass')).hexdigest()[:8]}"
    )


def pack_links(vehicles: Iterable[str], prefix: str = "") -> dict[str, str]:
    """Address of each vehicle's evidence page, from the week's folder or behind a prefix."""
    return {
        vehicle: f"{prefix}referrals/{pack_folder(vehicle)}/{PACK_PAGE}" for vehicle in vehicles
    }
