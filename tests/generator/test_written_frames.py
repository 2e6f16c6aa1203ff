"""Written frames against the OCPP schemas that the `ocpp` package bundles, and against section 4.9."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import ocpp
import pytest
from jsonschema import Draft4Validator, Draft6Validator

from sample_logs.generator.emit.files import read

# OCPP 1.6 section 4.9, as given by two independent transcriptions: from -> to, 53 moves in all.
MOVES: dict[str, str] = {
    "Available": "Preparing Charging SuspendedEV SuspendedEVSE Reserved Unavailable Faulted",
    "Preparing": "Available Charging SuspendedEV SuspendedEVSE Finishing Faulted",
    "Charging": "Available SuspendedEV SuspendedEVSE Finishing Unavailable Faulted",
    "SuspendedEV": "Available Charging SuspendedEVSE Finishing Unavailable Faulted",
    "SuspendedEVSE": "Available Charging SuspendedEV Finishing Unavailable Faulted",
    "Finishing": "Available Preparing Unavailable Faulted",
    "Reserved": "Available Preparing Unavailable Faulted",
    "Unavailable": "Available Preparing Charging SuspendedEV SuspendedEVSE Faulted",
    "Faulted": "Available Preparing Charging SuspendedEV SuspendedEVSE Finishing Reserved Unavailable",
}


def frames(home: Path) -> list[dict[str, Any]]:
    """All frames of a clean delivery, in the order received."""
    out = []
    for path in sorted((home / "delivery" / "ocpp").glob("frames-*")):
        out += [json.loads(line) for line in read(path).splitlines()]
    return out


def schema(version: str, action: str, kind: int) -> Draft4Validator | Draft6Validator:
    """Validator of a call (2) or a result (3)."""
    folder = Path(ocpp.__file__).parent / ("v16" if version == "1.6" else "v201") / "schemas"
    tail = "Response" if kind == 3 else ("" if version == "1.6" else "Request")
    content = json.loads((folder / f"{action}{tail}.json").read_text("utf-8-sig"))
    return Draft4Validator(content) if version == "1.6" else Draft6Validator(content)


def test_there_are_53_moves() -> None:
    """The table itself."""
    assert sum(len(to.split()) for to in MOVES.values()) == 53


def test_every_frame_validates(clean: Path) -> None:
    """Each call and each result of a clean delivery fits its bundled schema, and pairs by id."""
    validators: dict[tuple[str, str, int], Draft4Validator | Draft6Validator] = {}
    waiting: dict[tuple[str, str, bool], str] = {}
    actions = set()
    for line in frames(clean):
        kind, message_id = line["frame"][:2]
        by_station = line["dir"] == ("in" if kind == 2 else "out")
        if kind == 2:
            waiting[line["station_id"], message_id, by_station] = line["frame"][2]
        action, payload = waiting[line["station_id"], message_id, by_station], line["frame"][-1]
        key = (line["version"], action, kind)
        validators.setdefault(key, schema(*key))
        validators[key].validate(payload)
        actions.add(key)
    asked = {(v, a) for v, a, _ in actions}
    for action in ("BootNotification", "Heartbeat", "Authorize", "StatusNotification"):
        assert {("1.6", action), ("2.0.1", action)} <= asked
    assert {
        ("1.6", "StartTransaction"),
        ("1.6", "StopTransaction"),
        ("1.6", "MeterValues"),
    } <= asked
    assert {("2.0.1", "TransactionEvent"), ("2.0.1", "NotifyEvent")} <= asked


def test_status_moves_are_allowed(clean: Path) -> None:
    """On every 1.6 connector the statuses follow the 53 moves, and EVCommunicationError is never
    Faulted.
    """
    now: dict[tuple[str, int], str] = {}
    seen = set()
    for line in frames(clean):
        if (
            line["version"] != "1.6"
            or line["frame"][0] != 2
            or line["frame"][2] != "StatusNotification"
        ):
            continue
        payload = line["frame"][3]
        if payload["connectorId"] == 0:
            continue
        connector = (line["station_id"], payload["connectorId"])
        if connector in now and now[connector] != payload["status"]:
            assert payload["status"] in MOVES[now[connector]].split(), (line, now[connector])
            seen.add((now[connector], payload["status"]))
        else:
            assert payload["status"] == "Available", line
        now[connector] = payload["status"]
        if payload["errorCode"] == "EVCommunicationError":
            assert payload["status"] in {"Preparing", "SuspendedEV", "SuspendedEVSE", "Finishing"}
    assert len(seen) >= 12


def test_sequence_numbers_and_registers(clean: Path) -> None:
    """2.0.1: seqNo counts from 0 without gaps and ends with Ended; 1.6.

    Registers never run backwards.
    """
    numbers: dict[str, list[int]] = {}
    ended = set()
    register: dict[tuple[str, int], int] = {}
    for line in frames(clean):
        if line["frame"][0] != 2:
            continue
        action, payload = line["frame"][2:]
        if action == "TransactionEvent":
            tx = payload["transactionInfo"]["transactionId"]
            numbers.setdefault(tx, []).append(payload["seqNo"])
            ended |= {tx} if payload["eventType"] == "Ended" else set()
        if action == "StartTransaction":
            connector = (line["station_id"], payload["connectorId"])
            assert payload["meterStart"] >= register.get(connector, 0)
            register[connector] = payload["meterStart"]
    assert ended == set(numbers)
    assert all(n == list(range(len(n))) for n in numbers.values())


def test_dirt_is_counted_and_clean_lines_stay(dirty: Path) -> None:
    """What was broken on purpose is counted in the truth; every other line is still a frame."""
    damage = json.loads((dirty / "truth" / "damage.json").read_text())
    assert sum(d["duplicated"] for d in damage.values()) > 0
    for name, done in damage.items():
        if not name.startswith("ocpp/"):
            continue
        lines = read(dirty / "delivery" / name).split(b"\n")[:-1]
        broken = sum(not whole(line) for line in lines)
        expected = done["cut"] + done["nul"] + done["bad_bytes"]
        # a broken line may itself have been sent twice
        assert expected <= broken <= expected + done["duplicated"], name


def whole(line: bytes) -> bool:
    """Whether a line parses as a frame."""
    try:
        return isinstance(json.loads(line.decode("utf-8"))["frame"], list)
    except (ValueError, KeyError):
        return False


@pytest.mark.parametrize(
    "name", ["fleet/vehicles.csv", "fleet/tokens.csv", "sites/evses.csv", "telematics/dtcs.csv"]
)
def test_tables_are_there(clean: Path, name: str) -> None:
    """The tidy delivery's tables exist and hold rows."""
    assert len((clean / "delivery" / name).read_bytes().splitlines()) > 5
