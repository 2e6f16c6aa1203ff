"""run.json tells the same of a file whether the run that read it published or was stopped."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipeline.ingest import ingest_delivery
from pipeline.ingest.file_accounts import file_accounts, tell
from pipeline.settings import Settings
from pipeline.storage.warehouse import writing
from tests.ops import delivery


@pytest.fixture
def delivered(tmp_path: Path) -> Path:
    """A delivery with a file sent twice and a column that is not known."""
    folder = delivery(tmp_path)
    vehicles = folder / "fleet" / "vehicles.csv"
    lines = vehicles.read_text(encoding="utf-8").splitlines()
    vehicles.write_text(
        "\n".join([f"{lines[0]},colour", *(f"{line},white" for line in lines[1:])]) + "\n",
        encoding="utf-8",
    )
    return folder


def _account(store: Path, deliveries: list[Path], *, publish: bool) -> pl.DataFrame:
    with writing(store) as con:
        files = pl.concat([ingest_delivery(con, d, Settings().ingest).files for d in deliveries])
        account = file_accounts(con, files)
        if publish:
            tell(con)
        return account


def test_a_stopped_run_is_told_of_by_the_next(tmp_path: Path, delivered: Path) -> None:
    """Files read by runs that never published have the account of an undisturbed run.

    Once published they are repeats.
    """
    undisturbed = _account(tmp_path / "a.duckdb", [delivered], publish=True)
    assert undisturbed.filter(pl.col("file") == "fleet/vehicles.csv")[
        "unknown_columns"
    ].to_list() == [["colour"]]
    assert undisturbed["used"].sum() > undisturbed["duplicates"].sum() > 0
    for publish in (False, False, True):
        assert _account(tmp_path / "b.duckdb", [delivered], publish=publish).equals(undisturbed)
    after = _account(tmp_path / "b.duckdb", [delivered], publish=True)
    assert after["lines"].equals(undisturbed["lines"])
    assert after["duplicates"].sum() == after["lines"].sum()


def test_two_deliveries_of_one_file(tmp_path: Path, delivered: Path) -> None:
    """A delivery given twice in one run.

    The first has the counts, the second is all repeats, stopped in between or not.
    """
    undisturbed = _account(tmp_path / "a.duckdb", [delivered, delivered], publish=True)
    half = len(undisturbed) // 2
    assert undisturbed[half:]["used"].sum() == 0
    _account(tmp_path / "b.duckdb", [delivered], publish=False)
    assert _account(tmp_path / "b.duckdb", [delivered, delivered], publish=False).equals(
        undisturbed
    )
