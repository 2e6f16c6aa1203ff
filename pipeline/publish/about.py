"""What a unit's page shows beside the week's calls.

Lists, changes, decisions, the parts of EVSEs: out_ frames from core tables and decisions.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.weeks import LookBack
from pipeline.refer.proving import SequentialTest, proving_table
from pipeline.registry import conform, empty
from pipeline.settings.refer import ReferSettings
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


def change_marks(changes: pl.DataFrame, software: pl.DataFrame, work: pl.DataFrame) -> pl.DataFrame:
    """out_marks: changes to vehicles, their software, work at EVSEs and its repairs.

    `changes`, `software`, `work`: core_change, core_software, core_work.
    """
    other = changes.filter(pl.col("change") != "software").with_columns(words="change")
    versions = software.with_columns(words="software_version")
    done = work.with_columns(words="work_finding")
    repaired = done.filter(pl.col("repaired_at_utc").is_not_null())
    return pl.concat(
        [
            _marks(other, "vehicle", "at_utc", "change"),
            _marks(versions, "vehicle", "valid_from_utc", "software"),
            _marks(done, "evse", "at_utc", "work"),
            _marks(repaired, "evse", "repaired_at_utc", "repair"),
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


def works_of(delivered: pl.DataFrame, decisions: DecisionFrames) -> pl.DataFrame:
    """core_work's columns: what sites delivered and what operators entered, each once."""
    entered = decisions.works.select(delivered.columns)
    return pl.concat([delivered, entered]).unique().sort("evse_id", "at_utc")


def evse_proving(
    attempts: pl.DataFrame,
    vehicles: pl.DataFrame,
    work: pl.DataFrame,
    settings: ReferSettings,
    look_back: LookBack,
) -> pl.DataFrame:
    """out_evse_proving: has an EVSE's repair held? The sequential test of vehicles, seen from the EVSE.

    Its attempts after the last repair count, by vehicles that are not themselves called.
    `attempts`: out_attempts; `vehicles`: out_vehicles; `work`: core_work.
    """
    repaired = work.filter(pl.col("repaired_at_utc") < look_back.to_utc)
    last = repaired.sort("repaired_at_utc").unique("evse_id", keep="last").sort("evse_id")
    healthy = vehicles.filter(pl.col("call").is_in(["clear", "insufficient_data", "proved"]))
    # the table asks for vehicles at healthy EVSEs; here EVSEs are asked for with healthy vehicles
    turned = attempts.rename(
        {
            "vehicle_id": "evse_id",
            "evse_id": "vehicle_id",
            "plugged_at": "plugged_at_utc",
            "p_vehicle": "p_evse",
            "p_evse": "p_vehicle",
        }
    ).with_columns(supply=pl.lit("AC"), check=pl.lit("no"))
    repairs = last.select(
        vehicle_id="evse_id", repaired_at_utc="repaired_at_utc", found=pl.lit("evse")
    )
    test = SequentialTest.of(settings)
    proved = proving_table(turned, repairs, healthy["vehicle_id"], test)
    named = proved.rename({"vehicle_id": "evse_id", "repaired_at_utc": "repaired_at"})
    return conform(
        named.with_columns(
            finding=last["work_finding"], clean_attempts=pl.lit(test.clean_attempts, pl.Int64)
        ),
        "out_evse_proving",
    )
