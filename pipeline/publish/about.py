"""What a unit's page shows beside the week's calls.

Lists, changes, decisions, the parts of EVSEs: out_ frames from core tables and decisions.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.weeks import LookBack
from pipeline.registry import conform, empty
from pipeline.storage.decisions import DecisionFrames


def firmware_marks(firmware: pl.DataFrame, equipment: pl.DataFrame) -> pl.DataFrame:
    """out_marks: a station's firmware became another one; its first is no change.

    `firmware`: core_firmware; `equipment`: core_evse.
    """
    before = pl.col("firmware").shift().over("station_id")
    changed = firmware.sort("station_id", "valid_from_utc").filter(
        before.is_not_null() & (before != pl.col("firmware"))
    )
    at_evses = changed.select("station_id", "valid_from_utc", words="firmware").join(
        equipment.select("station_id", "evse_id"), on="station_id"
    )
    return _marks(at_evses, "evse", "valid_from_utc", "firmware")


def finding_marks(findings: pl.DataFrame) -> pl.DataFrame:
    """out_marks: what the workshop found and when it was repaired. `findings`: raw_finding's columns."""
    found = findings.with_columns(words="finding")
    repaired = found.filter(pl.col("repaired_at_utc").is_not_null())
    return pl.concat(
        [
            _marks(found, "vehicle", "at_utc", "finding"),
            _marks(repaired, "vehicle", "repaired_at_utc", "repair"),
        ]
    )


def _marks(frame: pl.DataFrame, kind: str, at: str, mark: str) -> pl.DataFrame:
    rows = frame.select(
        unit_kind=pl.lit(kind), unit_id=f"{kind}_id", at=at, mark=pl.lit(mark), words="words"
    )
    return conform(rows, "out_marks")


def within(marks: list[pl.DataFrame], look_back: LookBack) -> pl.DataFrame:
    """out_marks of a look-back, by unit and time, each once."""
    whole = pl.concat([empty("out_marks"), *marks]).filter(look_back.holds("at")).unique()
    return whole.sort("unit_kind", "unit_id", "at", "mark", "words")


def out_decisions(decisions: DecisionFrames, look_back: LookBack) -> pl.DataFrame:
    """out_decisions: reviews kept by the end of the week, oldest first."""
    known = decisions.reviews.filter(pl.col("decided_at_utc") < look_back.to_utc)
    named = known.rename({"decided_at_utc": "decided_at"})
    return conform(named.sort("decided_at", "vehicle_id"), "out_decisions")
