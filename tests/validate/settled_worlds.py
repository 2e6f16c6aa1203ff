"""Random weeks of a site as the core tables hold them, in two deliveries: visits with messages, samples and pilot rows, silences between,
transaction numbers used again, messages told late, restarts; now and then a row of the past comes with the second delivery.
"""

# ruff: noqa: S311

from __future__ import annotations

import random
from typing import Any

from .worlds import Row, World

DAY_S = 86_400
STATES = ("A1", "A2", "B1", "B2", "C2", "C1", "E", "F")
STATUSES = (
    "Available",
    "Preparing",
    "Charging",
    "SuspendedEV",
    "Finishing",
    "Faulted",
    "Unavailable",
)
FLEET: World = {
    "core_evse": [{"evse_id": f"e{c}", "connector_id": c} for c in (1, 2)],
    "core_vehicle": [{"vehicle_id": "v1", "ac_phases": 1}, {"vehicle_id": "v2"}],
}


class Site:
    """Rows of two deliveries; `late` is the share of rows of the first's time that come with the second."""

    def __init__(self, seed: int, late: float) -> None:
        self.rng = random.Random(seed)
        self.late = late
        self.cut = self.rng.uniform(12, 19) * DAY_S
        self.parts: tuple[World, World] = ({}, {})
        self.line = 0
        for table, rows in FLEET.items():
            self.parts[0][table] = rows

    def put(self, heard: float, **rows: list[Row]) -> None:
        """Rows of one line, heard then; they stand in a file of their delivery."""
        second = heard >= self.cut or self.rng.random() < self.late
        self.line += 1
        for table, found in rows.items():
            named = [{**row, "file_id": f"f{int(second)}", "line": self.line} for row in found]
            self.parts[second].setdefault(table, []).extend(named)

    def said(self, at: float, connector: int | None, action: str, **more: Any) -> None:
        """A message and its frame; one in thirty is received hours later, or by a clock ahead."""
        heard = at + (
            self.rng.choice([-7200, 20_000, 90_000])
            if self.rng.random() < 0.03
            else self.rng.random()
        )
        samples = more.pop("samples", [])
        told = {"connector_id": connector, "transaction_id": more.get("transaction_id")}
        frame = {
            **told,
            "receiver_at_utc": heard,
            "station_at_utc": at,
            "meter_wh": more.get("meter_wh"),
        }
        signal = {**more, "connector_id": connector, "at_utc": at, "action": action}
        if connector is None or connector == 0:
            signal["evse_id"] = None
        sampled = [
            {**told, **sample, "receiver_at_utc": heard, "station_at_utc": at} for sample in samples
        ]
        self.put(heard, raw_frame=[frame], core_signal=[signal], raw_sample=sampled)

    def visit(self, t: float, connector: int, number: str) -> float:
        """A stay at a connector; when it ends."""
        rng, end = self.rng, t + self.rng.choice([60, 600, 5000, 40_000, 200_000])
        transaction = rng.choice([number, number, number, None])
        wh = rng.choice([0.0, 1000.0, 999_000.0])
        started = {"transaction_id": transaction, "meter_wh": wh}
        self.said(t + 5, connector, "StartTransaction", **started)
        for _ in range(rng.randrange(6)):
            at = rng.uniform(t, end)
            self.pilot(at, connector)
            self.said(at, connector, "StatusNotification", status=rng.choice(STATUSES))
            self.meter(rng.uniform(t, end), connector, rng.choice([transaction, None]), wh)
        if rng.random() < 0.8:
            self.said(
                end,
                rng.choice([connector, None]),
                "StopTransaction",
                **{**started, "meter_wh": wh + rng.choice([-5.0, 0.0, 4e5])},
            )
        if rng.random() < 0.8:
            row = {
                "attempt_id": f"{connector}|{t}",
                "evse_id": f"e{connector}",
                "connector_id": connector,
                "plugged_at_utc": t - rng.choice([0, 300]),
            }
            told = {
                "unplugged_at_utc": end,
                "transaction_id": transaction,
                "vehicle_id": rng.choice(["v1", "v2", None]),
                "energy_kwh": 1.0,
            }
            second = end >= self.cut
            self.parts[second].setdefault("core_attempt", []).append({**row, **told})
        return end

    def meter(self, at: float, connector: int, transaction: str | None, wh: float) -> None:
        """Samples of one moment."""
        rng = self.rng
        kinds = [
            ("Energy.Active.Import.Register", wh + rng.choice([0, 50, 9e5])),
            ("Current.Import", rng.choice([0.0, 9.0, 40.0])),
            ("Power.Active.Import", 3000.0),
        ]
        chosen = [
            {"measurand": m, "sample_value": v, "unit": None}
            for m, v in rng.sample(kinds, rng.randrange(1, 4))
        ]
        self.said(at, connector, "MeterValues", transaction_id=transaction, samples=chosen)

    def pilot(self, at: float, connector: int) -> None:
        """A pilot row, or some a second apart."""
        for _ in range(self.rng.choice([1, 1, 3])):
            state = self.rng.choice(STATES)
            row = {
                "connector_id": connector,
                "evse_id": f"e{connector}",
                "at_utc": at,
                "pilot_state": state,
                "duty_pct": self.rng.choice([0.0, 10.0, 50.0, None]),
            }
            levels = {
                "high_v": self.rng.choice([9.0, 6.0, None]),
                "contactor": self.rng.choice(["open", "closed"]),
            }
            self.put(at, core_pilot=[{**row, **levels}])
            at += self.rng.choice([0.0, 0.2, 5.0])


def deliveries(seed: int, late: float, days: int = 24) -> tuple[World, World]:
    """What came first and what came then."""
    site = Site(seed, late)
    rng, idle = site.rng, site.rng.choice([None, 1, 2])
    number = 0
    for connector in (1, 2):
        t = rng.uniform(0, 2 * DAY_S)
        while t < days * DAY_S:
            number += 1
            gone = connector == idle and 4 * DAY_S < t < 17 * DAY_S
            if not gone:
                t = site.visit(t, connector, rng.choice(["7"] + [str(number)] * 60))
            t += rng.choice([30, 3000, 30_000, 100_000])
    for _ in range(rng.randrange(12)):
        site.said(
            rng.uniform(0, days) * DAY_S, 0, "StatusNotification", status=rng.choice(STATUSES)
        )
        site.said(
            rng.uniform(0, days) * DAY_S,
            None,
            rng.choice(["BootNotification", "Heartbeat", "Heartbeat"]),
        )
    for _ in range(rng.randrange(3)):
        at = rng.uniform(0, days) * DAY_S
        row = {"station_id": "s1", "valid_from_utc": at, "firmware": rng.choice(["10", "11"])}
        site.parts[at >= site.cut].setdefault("core_firmware", []).append(row)
    site.put(0, raw_frame=[{"receiver_at_utc": 0}])
    for order, part in enumerate(site.parts):
        part["raw_file"] = [{"file_id": f"f{order}", "ingested_at_utc": days * DAY_S}]
    return site.parts
