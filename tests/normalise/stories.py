"""Plug-ins drawn at random and written as a station's raw rows: what happened, in numbers, for the laws of reading.

A story is one plug-in at an EVSE of its own; stories of one draw stand side by side in one world.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from hypothesis import strategies as st

from tests.normalise.world import World, at

FAULTS_16 = (
    "GroundFailure",
    "OverCurrentFailure",
    "OtherError",
    "InternalError",
    "HighTemperature",
    "ConnectorLockFailure",
)
FAULTS_201 = ("CX002", "CX006", "CX014", "CX018", "no such word", "abnormal")
STOPS_16 = ("EVDisconnected", "Local", "Remote", None)
HARMLESS = (
    ("Delta", "PowerContactor", "State", "closed", "Contactor closed"),
    ("Periodic", "CPPWMController", "State", "B", "Pilot state B"),
    ("Delta", "ConnectorPlugRetentionLock", "ActiveState", "true", "Plug locked"),
    ("Periodic", "RCD", "SelfTest", "passed", "RCD self-test passed"),
    ("Delta", "RCD", "Tripped", "false", "RCD tripped"),
    ("Alerting", "Connector", "Problem", "false", None),
)


@dataclass(frozen=True)
class Story:
    """What happened. Times in seconds from plug-in; energies in Wh at some 7 to 11 kW."""

    version: str = "1.6"
    piloted: bool = False
    wait_s: int = 20
    before_wh: int = 3000
    fault: int | None = None
    after_wh: int = 0
    stop: int = 0
    sampled: bool = True
    rest_s: int = 600
    harmless: int = 0

    @property
    def asked_s(self) -> int:
        """When it asks for current."""
        return 10 + self.wait_s


CHARGES = st.builds(
    Story,
    version=st.sampled_from(["1.6", "2.0.1"]),
    piloted=st.booleans(),
    wait_s=st.sampled_from([5, 40, 7200]),
    before_wh=st.integers(0, 9000),
    after_wh=st.integers(600, 9000),
    stop=st.integers(0, 3),
    sampled=st.booleans(),
    rest_s=st.sampled_from([0, 600, 30_000]),
    harmless=st.integers(0, len(HARMLESS)),
)
FAULTED = st.builds(
    lambda story, fault: replace(story, fault=fault, sampled=True), CHARGES, st.integers(0, 5)
)
WAITS = st.builds(lambda story: replace(story, before_wh=0, after_wh=0), CHARGES)
WH_PER_S = 2.5
"""9 kW."""


def write(world: World, story: Story, number: int) -> None:
    """The story's rows, at connector `number`; half an hour after the start of the world."""
    evse, tag = f"e{number}", f"T{number}"
    world.evse(evse, connector=number, max_power_kw=22.0)
    world.token(tag, f"v{number}")
    t = 1800.0
    (_old if story.version == "1.6" else _new)(world, story, number, t)


def stretch(wh: int) -> float:
    """Seconds in which so much flows."""
    return wh / WH_PER_S


