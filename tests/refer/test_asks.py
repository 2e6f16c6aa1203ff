"""A vehicle that has ceased to ask, told from one that waits by its timer."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.core.weeks import LookBack
from pipeline.refer.suspects.charge_requests import asking, cumulative
from pipeline.settings.refer import ReferSettings

LOOK_BACK = LookBack.of("2026-W14", 12)


def plug_ins(silent: dict[str, np.ndarray]) -> pl.DataFrame:
    """AC plug-ins every 12 hours; True where the vehicle did not ask."""
    frames = [
        pl.DataFrame(
            {
                "vehicle_id": vehicle,
                "evse_id": [f"E{i % 3}" for i in range(len(mask))],
                "plugged_at_utc": [
                    LOOK_BACK.from_utc + timedelta(hours=12 * i) for i in range(len(mask))
                ],
                "outcome": np.where(mask, "not_requested", "charged"),
            },
            schema_overrides={"plugged_at_utc": pl.Datetime("us", "UTC")},
        )
        for vehicle, mask in silent.items()
    ]
    return pl.concat(frames).with_columns(supply=pl.lit("AC"), stage=pl.lit("delivering"))


def test_ceased_to_ask() -> None:
    """After 100 ordinary plug-ins twenty silent ones are a sign, since the first of them.

    The fleet's habit of 4 % is none.
    """
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
    """A silent spell that ended says nothing of today, however long it was.

    Four plug-ins that charge are enough.
    """
    mask = np.r_[np.zeros(60, dtype=bool), np.ones(40, dtype=bool), np.zeros(4, dtype=bool)]
    fleet = {f"S{i:02d}": np.arange(120) % 25 == i % 25 for i in range(20)}
    table = asking(plug_ins(fleet | {"mended": mask}), ReferSettings())
    assert table.filter(pl.col("category") != "asks").is_empty()


def test_failures_before_the_request_say_nothing() -> None:
    """Where a fault came before the vehicle could ask, it is neither asking nor silent.

    No such plug-in, no row.
    """
    frame = plug_ins({"V": np.zeros(5, dtype=bool)}).with_columns(
        outcome=pl.lit("failed"), stage=pl.lit("offered")
    )
    assert asking(frame, ReferSettings()).is_empty()


def test_silence_at_one_evse_is_a_weaker_sign() -> None:
    """At one EVSE only, the EVSE may be why; it stays `seldom_asks`."""
    fleet = {f"S{i:02d}": np.arange(120) % 25 == i % 25 for i in range(20)}
    frame = plug_ins(fleet | {"broken": np.r_[np.zeros(60, dtype=bool), np.ones(20, dtype=bool)]})
    frame = frame.with_columns(
        evse_id=pl.when(pl.col("vehicle_id") == "broken").then(pl.lit("E0")).otherwise("evse_id")
    )
    found = dict(asking(frame, ReferSettings()).select("vehicle_id", "category").iter_rows())
    assert found["broken"] == "seldom_asks"


def row_of(table: pl.DataFrame, vehicle: str) -> dict[str, object]:
    """One vehicle's row."""
    return table.filter(pl.col("vehicle_id") == vehicle).row(0, named=True)


def test_a_habit_of_waiting_is_measured_against_itself() -> None:
    """Ten silent plug-ins in a row are a sign in a vehicle that always asked, none in one silent
    half the time all along.
    """
    fleet = {f"S{i:02d}": np.arange(120) % 25 == i % 25 for i in range(40)}
    often = np.r_[np.tile([True, False], 40), np.ones(10, dtype=bool)]
    seldom = np.r_[np.zeros(80, dtype=bool), np.ones(10, dtype=bool)]
    table = asking(plug_ins(fleet | {"often": often, "seldom": seldom}), ReferSettings())
    assert row_of(table, "often")["category"] == "asks"
    assert row_of(table, "seldom")["category"] == "never_asks"
    assert row_of(table, "often")["since_utc"] is None


def test_drivers_who_often_come_full_are_no_faults() -> None:
    """Of sixty vehicles silent at a third or half of their plug-ins all through the look-back
    hardly one is suspected.

    A vehicle silent at every plug-in of the look-back is: no driver's habit goes so far.
    """
    rng = np.random.default_rng(8)
    fleet = {f"S{i:03d}": rng.random(120) < 0.04 for i in range(200)}
    waits = {f"W{i:02d}": rng.random(120) < (0.33 if i % 2 else 0.5) for i in range(60)}
    table = asking(plug_ins(fleet | waits | {"broken": np.ones(120, dtype=bool)}), ReferSettings())
    suspected = table.filter(pl.col("category") != "asks")["vehicle_id"].to_list()
    assert "broken" in suspected
    assert len(suspected) <= 2


