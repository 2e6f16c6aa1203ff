"""A case's shorthand, a line a happening, written out as the files a delivery holds (contract: what comes in).

`TIME SUBJECT VERB words… key=value… -> answer`. TIME is true time (UTC, day of the case; `1d/` before it: a day later). SUBJECT is a
station and connector (`A1`), a station (`A`) or a vehicle (`v1`). Stations in the letters of `V201` speak OCPP 2.0.1, others 1.6.
The station writes its own clock, which `clock` sets; the receiver sees a frame 0.3 s later, or at `rx=`. Shares no code with the pipeline.
"""

from __future__ import annotations

import csv
import io
import json
import re
import shlex
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

V201 = "BER"  # letters of stations that speak OCPP 2.0.1
HIGH = {"A": "12", "B": "9", "C": "6", "D": "3", "E": "0", "F": ""}  # IEC 61851-1 nominal levels
PILOT_HEAD = "at,station_id,connector_id,state,high_v,low_v,duty_pct,contactor,fault"
CHARGING_HEAD = "at,vehicle_id,event,inlet,soc_pct"
NAMES = re.compile(r"<(\w*)>")


def stamp(at: datetime) -> str:
    """ISO 8601 with milliseconds and Z."""
    return at.strftime("%Y-%m-%dT%H:%M:%S.") + f"{at.microsecond // 1000:03d}Z"


def when(word: str, day: datetime) -> datetime:
    """`08:00:00`, `1d/08:00:00` (a day later) or a whole ISO time, as aware UTC."""
    if "T" in word:
        return datetime.fromisoformat(word).astimezone(UTC)
    ahead, _, clock = word.rpartition("d/")
    hour, minute, second = clock.split(":")
    return day + timedelta(days=int(ahead or 0), hours=int(hour), minutes=int(minute), seconds=float(second))


@dataclass
class Clock:
    """What a station's clock shows: set to a time, or so many seconds ahead, and running so many seconds a day too fast."""

    true_from: datetime
    shows: datetime
    fast_s_per_day: float = 0.0

    def at(self, true: datetime) -> datetime:
        """The clock's reading at a true time."""
        gone = true - self.true_from
        return self.shows + gone + timedelta(seconds=self.fast_s_per_day * gone.total_seconds() / 86400)


@dataclass
class Log:
    """Files of one case, built line by line. `prefix` keeps the ids of cases apart."""

    prefix: str
    day: datetime
    frames: list[tuple[datetime, str]] = field(default_factory=list)
    calls: list[tuple[str, str, bool, dict[str, Any]]] = field(default_factory=list)  # version, action, is a result, payload
    pilot: list[list[str]] = field(default_factory=list)
    charging: list[list[str]] = field(default_factory=list)
    clocks: dict[str, Clock] = field(default_factory=dict)
    ids: int = 0
    seq: dict[str, int] = field(default_factory=dict)

    def named(self, word: str) -> str:
        """The id as the delivery has it."""
        return f"{self.prefix}{word}"

    def station_time(self, station: str, true: datetime) -> datetime:
        """True time as the station's clock shows it."""
        return self.clocks[station].at(true) if station in self.clocks else true

    def read(self, line: str) -> None:
        """Write out one line of shorthand."""
        told, _, answer = line.partition(" -> ")
        time, subject, verb, *words = shlex.split(told)
        options = dict(w.split("=", 1) for w in words if "=" in w)
        words = [w for w in words if "=" not in w]
        true = when(time, self.day)
        if subject.startswith("v"):
            self.charging.append(
                [stamp(true), self.named(subject), verb, options.get("inlet", "cType2"), options.get("soc", "")]
            )
        elif verb == "clock":
            self.set_clock(subject, true, words[0], float(options.get("fast", 0)))
        elif verb == "cp":
            self.cp(true, subject, words, options)
        else:
            Frames(self, true, subject, options, answer.split()).write(verb, words)

    def set_clock(self, station: str, true: datetime, word: str, fast: float) -> None:
        """`+3600`, `-20` (seconds ahead of true time) or a time it jumps to."""
        shows = true + timedelta(seconds=float(word)) if word[0] in "+-" else when(word, self.day)
        self.clocks[station] = Clock(true, shows, fast)

    def cp(self, true: datetime, subject: str, words: list[str], options: dict[str, str]) -> None:
        """A row of the control pilot: `B2 [closed] [low=-8.8] [high=] [fault=]`."""
        state = words[0]
        pulsed = state.endswith("2")
        low = options.get("low", "-12" if pulsed or state == "F" else "")
        duty = options.get("duty", "26.7" if pulsed else "")
        contactor = "closed" if "closed" in words else "open"
        shown = stamp(self.station_time(subject[0], true))
        self.pilot.append(
            [shown, self.named(subject[0]), subject[1:], state, options.get("high", HIGH[state[0]]), low, duty, contactor,
             options.get("fault", "")]
        )  # fmt: skip

    def files(self) -> dict[str, str]:
        """The delivery's files, by name; frames as the receiver saw them."""
        made = {}
        if self.frames:
            lines = [line for _, line in sorted(self.frames, key=lambda f: f[0])]
            made[f"ocpp/{self.prefix}.jsonl"] = "\n".join(lines) + "\n"
        if self.pilot:
            made[f"pilot/{self.prefix}.csv"] = table(PILOT_HEAD, self.pilot)
        if self.charging:
            made[f"telematics/{self.prefix}charging.csv"] = table(CHARGING_HEAD, self.charging)
        return made


