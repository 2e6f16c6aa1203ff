"""A hand-made station: raw_* rows written one happening at a time, for the normalise tests."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import duckdb
import polars as pl

from pipeline.normalise import normalise
from pipeline.registry import polars_schema
from pipeline.settings.normalise import NormaliseSettings
from pipeline.storage.tables import create_tables
from pipeline.storage.warehouse import Connection, append, read

T0 = datetime(2026, 3, 2, 8, 0, 0, tzinfo=UTC)
TABLES = (
    "raw_file",
    "raw_vehicle",
    "raw_token",
    "raw_evse",
    "raw_frame",
    "raw_sample",
    "raw_pilot",
    "raw_session",
    "raw_charging",
    "raw_event",
)


def at(seconds: float) -> datetime:
    """So many seconds after the tests' origin."""
    return T0 + timedelta(seconds=seconds)


@dataclass
class World:
    """Raw rows collected by table.

    `clock` is what the station's clock is ahead of true time, in seconds.
    """

    station: str = "st1"
    version: str = "1.6"
    clock: float = 0.0
    latency: float = 0.2
    rows: dict[str, list[dict[str, Any]]] = field(default_factory=lambda: {t: [] for t in TABLES})
    ids: int = 0
    clock_at: Callable[[float], float] | None = None

    def stamp(self, t: float) -> datetime:
        """What the station's clock shows at true second t."""
        return at(t + (self.clock if self.clock_at is None else self.clock_at(t)))

    def evse(self, evse_id: str = "e1", connector: int = 1, **more: Any) -> None:
        """An EVSE of the station."""
        self.add(
            "raw_evse",
            evse_id=evse_id,
            site_id="s",
            station_id=self.station,
            connector_id=connector,
            evse_model="Ambelin W11",
            firmware="9",
            supply="AC",
            connector_type="sType2",
            timezone="Europe/Oslo",
            diode_check="yes",
            **more,
        )

    def token(
        self, token: str, vehicle: str, start: datetime | None = None, end: datetime | None = None
    ) -> None:
        """A token of a vehicle, and the vehicle."""
        self.add(
            "raw_token", id_token=token, vehicle_id=vehicle, valid_from_utc=start, valid_to_utc=end
        )
        self.add("raw_vehicle", vehicle_id=vehicle, vehicle_model="Oskel Tiffin", inlets="cType2")

    def add(self, table: str, **values: Any) -> None:
        """One raw row; file and line are given where absent."""
        line = len(self.rows[table]) + 1
        self.rows[table].append({"file_id": table, "line": line, "frame_key": line, **values})

    def call(
        self,
        t: float,
        action: str,
        *,
        stamped: bool = True,
        received: float | None = None,
        answer: dict[str, Any] | None = None,
        **values: Any,
    ) -> None:
        """A call from the station at true second t, received after the latency (or at `received`),
        and its answer.
        """
        self.ids += 1
        got = t + self.latency if received is None else received
        base = {"station_id": self.station, "version": self.version, "message_id": str(self.ids)}
        stamp = self.stamp(t) if stamped else None
        self.add(
            "raw_frame",
            receiver_at_utc=at(got),
            direction="in",
            message_type=2,
            action=action,
            station_at_utc=stamp,
            **base,
            **values,
        )
        if answer is not None:
            self.add(
                "raw_frame",
                receiver_at_utc=at(got + 0.1),
                direction="out",
                message_type=3,
                **base,
                **answer,
            )

    def status(
        self, t: float, status: str, error: str = "NoError", connector: int = 1, **values: Any
    ) -> None:
        """A StatusNotification (1.6)."""
        self.call(
            t,
            "StatusNotification",
            answer={},
            status=status,
            error_code=error,
            connector_id=connector,
            **values,
        )

    def card(self, t: float, tag: str = "T1", said: str | None = "Accepted") -> None:
        """An Authorize and its answer (None: no answer)."""
        self.call(
            t,
            "Authorize",
            stamped=False,
            answer=None if said is None else {"id_token_status": said},
            id_token=tag,
        )

    def start(
        self,
        t: float,
        wh: float = 1000.0,
        tag: str = "T1",
        tx: str = "7",
        connector: int = 1,
        said: str = "Accepted",
    ) -> None:
        """A StartTransaction and its answer."""
        self.call(
            t,
            "StartTransaction",
            answer={"id_token_status": said, "transaction_id": tx},
            id_token=tag,
            meter_wh=wh,
            connector_id=connector,
        )

    def stop(self, t: float, wh: float, reason: str | None = None, tx: str = "7") -> None:
        """A StopTransaction."""
        self.call(
            t, "StopTransaction", answer={}, transaction_id=tx, meter_wh=wh, stop_reason=reason
        )

    def meter(self, t: float, wh: float, tx: str = "7", connector: int = 1) -> None:
        """A MeterValues sample of the energy register."""
        self.call(t, "MeterValues", answer={}, transaction_id=tx, connector_id=connector)
        self.add(
            "raw_sample",
            receiver_at_utc=at(t + self.latency),
            station_id=self.station,
            connector_id=connector,
            transaction_id=tx,
            station_at_utc=self.stamp(t),
            sample_value=wh,
            sample_context="Sample.Periodic",
            measurand="Energy.Active.Import.Register",
            location="Outlet",
            unit="Wh",
        )

    def event(
        self, t: float, kind: str, trigger: str, seq: int, tx: str = "a", **values: Any
    ) -> None:
        """A TransactionEvent (2.0.1); `said` answers the token."""
        said = values.pop("said", None)
        answer = {} if said is None else {"id_token_status": said}
        told = {"event_type": kind, "trigger_reason": trigger, "seq_no": seq, "transaction_id": tx}
        self.call(t, "TransactionEvent", answer=answer, **told, **values)

    def notify(self, t: float, code: str, connector: int = 1) -> None:
        """A NotifyEvent (2.0.1) with a techCode."""
        self.add(
            "raw_event",
            receiver_at_utc=at(t + self.latency),
            station_id=self.station,
            connector_id=connector,
            station_at_utc=self.stamp(t),
            trigger_reason="Alerting",
            component="Connector",
            variable="Problem",
            actual_value="true",
            vendor_error_code=code,
        )

    def vehicle(self, t: float, event: str, vehicle: str = "v1", soc: float | None = None) -> None:
        """A vehicle's own report."""
        self.add("raw_charging", at_utc=at(t), vehicle_id=vehicle, event=event, soc_pct=soc)

    def session(self, start: float, end: float, evse_id: str = "e1", **values: Any) -> None:
        """A finished session of an export."""
        self.add(
            "raw_session",
            evse_id=evse_id,
            plugged_raw="",
            plugged_at_utc=at(start),
            unplugged_at_utc=at(end),
            **values,
        )

    def pilot(
        self,
        t: float,
        state: str,
        contactor: str | None = "open",
        fault: str | None = None,
        low: float | None = None,
        connector: int = 1,
    ) -> None:
        """A pilot row."""
        high = {"A": 12.0, "B": 9.0, "C": 6.0, "D": 3.0}.get(state[0], 0.0)
        duty = 26.7 if state.endswith("2") else None
        self.add(
            "raw_pilot",
            station_at_utc=self.stamp(t),
            station_id=self.station,
            connector_id=connector,
            pilot_state=state,
            high_v=high,
            low_v=low,
            duty_pct=duty,
            contactor=contactor,
            fault_raw=fault,
        )

    def frames(self) -> dict[str, pl.DataFrame]:
        """The rows as frames of the declared schemas."""
        return {
            t: pl.DataFrame(rows, schema=dict(polars_schema(t)), orient="row")
            for t, rows in self.rows.items()
            if rows
        }


def warehouse(*worlds: World) -> Connection:
    """An empty warehouse in memory with the worlds' raw rows."""
    con = duckdb.connect()
    con.execute("SET TimeZone = 'UTC'")
    create_tables(con)
    for world in worlds:
        for table, frame in world.frames().items():
            append(con, table, frame)
    return con


def attempts(*worlds: World, **settings: Any) -> pl.DataFrame:
    """core_attempt of the worlds, by EVSE and time."""
    con = warehouse(*worlds)
    normalise(con, None, NormaliseSettings(**settings))
    return read(con, "core_attempt").sort("evse_id", "plugged_at_utc")
