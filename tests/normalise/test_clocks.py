"""Station clocks.

What the receiver saw is enough to put a station's own times right, within the stated error.
"""

# ruff: noqa: S311

from __future__ import annotations

import random
from datetime import UTC, datetime

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.normalise import normalise
from pipeline.settings.normalise import NormaliseSettings
from pipeline.storage.warehouse import read
from tests.normalise.test_attempts import station
from tests.normalise.world import World, at, attempts, warehouse

DAY_S = 86_400.0


def visits(days: float) -> list[float]:
    """Plug-ins every five hours or so."""
    return [3600.0 + k * 17_000 for k in range(int(days * DAY_S / 17_000))]


def visit(world: World, t: float, clock, received: float | None = None) -> None:
    """One charge of half an hour, each record stamped by a clock error that is a function of true
    time.
    """
    steps = (
        (
            0,
            "StatusNotification",
            {"status": "Preparing", "error_code": "NoError", "connector_id": 1},
        ),
        (20, "StartTransaction", {"id_token": "T1", "meter_wh": 0.0, "connector_id": 1}),
        (
            30,
            "StatusNotification",
            {"status": "Charging", "error_code": "NoError", "connector_id": 1},
        ),
        (
            1800,
            "StopTransaction",
            {"transaction_id": str(t), "meter_wh": 3000.0, "stop_reason": "EVDisconnected"},
        ),
        (
            1801,
            "StatusNotification",
            {"status": "Available", "error_code": "NoError", "connector_id": 1},
        ),
    )
    for after, action, values in steps:
        world.clock = clock(t + after)
        answer = (
            {"transaction_id": str(t), "id_token_status": "Accepted"}
            if action == "StartTransaction"
            else {}
        )
        world.call(
            t + after,
            action,
            received=None if received is None else received + after / 1e4,
            answer=answer,
            **values,
        )
    for after, state, contactor in (
        (0, "B1", "open"),
        (21, "B2", "open"),
        (25, "C2", "closed"),
        (1800, "A1", "open"),
    ):
        world.clock = clock(t + after)
        world.pilot(t + after, state, contactor)


def wrong_by(made: pl.DataFrame, plan: list[float]) -> list[tuple[float, float, float]]:
    """Error at the start, error of the duration, and the stated error, of each planned visit."""
    assert len(made) == len(plan)
    rows = made.select("plugged_at_utc", "unplugged_at_utc", "clock_error_s").rows()
    return [
        ((a - at(t)).total_seconds(), (b - a).total_seconds() - 1800, error)
        for t, (a, b, error) in zip(plan, rows, strict=True)
    ]


@settings(max_examples=12)
@given(
    offset=st.floats(-40_000, 40_000),
    drift=st.floats(-8e-5, 8e-5),
    jump=st.sampled_from([0.0, 45.0, 600.0, 3600.0, 86_400.0]),
    jump_at=st.floats(0.2, 0.8),
    queued=st.sets(st.integers(0, 30), max_size=4),
    seed=st.integers(0, 1000),
)
def test_order_and_durations_survive_any_monotone_clock_and_queueing(
    offset, drift, jump, jump_at, queued, seed
) -> None:
    """Offset, drift, a jump ahead and plug-ins sent hours late.

    Starts and durations are right within the stated error.
    """
    rng = random.Random(seed)
    plan = visits(5)
    step_at = jump_at * 5 * DAY_S

    def clock(t: float) -> float:
        return offset + drift * t + (jump if t > step_at else 0.0)

    world = station()
    world.rows["raw_frame"].clear()
    for number, t in enumerate(plan):
        if t < step_at < t + 2000:
            step_at = t + 2000
        world.latency = rng.uniform(0.05, 1.5)
        late = number in queued and number + 1 < len(plan) and abs(step_at - t) > 40_000
        visit(world, t, clock, received=t + rng.uniform(3000, 14_000) if late else None)
    made = attempts(world)
    starts = made["plugged_at_utc"].to_list()
    assert starts == sorted(starts)
    for start_s, length_s, stated_s in wrong_by(made, plan):
        assert abs(start_s) <= stated_s
        assert abs(length_s) <= 2 * stated_s
    assert made["clock_error_s"].max() < 60


@pytest.mark.parametrize(
    "epoch", [datetime(1970, 1, 1, tzinfo=UTC), datetime(2000, 1, 1, tzinfo=UTC)]
)
def test_a_boot_without_time_is_put_where_it_happened(epoch: datetime) -> None:
    """After a reboot the clock starts at an epoch until the first answer sets it.

    Pilot rows of the meantime get their place.
    """
    plan = [1000.0, 20_000.0, 40_000.0]
    world = station()
    for t in plan[:2]:
        visit(world, t, lambda _: 0.0)
    boot = 30_000.0
    world.clock = (epoch - at(boot)).total_seconds()
    world.pilot(boot + 5, "A1")
    world.call(
        boot + 10,
        "BootNotification",
        stamped=False,
        answer={"central_at_utc": at(boot + 10)},
        firmware="9",
    )
    world.clock = 0.0
    visit(world, plan[2], lambda _: 0.0)
    con = warehouse(world)
    normalise(con, None, NormaliseSettings())
    for start_s, length_s, stated_s in wrong_by(
        read(con, "core_attempt").sort("plugged_at_utc"), plan
    ):
        assert abs(start_s) <= stated_s < 10
        assert abs(length_s) <= stated_s
    lost = read(con, "core_pilot").filter(pl.col("line") == 9).row(0, named=True)
    assert lost["pilot_state"] == "A1"
    assert abs((lost["at_utc"] - at(boot + 5)).total_seconds()) <= lost["clock_error_s"] < 600


def test_a_day_ahead_is_told_from_the_next_day() -> None:
    """A clock a day ahead writes times that come again when it is set.

    Frames of the same happening tell them apart.
    """
    plan = visits(4)
    world = station()
    world.rows["raw_frame"].clear()
    for t in plan:
        visit(world, t, lambda s: DAY_S if 0.9 * DAY_S < s < 1.6 * DAY_S else 0.0)
    for start_s, length_s, stated_s in wrong_by(attempts(world), plan):
        assert abs(start_s) <= stated_s < 10
        assert abs(length_s) <= stated_s


def test_the_stated_error_of_a_clock_nobody_heard_says_so() -> None:
    """Pilot rows weeks from any frame: no offset is carried that far."""
    world = station()
    visit(world, 1000.0, lambda _: -5.0)
    world.clock = -5.0
    for t, state in ((40 * DAY_S, "B1"), (40 * DAY_S + 50, "A1")):
        world.pilot(t, state)
    made = attempts(world)
    assert made["time_doubt"].to_list() == [None, "no_clock"]
    assert made["clock_error_s"][1] >= DAY_S


def test_a_long_drift_after_a_jump_stays_in_its_era() -> None:
    """A clock that gains minutes over weeks after it jumped.

    Its frames are not taken for ones of the era before.
    """
    plan = visits(16)
    world = station()
    world.rows["raw_frame"].clear()
    for t in plan:
        visit(world, t, lambda s: 300.0 if s < DAY_S else 5.5e-5 * s)
    for start_s, length_s, stated_s in wrong_by(attempts(world), plan):
        assert abs(start_s) <= stated_s < 15
        assert abs(length_s) <= stated_s