def test_a_failure_after_the_request_shows_that_it_asked() -> None:
    """Asked, energised or delivering before the fault: three such end a silent run, as charges do.

    DC says nothing.
    """
    fleet = {f"S{i:02d}": np.arange(120) % 25 == i % 25 for i in range(20)}
    mask = np.r_[np.zeros(60, dtype=bool), np.ones(20, dtype=bool), np.zeros(3, dtype=bool)]
    frame = plug_ins(fleet | {"V": mask})
    last = (pl.col("vehicle_id") == "V") & (
        pl.col("plugged_at_utc") >= LOOK_BACK.from_utc + timedelta(hours=12 * 80)
    )
    for stage, supply, category in [
        ("requested", "AC", "asks"), ("energised", "AC", "asks"), ("delivering", "AC", "asks"), ("offered", "AC", "never_asks"),
        ("delivering", "DC", "never_asks"),
    ]:  # fmt: skip
        rows = frame.with_columns(
            outcome=pl.when(last).then(pl.lit("failed")).otherwise("outcome"),
            stage=pl.when(last).then(pl.lit(stage)).otherwise("stage"),
            supply=pl.when(last).then(pl.lit(supply)).otherwise("supply"),
        )
        assert row_of(asking(rows, ReferSettings()), "V")["category"] == category


def test_the_sum_is_page_s() -> None:
    """Score and run of one vehicle follow S = max(0, S + log P(x | fault) / P(x | usual)), step by
    step (Page; from memory).

    At its usual share, silence adds log(0.85 / usual), asking adds log(0.15 / (1 - usual)); the run
    begins where S left nought.
    """
    rng = np.random.default_rng(4)
    mask = rng.random(60) < np.r_[np.full(40, 0.1), np.full(20, 0.7)]
    rows = cumulative(
        plug_ins({"V": mask}).with_columns(
            silent=pl.col("outcome") == "not_requested", usual=pl.lit(0.2)
        )
    )
    total, begun = 0.0, 0
    for i, silent in enumerate(mask):
        if total == 0.0:
            begun = i
        total = max(0.0, total + (np.log(0.85 / 0.2) if silent else np.log(0.15 / 0.8)))
    assert total > 0
    assert rows["score"][0] == pytest.approx(total)
    assert rows["begins_utc"][0] == LOOK_BACK.from_utc + timedelta(hours=12 * begun)


def test_a_sign_needs_odds_of_a_thousand_and_a_strong_one_a_hundred_thousand() -> None:
    """In a fleet silent at 1 of 25, six silent plug-ins in a row at three EVSEs: how many it takes
    is derived.

    A silent plug-in is worth log(0.85 / usual); with usual near 0.04 three reach 1000 to 1, four
    100,000 to 1; the setting asks for four at least.
    """
    fleet = {f"S{i:02d}": np.arange(120) % 25 == i % 25 for i in range(40)}
    signs = {}
    for n in range(2, 7):
        mask = np.r_[np.zeros(100, dtype=bool), np.ones(n, dtype=bool)]
        row = row_of(asking(plug_ins(fleet | {"V": mask}), ReferSettings()), "V")
        signs[n] = (row["category"], row["plug_ins"], row["not_asked"], row["evses"])
    assert [signs[n][0] for n in signs] == [
        "asks",
        "asks",
        "never_asks",
        "never_asks",
        "never_asks",
    ]
    assert signs[4] == ("never_asks", 4, 4, 3)
    lenient = ReferSettings(never_asks_least=3)
    mask = np.r_[np.zeros(100, dtype=bool), np.ones(3, dtype=bool)]
    assert row_of(asking(plug_ins(fleet | {"V": mask}), lenient), "V")["category"] == "seldom_asks"


def test_no_vehicle_no_row() -> None:
    """Plug-ins of nobody known give an empty frame with its columns."""
    frame = plug_ins({"V": np.zeros(5, dtype=bool)}).with_columns(
        vehicle_id=pl.lit(None, dtype=pl.String)
    )
    table = asking(frame, ReferSettings())
    assert table.is_empty()
    assert table.columns == [
        "vehicle_id",
        "category",
        "since_utc",
        "plug_ins",
        "not_asked",
        "evses",
    ]
