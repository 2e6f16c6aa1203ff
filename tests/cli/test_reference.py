"""The reference in docs is what the declarations say today."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.cli.reference import pages

FOLDER = Path(__file__).resolve().parents[2] / "docs" / "reference"


@pytest.mark.parametrize("name", sorted(pages()))
def test_the_reference_is_current(name: str) -> None:
    """Writing the page again changes nothing (else: `python -m pipeline.cli.reference
    docs/reference`).
    """
    assert (FOLDER / name).read_text(encoding="utf-8") == pages()[name]
