"""Lists to begin with: the EVSEs and tokens that logs and exports name, to be filled in."""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from pipeline.core.errors import DeliveryError
from pipeline.doorway.kinds import headers
from pipeline.ingest import ingest_delivery
from pipeline.orchestrate.passing_store import passing_store
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import query

_SEEN_EVSES = """
    SELECT station_id || '-' || connector_id AS evse_id, station_id, connector_id,
        any_value(station_model) AS evse_model, any_value(firmware) AS firmware
    FROM (SELECT f.station_id, f.connector_id, m.station_model, m.firmware FROM raw_frame f
          LEFT JOIN (SELECT station_id, arg_max(station_model, receiver_at_utc) FILTER (station_model IS NOT NULL) AS station_model,
                         arg_max(firmware, receiver_at_utc) FILTER (firmware IS NOT NULL) AS firmware
                     FROM raw_frame GROUP BY 1) m USING (station_id)
          UNION ALL SELECT station_id, connector_id, NULL, NULL FROM raw_pilot)
    WHERE connector_id > 0 GROUP BY ALL
    UNION ALL
    SELECT DISTINCT evse_id, NULL, NULL, NULL, NULL FROM raw_session
    ORDER BY 1
"""
_SEEN_TOKENS = """
    SELECT id_token, min(at_utc) AS first_utc FROM (
        SELECT id_token, receiver_at_utc AS at_utc FROM raw_frame UNION ALL SELECT id_token, plugged_at_utc FROM raw_session)
    WHERE coalesce(id_token, '') <> '' GROUP BY 1 ORDER BY 1
"""


def skeletons(deliveries: Sequence[Path], folder: Path, settings: IngestSettings) -> list[Path]:
    """Lists of the EVSEs and tokens that logs and exports name, as CSV to fill in; what is there already is not overwritten.

    Raises DeliveryError where a list would be overwritten, or nothing is seen.
    """
    with passing_store() as con:
        for delivery in deliveries:
            if delivery.is_file():
                with TemporaryDirectory(prefix="whichside-") as place:
                    shutil.copy(delivery, place)
                    for beside in delivery.parent.glob("*.y*ml"):
                        shutil.copy(beside, place)
                    ingest_delivery(con, Path(place), settings)
            else:
                ingest_delivery(con, delivery, settings)
        evses, tokens = query(con, _SEEN_EVSES), query(con, _SEEN_TOKENS)
    if evses.is_empty() and tokens.is_empty():
        raise DeliveryError(
            "no EVSE and no token is seen",
            next_step="put the mapping that `whichside preview` proposes for a log beside it",
        )
    made = {
        "evses.csv": _csv("evses", evses.to_dicts()),
        "tokens.csv": _csv("tokens", [{"id_token": row["id_token"]} for row in tokens.to_dicts()]),
        "vehicles.csv": _csv("vehicles", []),
    }
    there = [folder / name for name in made if (folder / name).exists()]
    if there:
        raise DeliveryError(
            "a list is there already",
            where=str(there[0]),
            next_step="name another folder with --dir",
        )
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in made.items():
        (folder / name).write_text(text, encoding="utf-8")
    return [folder / name for name in made]


def _csv(kind: str, rows: Sequence[dict[str, Any]]) -> str:
    """A list of a kind with what is known of each row; the rest is blank, to be filled in."""
    names = [c.name for c in headers()[kind].columns]
    file = io.StringIO()
    writer = csv.DictWriter(file, names, restval="", extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows([{k: v for k, v in row.items() if v is not None} for row in rows])
    return file.getvalue()
