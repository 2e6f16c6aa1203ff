"""Deliveries written line by line, and their accounts checked."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.ingest import IngestReport, ingest_delivery
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import Connection, query


def put(delivery: Path, name: str, content: bytes | str) -> Path:
    """Write a file of a delivery."""
    path = delivery / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def frame(
    *parts: Any,
    at: str = "2026-03-02T10:00:00Z",
    station: str = "ST1",
    way: str = "in",
    version: str = "1.6",
) -> str:
    """One line of a frames file."""
    return json.dumps(
        {"at": at, "station_id": station, "dir": way, "version": version, "frame": list(parts)}
    )


def read(con: Connection, delivery: Path, **settings: Any) -> IngestReport:
    """Ingest, and hold the accounting law on the way.

    Each file, and each rejected line has its row.
    """
    report = ingest_delivery(con, delivery, IngestSettings(**settings))
    assert_accounts(con, report)
    return report


def assert_accounts(con: Connection, report: IngestReport) -> None:
    """`lines = used + rejected + duplicates` for every file, and no rejected line without its row."""
    files = report.files
    assert (files["lines"] == files["used"] + files["rejected"] + files["duplicates"]).all()
    kept = query(
        con,
        "SELECT file_id, file, count(*) AS n, count(DISTINCT line) AS lines FROM raw_rejected GROUP BY ALL",
    )
    counted = files.filter(pl.col("rejected") > 0).join(kept, on=["file_id", "file"], how="left")
    assert (counted["rejected"] == counted["n"]).all()
    assert (kept["n"] == kept["lines"]).all()


def lines_of(path: Path) -> int:
    """Lines of a plain file, counted independently of the pipeline."""
    content = path.read_bytes()
    return content.count(b"\n") + (not content.endswith(b"\n") and bool(content))


def row(report: IngestReport, file: str) -> dict[str, Any]:
    """The account of one file."""
    return report.files.filter(pl.col("file") == file).row(0, named=True)


def reasons(con: Connection, file: str | None = None) -> list[str]:
    """Reasons of rejected lines, in line order."""
    rows = query(con, "SELECT file, line, reject_reason FROM raw_rejected ORDER BY file, line")
    return [r["reject_reason"] for r in rows.to_dicts() if file in (None, r["file"])]
