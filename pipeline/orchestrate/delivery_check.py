"""Whether a delivery is good, before anything of it is kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.core.errors import DeliveryError
from pipeline.ingest import ingest_delivery
from pipeline.ingest.turned_away import check_lists, in_words, rejected_reasons, turned_away
from pipeline.orchestrate.passing_store import passing_store
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import append, query, reading


@dataclass(frozen=True)
class Checked:
    """What a delivery would come to: accounts, what is turned away, reasons of rejected lines, and the missing list, if any."""

    inputs: list[dict[str, Any]]
    away: list[dict[str, Any]]
    reasons: list[dict[str, Any]]
    unlisted: list[str]
    no_list: DeliveryError | None


def check(deliveries: Sequence[Path], store: Path | None, settings: IngestSettings) -> Checked:
    """Read deliveries as a run would, into a store that is gone afterwards; the lists of the warehouse count as at hand."""
    with passing_store(store) as con:
        inputs = [
            row
            for delivery in deliveries
            for row in ingest_delivery(con, delivery, settings)
            .files.rename({"file_id": "sha256"})
            .to_dicts()
        ]
        if store is not None and store.is_file():
            with reading(store) as earlier:
                for table in ("raw_vehicle", "raw_token", "raw_evse"):
                    append(con, table, query(earlier, f"SELECT * FROM {table}"))
        unlisted = query(
            con,
            "SELECT DISTINCT station_id FROM raw_frame WHERE station_id NOT IN (SELECT station_id FROM raw_evse) ORDER BY 1",
        ).to_series().to_list()  # fmt: skip
        no_list = None
        try:
            check_lists(con, inputs)
        except DeliveryError as error:
            no_list = error
        return Checked(
            inputs, turned_away(inputs), rejected_reasons(con, inputs), unlisted, no_list
        )


def check_words(one: Checked) -> str:
    """What a check found, for the screen."""
    total = {
        k: sum(row[k] or 0 for row in one.inputs)
        for k in ("lines", "used", "rejected", "duplicates", "chatter")
    }
    counted = (
        f"{len(one.inputs)} files, {total['lines']:,} lines: {total['used']:,} used ({total['chatter']:,} without a frame), "
        f"{total['rejected']:,} rejected, {total['duplicates']:,} repeated. Nothing was kept."
    )
    words = [counted]
    if one.away:
        words.append(
            f"NOT USED: {len(one.away)} of the files and mapping entries:\n{in_words(one.away)}"
        )
    if one.reasons:
        listed = "\n".join(
            f"  {r['file']}: {r['lines']:,} × {r['reason']} (first: line {r['first_line']})"
            for r in one.reasons
        )
        words.append(f"Lines rejected, by file and reason:\n{listed}")
    if one.unlisted:
        shown = ", ".join(one.unlisted[:12]) + (
            f" and {len(one.unlisted) - 12} more" if len(one.unlisted) > 12 else ""
        )
        words.append(
            f"Stations in the logs that no list of EVSEs names: {shown}. `whichside skeletons` writes a list to fill in."
        )
    return "\n\n".join(words)
