"""Many days of a small made-up depot, with dirt, for the laws of the normalise stage."""

# ruff: noqa: S106, S311

from __future__ import annotations

import random
from collections.abc import Callable

from tests.normalise.world import World

DAY_S = 86_400


def session(world: World, rng: random.Random, t: float, connector: int, vehicle: int) -> float:
    """One plug-in of some kind at second t; returns when it is over."""
    kind = rng.choice(
        ["charge", "charge", "fault", "declined", "timer", "abandoned", "late", "reboot", "retry"]
    )
    over = t + (40 if kind == "abandoned" else rng.choice([120, 4000, 30_000, 90_000]))
    world.pilot(t, "B1", connector=connector)
    world.status(t + 0.5, "Preparing", connector=connector)
    if kind == "declined":
        world.card(t + 5, tag=f"T{vehicle}", said="Invalid")
    elif kind != "abandoned":
        authorised(world, rng, t, over, connector, vehicle, kind)
    world.pilot(over, "A1", connector=connector)
    if rng.random() > 0.15:
        world.status(over + 1, "Available", connector=connector)
    if rng.random() < 0.4:
        reports(world, rng, t, over, f"v{vehicle}", kind)
    return over


def authorised(
    world: World, rng: random.Random, t: float, over: float, connector: int, vehicle: int, kind: str
) -> None:
    """The card is accepted; what follows depends on the kind."""
    tag, tx = f"T{vehicle}", f"{connector}-{int(t)}"
    world.card(t + 5, tag=tag)
    world.start(t + 7, wh=1000, tag=tag, tx=tx, connector=connector)
    world.pilot(t + 8, "B2", low=-12.0, connector=connector)
    if kind in {"fault", "retry"}:
        world.pilot(t + 9, "F", fault="diode", connector=connector)
        world.status(t + 9, "Faulted", "OtherError", connector=connector)
    if kind == "retry":
        world.status(t + 30, "Preparing", connector=connector)
    if kind in {"charge", "late", "reboot", "retry"}:
        world.pilot(t + 40, "C2", "closed", low=-12.0, connector=connector)
        world.status(t + 41, "Charging", connector=connector)
        world.meter(t + 100, 1600, tx=tx, connector=connector)
    if kind == "reboot":
        world.call(
            t + 105, "BootNotification", stamped=False, answer={}, firmware=rng.choice(["10", "11"])
        )
    end = {"transaction_id": tx, "meter_wh": 3000.0, "stop_reason": "EVDisconnected"}
    world.call(
        over, "StopTransaction", received=over + 7200 if kind == "late" else None, answer={}, **end
    )


def reports(
    world: World, rng: random.Random, t: float, over: float, vehicle: str, kind: str
) -> None:
    """What the vehicle says of it, to the minute."""
    world.vehicle(t + rng.uniform(-50, 50), "plugged", vehicle=vehicle)
    if kind == "fault":
        world.vehicle(t + 20, "charge_fault", vehicle=vehicle)
    if rng.random() < 0.8:
        world.vehicle(over + rng.uniform(-50, 50), "unplugged", vehicle=vehicle)


def clock(rng: random.Random, days: int) -> Callable[[float], float]:
    """A station's clock: an offset, a drift, a few jumps."""
    offset, drift = rng.choice([0, 0, 0.5, -7, 3600, -40_000]), rng.choice([0, 0, 3e-5])
    jumps = [
        (rng.uniform(0, days * DAY_S), rng.choice([-600, 45, 20_000]))
        for _ in range(rng.randrange(4))
    ]
    return lambda t: offset + drift * t + sum(by for when, by in jumps if t > when)


def plan(rng: random.Random, days: int) -> list[tuple[float, int]]:
    """When somebody comes to which connector."""
    wished = []
    for connector in (1, 2):
        t = rng.uniform(0, 40_000)
        while t < days * DAY_S:
            wished.append((t, connector))
            t += rng.choice([600, 20_000, 100_000, 250_000])
    return sorted(wished)


def depot(seed: int, days: int = 9) -> list[World]:
    """Two stations of two EVSEs each, four vehicles, clocks that drift, jump or are never set.

    Frames lost at random.
    """
    rng = random.Random(seed)
    worlds = []
    for number in (1, 2):
        world = World(station=f"st{number}")
        world.latency = rng.uniform(0.05, 1.0)
        for connector in (1, 2):
            world.evse(f"e{number}{connector}", connector=connector)
        if number == 1:
            for vehicle in range(4):
                world.token(f"T{vehicle}", f"v{vehicle}")
        world.clock_at = clock(rng, days)
        piloted = rng.random() < 0.6
        busy = {1: 0.0, 2: 0.0}
        for t, connector in plan(rng, days):
            if t > busy[connector] + 60:
                busy[connector] = session(world, rng, t, connector, rng.randrange(4))
        if not piloted:
            world.rows["raw_pilot"].clear()
        rows = world.rows["raw_frame"]
        world.rows["raw_frame"] = [row for row in rows if rng.random() > 0.05]
        worlds.append(world)
    for hour in range(3):
        worlds[0].session(
            hour * 100_000, hour * 100_000 + 3000, evse_id="e22", id_token="T1", energy_kwh=3.0
        )
    return worlds
