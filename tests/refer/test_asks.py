"""A vehicle that has ceased to ask, told from one that waits by its timer."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl

from pipeline.refer.asks import asking
from pipeline.settings.refer import ReferSettings
from pipeline.weeks import LookBack

LOOK_BACK = LookBack.of("2026-W14", 12)


def plug_ins(silent: dict[str, np.ndarray]) -> pl.DataFrame:
    """AC plug-ins every 12 hours; True where the vehicle did not ask."""
    frames = [
        pl.DataFrame(
            {
                "vehicle_id": vehicle,
                "evse_id": [f"E{i % 3}" for i in range(len(mask))],
                "plugged_at_utc": [LOOK_BACK.from_utc + timedelta(hours=12 * i) for i in range(len(mask))],
                "outcome": np.where(mask, "not_requested", "charged"),
            },
            schema_overrides={"plugged_at_utc": pl.Datetime("us", "UTC")},
        )
        for vehicle, mask in silent.items()
    ]
    return pl.concat(frames).with_columns(supply=pl.lit("AC"), stage=pl.lit("delivering"))


def test_ceased_to_ask() -> None:
    """After 100 ordinary plug-ins twenty silent ones are a sign, since the first of them; the fleet's habit of 4 % is none."""
    rng = np.random.default_rng(1)
    fleet = {f"S{i:02d}": rng.random(120) < 0.04 for i in range(40)}
    broken = np.r_[np.zeros(100, dtype=bool), np.ones(20, dtype=bool)]
    table = asking(plug_ins(fleet | {"broken": broken}), ReferSettings())
    found = table.filter(pl.col("category") == "never_asks")
    assert found["vehicle_id"].to_list() == ["broken"]
    row = found.row(0, named=True)
    assert row["since_utc"] == LOOK_BACK.from_utc + timedelta(hours=1200)
    assert (row["plug_ins"], row["not_asked"], row["evses"]) == (20, 20, 3)


def test_intermittent_silence_is_found_too() -> None:
    """Silent at four of five plug-ins for two weeks."""
    rng = np.random.default_rng(2)
    fleet = {f"S{i:02d}": rng.random(120) < 0.04 for i in range(40)}
    mask = np.r_[np.zeros(92, dtype=bool), np.tile([True, True, True, True, False], 6)[:28]]
    table = asking(plug_ins(fleet | {"broken": mask}), ReferSettings())
    assert table.filter(pl.col("category") == "never_asks")["vehicle_id"].to_list() == ["broken"]


def test_who_asks_again_is_cleared() -> None:
    """A silent spell that ended says nothing of today, however long it was: four plug-ins that charge are enough."""
    mask = np.r_[np.zeros(60, dtype=bool), np.ones(40, dtype=bool), np.zeros(4, dtype=bool)]
    fleet = {f"S{i:02d}": np.arange(120) % 25 == i % 25 for i in range(20)}
    table = asking(plug_ins(fleet | {"mended": mask}), ReferSettings())
    assert table.filter(pl.col("category") != "asks").is_empty()


def test_failures_before_the_request_say_nothing() -> None:
    """Where a fault came before the vehicle could ask, it is neither asking nor silent; no such plug-in, no row."""
    frame = plug_ins({"V": np.zeros(5, dtype=bool)}).with_columns(outcome=pl.lit("failed"), stage=pl.lit("offered"))
    assert asking(frame, ReferSettings()).is_empty()


def test_silence_at_one_evse_is_a_weaker_sign() -> None:
    """At one EVSE only, the EVSE may be why; it stays `seldom_asks`."""
    fleet = {f"S{i:02d}": np.arange(120) % 25 == i % 25 for i in range(20)}
    frame = plug_ins(fleet | {"broken": np.r_[np.zeros(60, dtype=bool), np.ones(20, dtype=bool)]})
    frame = frame.with_columns(evse_id=pl.when(pl.col("vehicle_id") == "broken").then(pl.lit("E0")).otherwise("evse_id"))
    found = dict(asking(frame, ReferSettings()).select("vehicle_id", "category").iter_rows())
    assert found["broken"] == "seldom_asks"
