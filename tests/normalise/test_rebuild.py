"""Batches made side by side."""

from __future__ import annotations

import pytest

from pipeline.normalise import normalise, rebuild
from pipeline.settings.normalise import NormaliseSettings
from pipeline.storage.warehouse import Connection, append
from tests.normalise.test_attempts import station
from tests.normalise.test_incremental import CORE, core, fresh
from tests.normalise.world import World

ONE_EACH = NormaliseSettings().model_copy(update={"batch_rows": 1})
STATIONS = 5


def stations() -> Connection:
    """A warehouse with the raw rows of some stations, each with plug-ins of its own."""
    con = fresh()
    for number in range(STATIONS):
        world = station() if number == 0 else World(station=f"st{number + 1}")
        world.evse(f"e{number}")
        for hour in range(0, 20, number + 2):
            world.status(hour * 3600, "Preparing")
            world.status(hour * 3600 + 600, "Available")
        for table, frame in world.frames().items():
            append(con, table, frame)
    return con


def test_one_station_a_batch_gives_what_all_at_once_give() -> None:
    """More batches than are made side by side: every core table is the same."""
    assert STATIONS > rebuild.AT_ONCE + 1
    made = []
    for settings in (NormaliseSettings(), ONE_EACH):
        con = stations()
        normalise(con, None, settings)
        made.append(core(con))
        con.close()
    assert len(made[0]["core_plug_in"]) >= STATIONS
    assert all(made[0][table].equals(made[1][table]) for table in CORE)


def test_a_batch_that_fails_leaves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a worker raises is raised here, and no batch put before it stays."""
    whole, calls = rebuild.core, []

    def failing(*given: object) -> object:
        calls.append(1)
        if len(calls) == STATIONS - 1:
            raise ZeroDivisionError
        return whole(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(rebuild, "core", failing)
    con = stations()
    with pytest.raises(ZeroDivisionError):
        normalise(con, None, ONE_EACH)
    assert all(frame.is_empty() for frame in core(con).values())
    con.close()
