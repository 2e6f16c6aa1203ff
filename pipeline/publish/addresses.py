"""Names of a week's sub-folders that no file system or address trips over."""

from __future__ import annotations

import hashlib
import re

SHEET = "sheet.pdf"
"""The printable sheet in such a folder."""
_PLAIN_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}")


def pack_folder(unit_id: str) -> str:
    """Name of a vehicle's folder under `referrals/`, or of an EVSE's sheet under `evse_sheets/`.

    Its id; or, where a file system or an address would trip over that, a cleaned form with eight
    hex digits of the id's SHA-256, so that two units never share one.
    """
    if _PLAIN_NAME.fullmatch(unit_id) and not unit_id.endswith("."):
        return unit_id
    cleaned = re.sub(r"[^A-Za-z0-9_-]+", "_", unit_id)[:60].strip("_") or "vehicle"
    return f"{cleaned}-{hashlib.sha256(unit_id.encode('utf-8', 'surrogatepass')).hexdigest()[:8]}"