def _samples(
    world: World, story: Story, tx: str, connector: int, t: float, wh: float, more: int
) -> None:
    """Register readings every 300 s while `more` Wh flow from `wh` on."""
    if story.sampled:
        for k in range(1, int(stretch(more) // 300) + 1):
            world.meter(t + 300 * k, wh + 300 * k * WH_PER_S, tx=tx, connector=connector)


def _pilot(
    world: World, story: Story, connector: int, rows: list[tuple[float, str, str, str | None]]
) -> None:
    if story.piloted:
        for t, state, contactor, fault in rows:
            low = -12.0 if state.endswith("2") else None
            world.pilot(t, state, contactor, fault, low=low, connector=connector)


def _timing(story: Story, t: float) -> tuple[float, float, float, float]:
    """When it asks, when the fault comes, when current flows again, and when it is over."""
    asked = t + story.asked_s
    fault = asked + stretch(story.before_wh)
    again = fault + (8 if story.fault is not None else 0)
    return asked, fault, again, again + stretch(story.after_wh)


def _old(world: World, story: Story, connector: int, t: float) -> None:
    asked, fault, again, done = _timing(story, t)
    tx, delivered = f"{connector}", story.before_wh + story.after_wh
    world.status(t - 900, "Available", connector=connector)
    world.status(t, "Preparing", connector=connector)
    world.start(t + 5, wh=1000.0, tag=f"T{connector}", tx=tx, connector=connector)
    rows = [(t - 900, "A1", "open", None), (t, "B1", "open", None), (t + 6, "B2", "open", None)]
    if delivered:
        world.status(asked + 1, "Charging", connector=connector)
        rows += [(asked, "C2", "open", None), (asked + 1, "C2", "closed", None)]
        _samples(world, story, tx, connector, asked, 1000, story.before_wh)
    else:
        world.status(t + 8, "SuspendedEV", connector=connector)
    if story.fault is not None:
        world.status(fault, "Faulted", FAULTS_16[story.fault], connector=connector)
        rows += [(fault, "C2", "closed", "overtemp")]
        world.meter(again, 1000 + story.before_wh, tx=tx, connector=connector)
        _samples(world, story, tx, connector, again, 1000 + story.before_wh, story.after_wh)
        world.meter(done, 1000 + delivered, tx=tx, connector=connector)
    out = done + story.rest_s if delivered else done + 7200
    if delivered and story.rest_s:
        world.status(done + 1, "SuspendedEV", connector=connector)
        rows += [(done, "B2", "open", None)]
    reason = STOPS_16[story.stop]
    world.stop(out, 1000 + delivered, reason, tx=tx)
    world.status(out + 1, "Available", connector=connector)
    _pilot(world, story, connector, [*rows, (out + 0.5, "A1", "open", None)])


def _new(world: World, story: Story, connector: int, t: float) -> None:
    world.version = "2.0.1"
    asked, fault, again, done = _timing(story, t)
    tx, delivered = f"t{connector}", story.before_wh + story.after_wh
    world.call(t - 900, "StatusNotification", answer={}, status="Available", connector_id=connector)
    world.call(t, "StatusNotification", answer={}, status="Occupied", connector_id=connector)
    here = {"tx": tx, "connector_id": connector}
    world.event(
        t, "Started", "CablePluggedIn", 0, charging_state="EVConnected", meter_wh=1000.0, **here
    )
    world.event(
        t + 5,
        "Updated",
        "Authorized",
        1,
        charging_state="EVConnected",
        id_token=f"T{connector}",
        said="Accepted",
        **here,
    )
    rows = [(t - 900, "A1", "open", None), (t, "B1", "open", None), (t + 6, "B2", "open", None)]
    state = "Charging" if delivered else "SuspendedEV"
    world.event(
        asked + 1 if delivered else t + 8,
        "Updated",
        "ChargingStateChanged",
        2,
        charging_state=state,
        **here,
    )
    if delivered:
        rows += [(asked, "C2", "open", None), (asked + 1, "C2", "closed", None)]
        _samples(world, story, tx, connector, asked, 1000, story.before_wh)
    for k, (trigger, component, variable, value, info) in enumerate(HARMLESS[: story.harmless]):
        world.add(
            "raw_event", receiver_at_utc=at(t + 7 + k + world.latency), station_id=world.station, connector_id=connector,
            station_at_utc=world.stamp(t + 7 + k), trigger_reason=trigger, component=component, variable=variable,
            actual_value=value, info=info,
        )  # fmt: skip
    if story.fault is not None:
        word = FAULTS_201[story.fault]
        if word == "abnormal":
            world.event(fault, "Updated", "AbnormalCondition", 3, **here)
        else:
            world.notify(fault, word, connector=connector)
        rows += [(fault, "C2", "closed", "overtemp")]
        world.meter(again, 1000 + story.before_wh, tx=tx, connector=connector)
        _samples(world, story, tx, connector, again, 1000 + story.before_wh, story.after_wh)
        world.meter(done, 1000 + delivered, tx=tx, connector=connector)
    out = done + story.rest_s if delivered else done + 7200
    if delivered and story.rest_s:
        world.event(
            done + 1, "Updated", "ChargingStateChanged", 4, charging_state="SuspendedEV", **here
        )
        rows += [(done, "B2", "open", None)]
    trigger = ("EVCommunicationLost", "EVDeparted", "StopAuthorized", "RemoteStop")[story.stop]
    reason = ("EVDisconnected", "EVDisconnected", "Local", "Remote")[story.stop]
    world.event(out, "Ended", trigger, 5, meter_wh=1000.0 + delivered, stop_reason=reason, **here)
    world.call(out + 1, "StatusNotification", answer={}, status="Available", connector_id=connector)
    _pilot(world, story, connector, [*rows, (out + 0.5, "A1", "open", None)])


def worlds(stories: list[Story], clock: float = 0.0) -> list[World]:
    """Two stations: the stories in 1.6 at one, those in 2.0.1 at the other; clocks ahead by `clock` seconds."""
    made = []
    for name, version in (("old", "1.6"), ("new", "2.0.1")):
        world = World(station=name, version=version, clock=clock)
        for number, story in enumerate(stories, 1):
            if story.version == version:
                write(world, story, number)
        made.append(world)
    return made
