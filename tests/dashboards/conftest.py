"""What several tests of the pages stand on."""

from __future__ import annotations

from pathlib import Path

import pytest
from invented import invented_week, write_finished_week


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one finished week."""
    folder = tmp_path_factory.mktemp("out")
    write_finished_week(folder, invented_week())
    return folder
