"""What a run says in words."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipeline.cli.run_summary import UNSEEN, as_words
from pipeline.orchestrate.run import Result
from pipeline.registry import empty
from pipeline.validate import rules


@pytest.mark.parametrize(("unseen", "said"), [(0, False), (3, True)])
def test_plug_ins_that_only_a_vehicle_reported_are_told(unseen: int, *, said: bool) -> None:
    """They are in no attempt, so the run says how many there were, and where to look.

    None is not told.
    """
    assert UNSEEN in rules()
    caught = (
        empty("out_impossible")
        .clear(unseen + 1)
        .with_columns(rule=pl.Series([UNSEEN] * unseen + ["other"]))
    )
    tables = {name: empty(f"out_{name}") for name in ("vehicles", "evses", "pairings")} | {
        "impossible": caught
    }
    run = {"inputs": [], "unknown_words": [], "turned_away": [], "rejected_reasons": []}
    words = as_words(Result("2026-W14", Path("out") / "2026-W14", tables, run))
    assert (f"Plug-ins that only a vehicle reported: {unseen}." in words) == said
