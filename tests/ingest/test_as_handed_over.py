"""Deliveries as sites hand them over: hundreds of small files of every kind, packed, dirty, repeated;
read together they give what they give one by one.
"""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from delivered import assert_accounts, lines_of

from pipeline.ingest import IngestReport, ingest_delivery
from pipeline.orchestrate.fingerprint import of_warehouse
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import query, writing
from sample_logs.generator import hand_over, simulate

SAMPLE = Path(__file__).resolve().parents[2] / "sample_logs" / "delivery"
RAW = (
    "raw_frame",
    "raw_sample",
    "raw_event",
    "raw_pilot",
    "raw_charging",
    "raw_session",
    "raw_rejected",
)


def _read(delivery: Path, store: Path, **settings: int) -> tuple[IngestReport, str, dict[str, int]]:
    """The report, the hash of every row of the warehouse, and how many rows its tables have."""
    with writing(store) as con:
        report = ingest_delivery(con, delivery, IngestSettings(**settings))
        assert_accounts(con, report)
        rows = {table: query(con, f"SELECT count(*) FROM {table}").item() for table in RAW}
        return report, of_warehouse(con), rows


@pytest.fixture(scope="module")
def handed_over(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small world with three times the usual dirt, as thousands of files would come; no truth."""
    folder = tmp_path_factory.mktemp("world")
    simulate(folder, 12, 6, 2, 5, dirt=3.0)
    files = hand_over(folder / "delivery", folder / "many", folder / "one", 5)
    assert files == sum(path.is_file() for path in (folder / "many").rglob("*"))
    return folder


@pytest.mark.parametrize("which", ["sample", "dirty world"])
def test_one_by_one_and_together_give_the_same_rows(
    which: str, handed_over: Path, tmp_path: Path
) -> None:
    """Every row of every table, every file's account and every touched span are the same whether
    files are read each by itself or hundreds in one statement.
    """
    delivery = SAMPLE if which == "sample" else handed_over / "many"
    alone, rows_alone, counts = _read(delivery, tmp_path / "alone.duckdb", together_bytes=0)
    assert all(counts[table] for table in RAW if table != "raw_event")
    together, rows, _ = _read(delivery, tmp_path / "together.duckdb")
    assert together.files.equals(alone.files)
    assert together.touched.equals(alone.touched)
    assert rows == rows_alone


def test_many_files_hold_what_one_holds(handed_over: Path, tmp_path: Path) -> None:
    """Frames, readings and pilot rows of many small files are those of one plain file a source, and
    no line of either goes uncounted.
    """
    _, _, many = _read(handed_over / "many", tmp_path / "many.duckdb")
    one, _, whole = _read(handed_over / "one", tmp_path / "one.duckdb")
    for table in (
        "raw_frame",
        "raw_sample",
        "raw_event",
        "raw_pilot",
        "raw_charging",
        "raw_session",
    ):
        assert many[table] == whole[table], table
    counted = dict(one.files.select("file", pl.col("lines")).iter_rows())
    assert counted == {file: lines_of(handed_over / "one" / file) for file in counted}
