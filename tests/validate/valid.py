"""Valid worlds: whatever is drawn, every record agrees with the standards and with every other.

Levels are drawn from what parts within tolerance can give (IEC 61851-1 Annex A, derived), shorted
diodes included; times from Table A.6 (secondary source); statuses from the moves of OCPP 1.6
section 4.9.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from hypothesis import strategies as st

from .worlds import Row, World

HIGH = {"A": (11.4, 12.6), "B": (8.22, 9.59), "C": (5.17, 6.53), "D": (2.14, 3.28)}
LOW = {"A": (-12.6, -11.4), "B": (-12.6, -8.22), "C": (-12.6, -5.17), "D": (-12.6, -2.14)}


class Plug(NamedTuple):
    """What is drawn for one plug-in."""

    gap_s: float
    ending: str
    letter: str
    duty_pct: float
    closes_s: float
    charges_s: float
    share: float
    level: float
    coarse: bool


PLUGS = st.builds(
    Plug,
    gap_s=st.floats(30, 20_000),
    ending=st.sampled_from(["charged", "failed", "not_requested"]),
    letter=st.sampled_from(["C", "D"]),
    duty_pct=st.floats(10, 53.3),
    closes_s=st.floats(0, 2.9),
    charges_s=st.floats(300, 20_000),
    share=st.floats(0.01, 1),
    level=st.floats(0, 1),
    coarse=st.booleans(),
)
WORLDS = st.lists(st.lists(PLUGS, max_size=4), min_size=1, max_size=4)
"""Plug-ins by EVSE; even EVSEs speak OCPP 1.6, odd ones 2.0.1."""


def world(stations: list[list[Plug]]) -> World:
    """The records of these plug-ins, one vehicle and one token an EVSE."""
    made: World = {
        name: []
        for name in (
            "core_pilot",
            "core_signal",
            "core_attempt",
            "raw_sample",
            "core_evse",
            "core_vehicle",
        )
    }
    made["core_token"], made["core_clock"], made["raw_charging"] = [], [], []
    for number, plugs in enumerate(stations):
        who = {"station_id": f"s{number}", "connector_id": 1, "evse_id": f"e{number}"}
        made["core_evse"].append(who)
        made["core_vehicle"].append({"vehicle_id": f"v{number}"})
        made["core_token"].append(
            {
                "id_token": f"t{number}",
                "vehicle_id": f"v{number}",
                "valid_from_utc": -86400,
                "valid_to_utc": 86400,
            }
        )
        made["core_clock"].append({"station_id": f"s{number}", "offset_s": 1.0, "anchors": 5})
        made["core_pilot"].append({**who, **_row(0.0, "A1", "open", 0.5, None)})
        t, meter = 0.0, 1000.0
        for index, plug in enumerate(plugs):
            t = float(round(t + plug.gap_s))
            t, meter = _plug_in(
                made, plug, {**who, "transaction_id": f"{number}-{index}"}, t, meter
            )
    return made


def _row(t: float, state: str, contactor: str, level: float, duty: float | None) -> Row:
    letter, pwm = state[0], state[1:] == "2"
    if letter == "F":
        return {
            "at_utc": t,
            "pilot_state": "F",
            "contactor": contactor,
            "high_v": -12.0,
            "low_v": -12.0,
        }
    high, low = (lo + level * (hi - lo) for lo, hi in (HIGH[letter], LOW[letter]))
    row: Row = {"at_utc": t, "pilot_state": state, "contactor": contactor, "high_v": high}
    return {**row, "low_v": low, "duty_pct": duty} if pwm else row


def _plug_in(made: World, plug: Plug, who: Row, t: float, meter: float) -> tuple[float, float]:
    """Add one plug-in from `t`; returns when it ended and the register then."""
    lasts = {"charged": plug.charges_s, "failed": 0.0, "not_requested": 600.0}[plug.ending]
    closes = float(int(plug.closes_s)) if plug.coarse else plug.closes_s
    on, asks = t + 10, t + 12
    stops = asks + closes + lasts
    ends = float(int(stops + 60))
    energy = plug.share * min(0.9 * 11.0 * lasts / 3600, 70.0) if plug.ending == "charged" else 0.0
    _pilot(made, plug, who, (t, on, asks, closes, stops, ends))
    speak = _speak_16 if int(who["evse_id"][1:]) % 2 == 0 else _speak_201
    speak(made, plug.ending, who, (t, asks + closes, stops, ends), (meter, meter + 1000 * energy))
    stage = {"charged": "delivering", "failed": "offered", "not_requested": "offered"}[plug.ending]
    number = who["evse_id"][1:]
    made["core_attempt"].append(
        {
            **who, "attempt_id": who["transaction_id"], "vehicle_id": f"v{number}", "id_token": f"t{number}", "plugged_at_utc": t,
            "unplugged_at_utc": ends, "outcome": plug.ending, "stage": stage, "energy_kwh": energy, "stage_seconds": 2.0,
            "early_b": plug.ending == "failed", "clock_error_s": 0.05,
        }
    )  # fmt: skip
    made["raw_charging"].append(
        {
            "at_utc": t,
            "vehicle_id": f"v{number}",
            "event": "plugged",
            "inlet": "cType2",
            "soc_pct": 100 * plug.share,
        }
    )
    return ends, meter + 1000 * energy


def _pilot(made: World, plug: Plug, who: Row, times: tuple[float, ...]) -> None:
    t, on, asks, closes, stops, ends = times
    rows: list[tuple[float, str, str]] = [(t, "B1", "open"), (on, "B2", "open")]
    if plug.ending == "charged":
        asked = f"{plug.letter}2"
        rows += [
            (asks, asked, "open"),
            (asks + closes, asked, "closed"),
            ((asks + closes + stops) / 2, asked, "closed"),
        ]
        rows += [(stops, "B2", "closed"), (stops + 0.05, "B2", "open")]
    elif plug.ending == "failed":
        rows += [(on + 1, "F", "open"), (on + 2, "B1", "open")]
    rows.append((ends, "A1", "open"))
    place = {key: who[key] for key in ("station_id", "connector_id", "evse_id")}
    made["core_pilot"] += [
        {**place, **_row(at, state, contactor, plug.level, plug.duty_pct)}
        for at, state, contactor in rows
    ]


def _speak_16(
    made: World, ending: str, who: Row, times: tuple[float, ...], meters: tuple[float, float]
) -> None:
    t, energised, stops, ends = times
    place = {key: who[key] for key in ("station_id", "connector_id", "evse_id")}

    def say(at: float, action: str, **values: Any) -> None:
        made["core_signal"].append({**place, "at_utc": at, "action": action, **values})

    say(t, "StatusNotification", status="Preparing", error_code="NoError")
    if ending == "failed":
        say(t + 11, "StatusNotification", status="Faulted", error_code="OtherError")
        say(ends, "StatusNotification", status="Available", error_code="NoError")
        return
    transaction = {"transaction_id": who["transaction_id"]}
    say(t + 8, "StartTransaction", meter_wh=meters[0], **transaction)
    word = "Charging" if ending == "charged" else "SuspendedEV"
    say(energised, "StatusNotification", status=word, error_code="NoError")
    say(stops + 1, "StopTransaction", meter_wh=meters[1], **transaction)
    say(stops + 2, "StatusNotification", status="Finishing", error_code="NoError")
    say(ends, "StatusNotification", status="Available", error_code="NoError")
    _sample(made, who, energised, stops, meters)


def _speak_201(
    made: World, ending: str, who: Row, times: tuple[float, ...], meters: tuple[float, float]
) -> None:
    t, energised, stops, ends = times
    same = {**who, "version": "2.0.1", "action": "TransactionEvent"}
    kinds = [
        (t, "Started", "EVConnected"),
        (energised, "Updated", "Charging" if ending == "charged" else "SuspendedEV"),
        (ends, "Ended", "Idle"),
    ]
    made["core_signal"] += [
        {
            **same,
            "at_utc": at,
            "event_type": kind,
            "charging_state": state,
            "seq_no": number,
            "meter_wh": meters[kind == "Ended"],
        }
        for number, (at, kind, state) in enumerate(kinds)
    ]
    place = {key: who[key] for key in ("station_id", "connector_id", "evse_id")}
    words = [(t, "Occupied"), (ends, "Available")]
    made["core_signal"] += [
        {**place, "version": "2.0.1", "at_utc": at, "status": word} for at, word in words
    ]
    _sample(made, who, energised, stops, meters)


def _sample(made: World, who: Row, begins: float, ends: float, meters: tuple[float, float]) -> None:
    same = {key: who[key] for key in ("station_id", "connector_id", "transaction_id")}
    for share in (0.0, 0.5, 1.0):
        at, value = begins + share * (ends - begins), meters[0] + share * (meters[1] - meters[0])
        in_kwh = share == 0.5
        made["raw_sample"].append(
            {**same, "receiver_at_utc": at + 1, "station_at_utc": at, "sample_value": value / 1000 if in_kwh else value,
             "unit": "kWh" if in_kwh else "Wh"}
        )  # fmt: skip
