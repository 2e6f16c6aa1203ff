"""The bench in the review app: who may enter, and how much it takes."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from invented import PASSWORD, write_people
from PIL import Image
from starlette.testclient import TestClient

from dashboards.review import photos
from dashboards.review.app import create_app
from pipeline.settings.serve import ServeSettings
from pipeline.storage.decisions import open_decisions
from pipeline.storage.decisions.bench_store import bench_store

HERE = "http://127.0.0.1:8095"
READ = ("/bench", "/bench/case?id=V-0000", "/bench/sheet?id=V-0000", f"/bench/file/{'0' * 64}")
WRITTEN = (
    "/bench",
    "/bench/reading",
    "/bench/withdraw",
    "/bench/finding",
    "/bench/photo",
    "/bench/trace",
)
Door = Callable[[str | None], TestClient]


@pytest.fixture
def door(tmp_path: Path, out: Path) -> Iterator[Door]:
    """A client of an app with a bench, signed in by a name, or by nobody."""
    opened: list[TestClient] = []
    where, warehouse = str(tmp_path / "decisions.sqlite"), tmp_path / "w.duckdb"
    people = write_people(tmp_path / "people.json")

    def make(name: str | None) -> TestClient:
        decisions = open_decisions(where)
        app = create_app(
            warehouse, out, decisions, lambda *_: "", ServeSettings(people=people),
            bench=bench_store(decisions, where, warehouse),
        )  # fmt: skip
        client = TestClient(app, base_url=HERE, headers={"origin": HERE}, follow_redirects=False)
        opened.append(client.__enter__())
        if name:
            given = {"csrf": _token(client, "/sign-in"), "name": name, "password": PASSWORD}
            assert client.post("/sign-in", data=given).status_code == 303
        return client

    yield make
    for one in opened:
        one.__exit__(None, None, None)


def _token(client: TestClient, page: str) -> str:
    found = re.search(r'name="csrf" value="([^"]+)"', client.get(page).text)
    assert found, page
    return found[1]


def test_the_lists_here_name_every_door_of_the_bench(door: Door) -> None:
    """No address of the bench is left out of the tests below."""
    routes = door(None).app.routes  # type: ignore[attr-defined]
    doors = {route.path for route in routes if route.path.startswith("/bench")}
    named = {path.partition("?")[0].replace("0" * 64, "{sha}") for path in (*READ, *WRITTEN)}
    assert doors == named


def test_who_may_enter_the_bench(door: Door) -> None:
    """Workshop and manager may; the site's operator may not look and may not write; nobody else comes further than the sign-in."""
    for name, expected in (("wilma", 200), ("mona", 200), ("otto", 403)):
        client = door(name)
        assert client.get("/bench").status_code == expected, name
        assert client.get("/bench/case?id=V-0000").status_code == expected, name
    operator, stranger = door("otto"), door(None)
    token = _token(operator, "/sign-out")
    for path in READ:
        assert operator.get(path).status_code == 403, path
        assert stranger.get(path).status_code == 303, path
        assert stranger.get(path).headers["location"].startswith("/sign-in"), path
    for path in WRITTEN:
        given = {"csrf": token, "id": "V-0000", "kind": "cp_pe_reverse_ohm", "value": "OL"}
        assert operator.post(path, data=given).status_code == 403, path
        assert stranger.post(path, data=given).status_code in {303, 401, 403}, path
    kept = door("wilma").get("/bench/case?id=V-0000").text
    assert "over range (OL)</td>" not in kept


@pytest.mark.parametrize("path", ["/bench/photo", "/bench/trace"])
def test_a_file_too_large_is_refused_before_it_is_read(door: Door, path: str) -> None:
    """Beyond the cap the body is refused by its stated length, and by what arrives where none is stated."""
    client = door("wilma")
    token = _token(client, "/bench/case?id=V-0000")
    big = b"x" * (22 << 20)
    answer = client.post(
        path, data={"csrf": token, "id": "V-0000"}, files=[("file", ("a.jpg", big))]
    )
    assert answer.status_code == 413
    streamed = (big[at : at + (1 << 20)] for at in range(0, len(big), 1 << 20))
    kind = {"content-type": "multipart/form-data; boundary=frontier"}
    assert client.post(path, content=streamed, headers=kind).status_code in {400, 413}


def test_a_photo_is_refused_in_words_and_nothing_is_kept(
    door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Too many bytes, too many pixels, or no photo at all: the page says which, and no file is kept."""
    client = door("wilma")

    def sent(body: bytes) -> str:
        given = {"csrf": _token(client, "/bench/case?id=V-0000"), "id": "V-0000"}
        return client.post("/bench/photo", data=given, files=[("file", ("a.jpg", body))]).text

    assert "The file is too large" in sent(b"x" * (photos.MOST_BYTES + 1))
    assert "no photo we can read" in sent(b"not a picture")
    monkeypatch.setattr(photos, "MOST_PIXELS", 99)
    small = io.BytesIO()
    Image.new("RGB", (10, 10)).save(small, "PNG")
    assert "too many pixels" in sent(small.getvalue())
    assert "/bench/file/" not in client.get("/bench/case?id=V-0000").text
