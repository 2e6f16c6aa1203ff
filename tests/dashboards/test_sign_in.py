"""Signing in: who guesses slows down himself, who is removed is out, and all of it is noted."""

from __future__ import annotations

import json
import socket
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from dashboards.review.app import clear_text_warning
from dashboards.review.connections import impatient
from dashboards.review.people import People, Person, load_people, remove_person, save_person
from dashboards.review.sessions import Sessions
from dashboards.review.sign_in_log import SignInLog
from dashboards.review.signing import SignInLimit
from pipeline.core.errors import SettingsError
from pipeline.settings.serve import ServeSettings

PASSWORD = "a long enough secret"  # noqa: S105 -- of a test
STRANGER, OWN = "203.0.113.9", "198.51.100.7"  # RFC 5737, addresses for documentation


def test_a_stranger_does_not_lock_out_the_owner() -> None:
    """Five wrong tries from one address stop that address; the owner signs in from another, even
    while strangers at many addresses guess at the name.
    """
    limit = SignInLimit(ServeSettings())
    limit.succeeded(OWN, "mona")
    assert [limit.spent(STRANGER, "mona") for _ in range(6)] == [False] * 5 + [True]
    for turn in range(60):
        limit.spent(f"192.0.2.{turn}", "mona")
    assert not limit.spent(OWN, "mona")
    assert limit.spent("192.0.2.200", "mona")  # a stranger's first try now waits


def test_an_address_that_tries_many_names_waits() -> None:
    """Guessing one password at many names from one address is stopped too."""
    limit = SignInLimit(ServeSettings())
    tries = [limit.spent(STRANGER, f"name-{n}") for n in range(25)]
    assert tries == [False] * 20 + [True] * 5


def test_a_person_removed_is_nobody_at_once(tmp_path: Path) -> None:
    """The file is read again when it changes: removed or with another role, a session is no longer
    that person's.
    """
    path = tmp_path / "people.json"
    mona = Person("mona", "manager")
    save_person(path, mona, PASSWORD)
    save_person(path, Person("otto", "workshop"), PASSWORD)
    people = People(path)
    assert people.still(mona)
    save_person(path, Person("mona", "workshop"), PASSWORD)
    assert not people.still(mona)
    remove_person(path, "mona")
    assert set(people.now()) == {"otto"}
    with pytest.raises(SettingsError, match="there is otto"):
        remove_person(path, "mona")


def test_people_added_at_once_are_all_kept(tmp_path: Path) -> None:
    """Eight at a time, and eight stand in the file, which only its owner reads."""
    path = tmp_path / "people.json"
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda n: save_person(path, Person(f"p{n}", "manager"), PASSWORD), range(8)))
    assert set(load_people(path)) == {f"p{n}" for n in range(8)}
    assert path.stat().st_mode & 0o777 == 0o600


def test_every_try_is_noted(tmp_path: Path) -> None:
    """A line of JSON each, whatever the name holds; nobody but the owner reads them."""
    log = SignInLog(tmp_path / "log.jsonl")
    log.note("refused", 'x"\n{', STRANGER)
    log.note("signed in", "mona", OWN)
    lines = [json.loads(line) for line in (tmp_path / "log.jsonl").read_text().splitlines()]
    assert [(one["event"], one["name"], one["address"]) for one in lines] == [
        ("refused", 'x"\n{', STRANGER),
        ("signed in", "mona", OWN),
    ]
    assert (tmp_path / "log.jsonl").stat().st_mode & 0o777 == 0o600


def test_an_idle_session_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    """A browser left alone for the stated time has to sign in again; one in use has not."""
    now = [1000.0]
    monkeypatch.setattr("dashboards.review.sessions.time.monotonic", lambda: now[0])
    sessions = Sessions(ServeSettings(session_idle_minutes=10))
    session = sessions.start(Person("mona", "manager"))
    cookie = sessions.cookie(session).split(";")[0].encode()
    request = Request({"type": "http", "headers": [(b"cookie", cookie)]})
    for _ in range(3):
        now[0] += 599
        assert sessions.find(request) is session
    now[0] += 601
    assert sessions.find(request) is None


@pytest.mark.parametrize(
    ("settings", "warned"),
    [
        ({}, False),
        ({"host": "0.0.0.0"}, True),  # noqa: S104 -- what is warned of
        ({"host": "0.0.0.0", "https": True}, False),  # noqa: S104
        ({"host": "pages.town.example", "certificate": Path("c.pem")}, False),
    ],
    ids=["loopback", "clear text", "behind TLS", "own certificate"],
)
def test_clear_text_beyond_this_machine_is_warned_of(
    settings: dict[str, object],
    warned: bool,  # noqa: FBT001
) -> None:
    """Passwords in clear text on a network are said plainly before anybody types one."""
    given = ServeSettings.model_validate(settings)
    assert (clear_text_warning(given) is not None) == warned


def _closed(one: socket.socket) -> bool:
    try:
        return one.recv(1) == b""
    except ConnectionError:
        return True


def test_connections_that_ask_nothing_are_closed() -> None:
    """More silent connections than the cap do not stop the server: it answers once they are
    closed, which is after the stated seconds.
    """

    def hello(_: Request) -> Response:
        return PlainTextResponse("up")

    sock = socket.socket()
    sock.bind(("127.0.0.1", 0))
    port = sock.getsockname()[1]
    config = uvicorn.Config(
        Starlette(routes=[Route("/", hello)]), log_level="error", http=impatient(0.5, 20), ws="none"
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=lambda: server.run([sock]), daemon=True)
    thread.start()
    silent = []
    while not server.started:
        time.sleep(0.01)
    try:
        for _ in range(60):
            silent.append(socket.create_connection(("127.0.0.1", port), timeout=5))  # noqa: PERF401
        deadline = time.monotonic() + 20
        answer = b""
        while b"200" not in answer and time.monotonic() < deadline:
            with socket.create_connection(("127.0.0.1", port), timeout=5) as asking:
                asking.sendall(b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
                try:
                    answer = asking.recv(4096)
                except ConnectionError:
                    answer = b""
            time.sleep(0.05)
        assert b"200" in answer
        assert all(_closed(one) for one in silent)
    finally:
        for one in silent:
            one.close()
        server.should_exit = True
        thread.join(10)
