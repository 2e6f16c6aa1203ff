"""Compiled loops."""

from __future__ import annotations

import numpy as np

from pipeline.core.compiled import compiled


def test_loops_are_compiled_where_no_folder_can_keep_them() -> None:
    """Of source that lies in no file nothing can be kept: the function is compiled all the same, and says what the loops say."""
    place: dict[str, object] = {}
    source = "def total(of):\n    whole = 0.0\n    for one in of:\n        whole += one\n    return whole\n"
    exec(source, place)  # noqa: S102
    total = compiled(place["total"])  # type: ignore[arg-type]
    assert total(np.arange(5.0)) == 10.0
    assert total.signatures  # type: ignore[attr-defined]
