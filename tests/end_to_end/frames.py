"""The OCPP frames of a case's lines.

A method a message, named `VERB_16` or `VERB_201`, giving action, payload and result.
"""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from typing import Any

from tests.end_to_end.shorthand import Told, stamp, when

V201 = "BER"  # letters of stations that speak OCPP 2.0.1; the others speak 1.6


def write(told: Told, verb: str, words: list[str]) -> None:
    """Put the frames of one line on the wire."""
    Frames(told.log, told.true, told.subject, told.options, told.answer).write(verb, words)


class Frames(Told):
    """The frames of one line: a call, its answer, and what the wire did to them."""

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
        return self.log.shown(self.subject[0], true or self.true)

    def token(self, word: str) -> str:
        """A token's id in this case."""
        return self.log.named(word)

    def put(
        self, version: str, way: str, action: str, payload: dict[str, Any], result: dict[str, Any]
    ) -> None:
        """The call at the receiver, again where it says so, then its result, error or nothing."""
        log = self.log
        log.ids += 1
        identity = self.options.get("id", f"{log.prefix}{log.ids}")
        received = (
            when(self.options["rx"], log.day)
            if "rx" in self.options
            else self.true + timedelta(seconds=0.3)
        )
        call = [2, identity, action, payload]
        log.calls.append((version, action, False, payload))
        line = self.line(received, way, version, call)
        log.frames.append(
            (received, line[: int(self.options["cut"])] if "cut" in self.options else line)
        )
        for again in self.options.get("again", "").split(","):
            if again:
                log.frames.append(
                    (when(again, log.day), self.line(when(again, log.day), way, version, call))
                )
        if self.answer[:1] == ["none"]:
            return
        back: list[Any] = [3, identity, result]
        if self.answer[:1] == ["error"]:
            code = self.answer[1] if len(self.answer) > 1 else "InternalError"
            back = [4, identity, code, "", {}]
        else:
            log.calls.append((version, action, True, result))
        answered = received + timedelta(seconds=0.2)
        log.frames.append(
            (answered, self.line(answered, "out" if way == "in" else "in", version, back))
        )

    def line(self, at: datetime, way: str, version: str, frame: list[Any]) -> str:
        """The envelope's line."""
        station = self.log.named(self.subject[0])
        received = stamp(at, "offset" if self.log.habits.form == "offset" else "milliseconds")
        return json.dumps(
            {"at": received, "station_id": station, "dir": way, "version": version, "frame": frame}
        )

    # -- both versions
    # ------------------------------------------------------------------------------------------------------

    def heartbeat(self) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A heartbeat`."""
        return "Heartbeat", {}, {"currentTime": stamp(self.true + timedelta(seconds=0.4))}

    # -- OCPP 1.6
    # -----------------------------------------------------------------------------------------------------------

    def boot_16(self, firmware: str = "1.0") -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A boot [firmware]`."""
        payload = {
            "chargePointModel": "Ambelin W11",
            "chargePointVendor": "Ambelin",
            "firmwareVersion": firmware,
        }
        return (
            "BootNotification",
            payload,
            {"currentTime": self.central(), "interval": 300, "status": "Accepted"},
        )

    def central(self) -> str:
        """The central clock when it answers."""
        received = (
            when(self.options["rx"], self.log.day)
            if "rx" in self.options
            else self.true + timedelta(seconds=0.3)
        )
        return stamp(received + timedelta(seconds=0.1))

    def status_16(
        self, status: str, error: str = "NoError"
    ) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A1 status Faulted GroundFailure [vendor=… code=… info=…]`."""
        payload: dict[str, Any] = {
            "connectorId": self.connector,
            "errorCode": error,
            "status": status,
        }
        if "unstamped" not in self.options:
            payload["timestamp"] = self.shown()
        optional = {"vendor": "vendorId", "code": "vendorErrorCode", "info": "info"}
        payload |= {
            name: self.options[key] for key, name in optional.items() if key in self.options
        }
        return "StatusNotification", payload, {}

    def authorize_16(self, token: str) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A authorize T1 -> Invalid` (Accepted where nothing is said)."""
        return "Authorize", {"idTag": self.token(token)}, {"idTagInfo": {"status": self.said()}}

    def said(self, place: int = 0) -> str:
        """The answer's status word."""
        return self.answer[place] if len(self.answer) > place else "Accepted"

    def start_16(self, token: str, wh: str) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A1 start T1 1000 -> 7 [Invalid]`: meterStart in Wh.

        The answer gives the transaction id.
        """
        payload = {
            "connectorId": self.connector,
            "idTag": self.token(token),
            "meterStart": int(wh),
            "timestamp": self.shown(),
        }
        number = int(self.answer[0]) if self.answer and self.answer[0].lstrip("-").isdigit() else 0
        return (
            "StartTransaction",
            payload,
            {"idTagInfo": {"status": self.said(1)}, "transactionId": number},
        )

    def stop_16(
        self, number: str, wh: str, reason: str = ""
    ) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A stop 7 13000 [EVDisconnected]`."""
        payload = {"transactionId": int(number), "meterStop": int(wh), "timestamp": self.shown()}
        return "StopTransaction", payload | ({"reason": reason} if reason else {}), {}

    def meter_16(self, value: str, number: str = "") -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A1 meter 6000 [7] [unit=kWh] [of=Power.Active.Import] [context=…]`.

        Wh register where nothing is said.
        """
        keys = {"unit": "unit", "of": "measurand", "context": "context", "phase": "phase"}
        sample = {"value": value} | {
            name: self.options[key] for key, name in keys.items() if key in self.options
        }
        payload: dict[str, Any] = {
            "connectorId": self.connector,
            "meterValue": [{"timestamp": self.shown(), "sampledValue": [sample]}],
        }
        return "MeterValues", payload | ({"transactionId": int(number)} if number else {}), {}

    def samples_16(self, number: str, *told: str) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A1 samples 7 Power.Active.Import:7000:W SoC:40:Percent`: values of one moment; `-` without transaction."""
        names = ("measurand", "value", "unit")
        sampled = [dict(zip(names, one.split(":"), strict=True)) for one in told]
        payload: dict[str, Any] = {
            "connectorId": self.connector,
            "meterValue": [{"timestamp": self.shown(), "sampledValue": sampled}],
        }
        return (
            "MeterValues",
            payload | ({} if number == "-" else {"transactionId": int(number)}),
            {},
        )

    def remote_16(self, token: str) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`A1 remote T1`: the central system asks for a start."""
        return (
            "RemoteStartTransaction",
            {"connectorId": self.connector, "idTag": self.token(token)},
            {"status": self.said()},
        )

    # -- OCPP 2.0.1
    # ---------------------------------------------------------------------------------------------------------

    def boot_201(self, firmware: str = "1.0") -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`B boot [firmware]`."""
        station = {"model": "Ferrick T22", "vendorName": "Ferrick", "firmwareVersion": firmware}
        payload = {"chargingStation": station, "reason": "PowerUp"}
        return (
            "BootNotification",
            payload,
            {"currentTime": self.central(), "interval": 300, "status": "Accepted"},
        )

    def status_201(self, status: str) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`B1 status Occupied`."""
        payload = {
            "timestamp": self.shown(),
            "connectorStatus": status,
            "evseId": self.connector,
            "connectorId": 1,
        }
        return "StatusNotification", payload, {}

    def authorize_201(self, token: str) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`B authorize T1 -> Invalid`."""
        payload = {"idToken": {"idToken": self.token(token), "type": "ISO14443"}}
        return "Authorize", payload, {"idTokenInfo": {"status": self.said()}}

    def tx_201(
        self, kind: str, trigger: str, state: str = ""
    ) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`B1 tx Started CablePluggedIn EVConnected [tx=a] [token=T1] [kind=…] [wh=1000 | kwh=1]
        [stop=…] [evse=none] [-> Invalid]`.
        """
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
        }
        if self.options.get("evse") != "none":
            payload["evse"] = {"id": self.connector, "connectorId": 1}
        if "offline" in self.options:
            payload["offline"] = True
        if "token" in self.options:
            kind = self.options.get("kind", "ISO14443")
            token = "" if kind == "NoAuthorization" else self.token(self.options["token"])
            payload["idToken"] = {"idToken": token, "type": kind}
        values = [self.sample_201()] if {"wh", "kwh"} & set(self.options) else []
        values += [self.value_201(one) for one in self.options.get("also", "").split()]
        if values:
            payload["meterValue"] = [{"timestamp": self.shown(), "sampledValue": values}]
        said = {"idTokenInfo": {"status": self.said()}} if "token" in self.options else {}
        return "TransactionEvent", payload, said

    def sample_201(self) -> dict[str, Any]:
        """A value of the energy register, in Wh by default (nothing said), or in kWh."""
        if "kwh" in self.options:
            return {"value": float(self.options["kwh"]), "unitOfMeasure": {"unit": "kWh"}}
        scale = (
            {"unitOfMeasure": {"unit": "Wh", "multiplier": int(self.options["ten"])}}
            if "ten" in self.options
            else {}
        )
        return {"value": float(self.options["wh"])} | scale

    def value_201(self, told: str) -> dict[str, Any]:
        """`Power.Active.Import:7000:W` as a sampled value."""
        measurand, value, unit = told.split(":")
        return {"measurand": measurand, "value": float(value), "unitOfMeasure": {"unit": unit}}

    def remote_201(self, token: str) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`B1 remote T1`: the central system asks for a start."""
        payload = {
            "evseId": self.connector,
            "remoteStartId": self.log.ids + 1,
            "idToken": {"idToken": self.token(token), "type": "Central"},
        }
        return "RequestStartTransaction", payload, {"status": self.said()}

    def notice_201(
        self, trigger: str, component: str, variable: str, value: str
    ) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`B1 notice Delta PowerContactor State closed [code=…] [info=…] [tx=a]`: what changes, as a NotifyEvent."""
        told: dict[str, Any] = {
            "eventId": self.log.ids,
            "timestamp": self.shown(),
            "trigger": trigger,
            "actualValue": value,
            "eventNotificationType": "CustomMonitor",
            "component": {
                "name": component,
                "evse": {"id": self.connector, "connectorId": 1},
            },
            "variable": {"name": variable},
        }
        optional = {"code": "techCode", "info": "techInfo"}
        told |= {name: self.options[key] for key, name in optional.items() if key in self.options}
        told |= (
            {"transactionId": self.log.named(self.options["tx"])} if "tx" in self.options else {}
        )
        return "NotifyEvent", {"generatedAt": self.shown(), "seqNo": 0, "eventData": [told]}, {}

    def meter_201(self, value: str) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`B1 meter 6000`: a MeterValues message of its own, Wh."""
        sample = {"timestamp": self.shown(), "sampledValue": [{"value": float(value)}]}
        return "MeterValues", {"evseId": self.connector, "meterValue": [sample]}, {}

    def event_201(self, code: str) -> tuple[str, dict[str, Any], dict[str, Any]]:
        """`B1 event CX014 [tx=a] [info=…] [cleared=yes] [evse=none]`: a NotifyEvent with a techCode."""
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
        if self.options.get("evse") == "none":
            told["component"] = {"name": "Connector"}
        told |= {"techInfo": self.options["info"]} if "info" in self.options else {}
        told |= (
            {"transactionId": self.log.named(self.options["tx"])} if "tx" in self.options else {}
        )
        told |= {"cleared": self.options["cleared"] == "yes"} if "cleared" in self.options else {}
        return "NotifyEvent", {"generatedAt": self.shown(), "seqNo": 0, "eventData": [told]}, {}