def table(head: str, rows: list[list[str]]) -> str:
    """CSV text."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head.split(","))
    writer.writerows(rows)
    return out.getvalue()


@dataclass
class Frames:
    """The frames of one line: a call, its answer, and what the wire did to them."""

    log: Log
    true: datetime
    subject: str
    options: dict[str, str]
    answer: list[str]

    def write(self, verb: str, words: list[str]) -> None:
        """Build the call's payload and its answer's, and put both on the wire."""
        old = self.subject[0] not in V201
        version = "1.6" if old else "2.0.1"
        build = getattr(self, f"{verb}_16" if old else f"{verb}_201", None) or getattr(self, verb)
        action, payload, result = build(*words)
        way = "out" if verb == "remote" else "in"
        self.put(version, way, action, payload, result)

    @property
    def connector(self) -> int:
        """The connector named, or the EVSE in 2.0.1."""
        return int(self.subject[1:])

    def shown(self, true: datetime | None = None) -> str:
        """The station's time."""
        return stamp(self.log.station_time(self.subject[0], true or self.true))

    def token(self, word: str) -> str:
        """A token's id in this case."""
        return self.log.named(word)

    def put(self, version: str, way: str, action: str, payload: dict[str, Any], result: dict[str, Any]) -> None:
        """The call at the receiver, again where it says so, then its result, error or nothing."""
        log = self.log
        log.ids += 1
        identity = self.options.get("id", f"{log.prefix}{log.ids}")
        received = when(self.options["rx"], log.day) if "rx" in self.options else self.true + timedelta(seconds=0.3)
        call = [2, identity, action, payload]
        log.calls.append((version, action, False, payload))
        line = self.line(received, way, version, call)
        log.frames.append((received, line[: int(self.options["cut"])] if "cut" in self.options else line))
        for again in self.options.get("again", "").split(","):
            if again:
                log.frames.append((when(again, log.day), self.line(when(again, log.day), way, version, call)))
        if self.answer[:1] == ["none"]:
            return
        back: list[Any] = [3, identity, result]
        if self.answer[:1] == ["error"]:
            code = self.answer[1] if len(self.answer) > 1 else "InternalError"
            back = [4, identity, code, "", {}]
        else:
            log.calls.append((version, action, True, result))
        answered = received + timedelta(seconds=0.2)
        log.frames.append((answered, self.line(answered, "out" if way == "in" else "in", version, back)))

    def line(self, at: datetime, way: str, version: str, frame: list[Any]) -> str:
        """The envelope's line."""
        station = self.log.named(self.subject[0])
        return json.dumps({"at": stamp(at), "station_id": station, "dir": way, "version": version, "frame": frame})

    # -- both versions ------------------------------------------------------------------------------------------------------

    def heartbeat(self) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A heartbeat`."""
        return "Heartbeat", {}, {"currentTime": stamp(self.true + timedelta(seconds=0.4))}

    # -- OCPP 1.6 -----------------------------------------------------------------------------------------------------------

    def boot_16(self, firmware: str = "1.0") -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A boot [firmware]`."""
        payload = {"chargePointModel": "Ambelin W11", "chargePointVendor": "Ambelin", "firmwareVersion": firmware}
        return "BootNotification", payload, {"currentTime": self.central(), "interval": 300, "status": "Accepted"}

    def central(self) -> str:
        """The central clock when it answers."""
        received = when(self.options["rx"], self.log.day) if "rx" in self.options else self.true + timedelta(seconds=0.3)
        return stamp(received + timedelta(seconds=0.1))

    def status_16(self, status: str, error: str = "NoError") -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A1 status Faulted GroundFailure [vendor=… code=… info=…]`."""
        payload: dict[str, Any] = {"connectorId": self.connector, "errorCode": error, "status": status}
        if "unstamped" not in self.options:
            payload["timestamp"] = self.shown()
        optional = {"vendor": "vendorId", "code": "vendorErrorCode", "info": "info"}
        payload |= {name: self.options[key] for key, name in optional.items() if key in self.options}
        return "StatusNotification", payload, {}

    def authorize_16(self, token: str) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A authorize T1 -> Invalid` (Accepted where nothing is said)."""
        return "Authorize", {"idTag": self.token(token)}, {"idTagInfo": {"status": self.said()}}

    def said(self, place: int = 0) -> str:
        """The answer's status word."""
        return self.answer[place] if len(self.answer) > place else "Accepted"

    def start_16(self, token: str, wh: str) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A1 start T1 1000 -> 7 [Invalid]`: meterStart in Wh; the answer gives the transaction id."""
        payload = {"connectorId": self.connector, "idTag": self.token(token), "meterStart": int(wh), "timestamp": self.shown()}
        number = int(self.answer[0]) if self.answer and self.answer[0].isdigit() else 0
        return "StartTransaction", payload, {"idTagInfo": {"status": self.said(1)}, "transactionId": number}

    def stop_16(self, number: str, wh: str, reason: str = "") -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A stop 7 13000 [EVDisconnected]`."""
        payload = {"transactionId": int(number), "meterStop": int(wh), "timestamp": self.shown()}
        return "StopTransaction", payload | ({"reason": reason} if reason else {}), {}

    def meter_16(self, value: str, number: str = "") -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A1 meter 6000 [7] [unit=kWh] [of=Power.Active.Import] [context=…]`; Wh register where nothing is said."""
        keys = {"unit": "unit", "of": "measurand", "context": "context", "phase": "phase"}
        sample = {"value": value} | {name: self.options[key] for key, name in keys.items() if key in self.options}
        payload: dict[str, Any] = {"connectorId": self.connector, "meterValue": [{"timestamp": self.shown(), "sampledValue": [sample]}]}
        return "MeterValues", payload | ({"transactionId": int(number)} if number else {}), {}

    def remote_16(self, token: str) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A1 remote T1`: the central system asks for a start."""
        return "RemoteStartTransaction", {"connectorId": self.connector, "idTag": self.token(token)}, {"status": self.said()}

    # -- OCPP 2.0.1 ---------------------------------------------------------------------------------------------------------

    def boot_201(self, firmware: str = "1.0") -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`B boot [firmware]`."""
        station = {"model": "Ferrick T22", "vendorName": "Ferrick", "firmwareVersion": firmware}
        payload = {"chargingStation": station, "reason": "PowerUp"}
        return "BootNotification", payload, {"currentTime": self.central(), "interval": 300, "status": "Accepted"}

    def status_201(self, status: str) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`B1 status Occupied`."""
        payload = {"timestamp": self.shown(), "connectorStatus": status, "evseId": self.connector, "connectorId": 1}
        return "StatusNotification", payload, {}

    def authorize_201(self, token: str) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`B authorize T1 -> Invalid`."""
        payload = {"idToken": {"idToken": self.token(token), "type": "ISO14443"}}
        return "Authorize", payload, {"idTokenInfo": {"status": self.said()}}

    def tx_201(self, kind: str, trigger: str, state: str = "") -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`B1 tx Started CablePluggedIn EVConnected [tx=a] [token=T1] [wh=1000 | kwh=1] [stop=…] [-> Invalid]`."""
        transaction = self.log.named(self.options.get("tx", "a"))
        seq = self.log.seq.get(transaction, -1) + 1
        self.log.seq[transaction] = seq
        info = {"transactionId": transaction} | ({"chargingState": state} if state else {})
        info |= {"stoppedReason": self.options["stop"]} if "stop" in self.options else {}
        payload: dict[str, Any] = {
            "eventType": kind,
            "timestamp": self.shown(),
            "triggerReason": trigger,
            "seqNo": seq,
            "transactionInfo": info,
            "evse": {"id": self.connector, "connectorId": 1},
        }
        if "offline" in self.options:
            payload["offline"] = True
        if "token" in self.options:
            payload["idToken"] = {"idToken": self.token(self.options["token"]), "type": "ISO14443"}
        if "wh" in self.options or "kwh" in self.options:
            payload["meterValue"] = [{"timestamp": self.shown(), "sampledValue": [self.sample_201()]}]
        said = {"idTokenInfo": {"status": self.said()}} if "token" in self.options else {}
        return "TransactionEvent", payload, said

    def sample_201(self) -> dict[str, Any]:
        """A value of the energy register, in Wh by default (nothing said), or in kWh."""
        if "kwh" in self.options:
            return {"value": float(self.options["kwh"]), "unitOfMeasure": {"unit": "kWh"}}
        scale = {"unitOfMeasure": {"unit": "Wh", "multiplier": int(self.options["ten"])}} if "ten" in self.options else {}
        return {"value": float(self.options["wh"])} | scale

    def event_201(self, code: str) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`B1 event CX014 [tx=a] [info=…] [cleared]`: a NotifyEvent with a techCode."""
        told: dict[str, Any] = {
            "eventId": self.log.ids,
            "timestamp": self.shown(),
            "trigger": "Alerting",
            "actualValue": self.options.get("value", "true"),
            "eventNotificationType": "HardWiredNotification",
            "component": {"name": "Connector", "evse": {"id": self.connector, "connectorId": 1}},
            "variable": {"name": "Problem"},
            "techCode": code,
        }
        told |= {"techInfo": self.options["info"]} if "info" in self.options else {}
        told |= {"transactionId": self.log.named(self.options["tx"])} if "tx" in self.options else {}
        told |= {"cleared": self.options["cleared"] == "yes"} if "cleared" in self.options else {}
        return "NotifyEvent", {"generatedAt": self.shown(), "seqNo": 0, "eventData": [told]}, {}
