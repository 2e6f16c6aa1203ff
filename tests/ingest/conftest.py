"""An empty warehouse and an empty delivery."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.storage.warehouse import Connection, writing


@pytest.fixture
def con(tmp_path: Path) -> Iterator[Connection]:
    """An empty warehouse."""
    with writing(tmp_path / "store" / "w.duckdb") as connection:
        yield connection


@pytest.fixture
def delivery(tmp_path: Path) -> Path:
    """An empty delivery folder."""
    folder = tmp_path / "delivery"
    folder.mkdir()
    return folder
