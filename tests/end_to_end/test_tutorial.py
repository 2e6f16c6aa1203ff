"""The tutorial, step by step, on a log that a protocol library's own logger writes while a station talks to a server."""

from __future__ import annotations

import asyncio
import json
import logging
import re
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from ocpp.routing import on
from ocpp.v16 import ChargePoint, call, call_result
from ocpp.v16.datatypes import IdTagInfo
from ocpp.v16.enums import Action, AuthorizationStatus, RegistrationStatus
from websockets.asyncio.client import connect
from websockets.asyncio.server import ServerConnection, serve

from pipeline.cli import main
from pipeline.storage.warehouse import query, reading

DOC = Path(__file__).resolve().parents[2] / "docs" / "tutorial" / "your-log.md"
CARDS = ("CARD-1", "CARD-2")


def now(minutes_ago: int = 0) -> str:
    """The time as a payload has it."""
    return (datetime.now(UTC) - timedelta(minutes=minutes_ago)).strftime("%Y-%m-%dT%H:%M:%SZ")


class Central(ChargePoint):
    """A server that accepts everybody."""

    @on(Action.boot_notification)
    def on_boot(self, **_: object) -> call_result.BootNotification:
        """Accept a station."""
        return call_result.BootNotification(now(), 300, RegistrationStatus.accepted)

    @on(Action.heartbeat)
    def on_beat(self) -> call_result.Heartbeat:
        """Tell the time."""
        return call_result.Heartbeat(now())

    @on(Action.status_notification)
    def on_status(self, **_: object) -> call_result.StatusNotification:
        """Take note."""
        return call_result.StatusNotification()

    @on(Action.start_transaction)
    def on_begin(self, **_: object) -> call_result.StartTransaction:
        """Accept a card."""
        self.begun = getattr(self, "begun", 0) + 1
        return call_result.StartTransaction(
            self.begun, IdTagInfo(status=AuthorizationStatus.accepted)
        )

    @on(Action.stop_transaction)
    def on_end(self, **_: object) -> call_result.StopTransaction:
        """Take note."""
        return call_result.StopTransaction()


async def talk() -> None:
    """A boot, a heartbeat, and for each card a charge of 9 kWh."""

    async def welcome(socket: ServerConnection) -> None:
        name = socket.request.path.strip("/") if socket.request else ""
        try:
            await Central(name, socket).start()
        except Exception:  # noqa: BLE001  # the station hung up
            return

    quiet = logging.getLogger("station")
    quiet.propagate = False
    async with serve(welcome, "127.0.0.1", 0, subprotocols=["ocpp1.6"]) as server:  # type: ignore[list-item]
        port = server.sockets[0].getsockname()[1]
        async with connect(f"ws://127.0.0.1:{port}/yard-7", subprotocols=["ocpp1.6"]) as socket:  # type: ignore[list-item]
            station = ChargePoint("yard-7", socket, logger=quiet)
            listening = asyncio.create_task(station.start())
            await station.call(call.BootNotification("Post A", "Invented Works"))
            await station.call(call.Heartbeat())
            await station.call(call.StatusNotification(1, "NoError", "Available", now()))
            await asyncio.sleep(6)  # so that what follows is seen to be queued: its clock is known
            await station.call(call.StatusNotification(1, "NoError", "Available", now()))
            for nth, (card, begun) in enumerate(
                zip(CARDS, (180, 90), strict=True), start=1
            ):  # charges of an hour, told late: it had been offline
                await station.call(call.StatusNotification(1, "NoError", "Preparing", now(begun)))
                await station.call(call.StartTransaction(1, card, 1000, now(begun)))
                await station.call(call.StatusNotification(1, "NoError", "Charging", now(begun)))
                await station.call(
                    call.StopTransaction(10_000, now(begun - 60), nth, reason="Local")
                )
                await station.call(
                    call.StatusNotification(1, "NoError", "Available", now(begun - 61))
                )
            await station.call(call.StatusNotification(1, "NoError", "Available", now()))
            await socket.close()
            await asyncio.gather(listening, return_exceptions=True)


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The server's log as its library's logger writes it, in UTC."""
    place = tmp_path_factory.mktemp("tutorial")
    handler = logging.FileHandler(place / "server.log")
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s %(message)s"))
    handler.formatter.converter = lambda *_: datetime.now(UTC).timetuple()  # type: ignore[union-attr,assignment]
    logger = logging.getLogger("ocpp")
    before = logger.level
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    logger.disabled = False  # a library's own set-up of logging may have silenced it
    with ThreadPoolExecutor(1) as apart:  # a browser of an earlier test may hold this thread's loop
        apart.submit(lambda: asyncio.run(talk())).result()
    logger.removeHandler(handler)
    logger.setLevel(before)
    handler.close()
    return place / "server.log"


def blocks(kind: str) -> list[tuple[str, str]]:
    """What follows the kind on a fence of the document, and the block's text."""
    return re.findall(
        rf"^```{kind}\b ?(\S*)\n(.*?)^```",
        DOC.read_text(encoding="utf-8"),
        re.MULTILINE | re.DOTALL,
    )


def test_from_the_log_to_the_first_list(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each command of the tutorial ends well, its mapping reads every message of the log, and both charges are in the week."""
    monkeypatch.chdir(log.parent)
    delivery = log.parent / "delivery"
    ran: list[Result] = []
    week = (datetime.now(UTC) - timedelta(hours=3)).strftime("%G-W%V")
    for _, block in blocks("sh"):
        for command in block.strip().splitlines():
            words = command.replace("2026-W10", week).split()
            if "skeletons" in words:
                delivery.mkdir()
                (delivery / log.name).write_bytes(log.read_bytes())
                [(_, mapping)] = blocks("yaml")
                (delivery / "mapping.yaml").write_text(mapping)
            ran.append(CliRunner().invoke(main, words[1:]))
            assert ran[-1].exit_code == 0, ran[-1].output
            if "skeletons" in words:
                begun = {p.name: p.read_text() for p in (delivery / "lists").iterdir()}
                for name, text in blocks("csv"):
                    (delivery / name).write_text(text)
    shown = ran[0].output
    assert all(
        word in shown
        for word in ("receive message", "{station_id}: {dir} {frame}", "yard-7", "BootNotification")
    )
    assert "yard-7-1,,yard-7,1" in begun["evses.csv"]
    assert all(card in begun["tokens.csv"] for card in CARDS)
    run = json.loads((log.parent / "weeks" / week / "run.json").read_text())
    account = next(one for one in run["inputs"] if one["file"] == "server.log")
    messages = sum(
        "receive message" in line or ": send [" in line for line in log.read_text().splitlines()
    )
    assert account["used"] == account["lines"]
    assert account["lines"] - account["chatter"] == messages >= 2 * (5 + 5 * len(CARDS))
    with reading(log.parent / "w.duckdb") as con:
        made = query(
            con, "SELECT vehicle_id, outcome, energy_kwh FROM core_attempt ORDER BY plugged_at_utc"
        ).rows()
    assert made == [("van-1", "charged", 9.0), ("van-2", "charged", 9.0)]
