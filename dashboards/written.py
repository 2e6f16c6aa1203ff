"""The pages of a week, written into its folder: what a run calls when the tables stand there."""

from __future__ import annotations

from pathlib import Path

from dashboards.packs import write_evidence_page
from dashboards.pages import write_pages
from dashboards.reader import turned_away_of
from dashboards.snapshots import read_folder
from dashboards.theme import unchecked
from pipeline.publish.addresses import SHEET, pack_folder


def write_week_pages(folder: Path) -> None:
    """Every page of the week in `folder`, from the tables in it and the weeks published beside it.

    Raises StoreError where the folder holds no typed tables.
    """
    data = read_folder(folder, folder.parent)
    with unchecked():
        write_pages(folder, data)
    for vehicle_id, pack in data.evidence.items():
        place = folder / "referrals" / pack_folder(vehicle_id)
        write_evidence_page(place, pack, sheet=SHEET, turned_away=turned_away_of(data))
