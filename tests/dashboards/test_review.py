"""The review app over HTTP: who may see and do what, and what it refuses."""

from __future__ import annotations

import json
import os
import re
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from urllib.parse import urlencode

import pytest
from invented import END, PASSWORD, WEEK, write_people
from starlette.testclient import TestClient

from dashboards.review.app import create_app
from dashboards.review.people import Person, check_password, load_people, save_person
from pipeline.core.errors import DeliveryError, SettingsError
from pipeline.core.progress import Progress
from pipeline.settings.serve import ServeSettings
from pipeline.storage.decisions import open_decisions

HERE = "http://127.0.0.1:8095"
HOSTILE = '</textarea><script>alert(1)</script>\x1b[31m\u202e=HYPERLINK("x")'
Client = Callable[..., TestClient]


@pytest.fixture
def client(tmp_path: Path, out: Path) -> Iterator[Client]:
    """Makes clients of one app; settings and the run may be given."""
    opened: list[TestClient] = []

    def make(
        run: Callable[[Path, Progress], str] = lambda *_: WEEK, **settings: object
    ) -> TestClient:
        app = create_app(
            tmp_path / "w.duckdb",
            out,
            open_decisions(tmp_path / "decisions.sqlite"),
            run,
            ServeSettings(**settings),
        )
        opened.append(
            TestClient(
                app, base_url=HERE, headers={"origin": HERE}, follow_redirects=False
            ).__enter__()
        )
        return opened[-1]

    yield make
    for one in opened:
        one.__exit__(None, None, None)


@pytest.fixture(scope="module")
def people(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file of three people, one of each role."""
    return write_people(tmp_path_factory.mktemp("people") / "people.json")


def _token(client: TestClient, page: str) -> str:
    found = re.search(r'name="csrf" value="([^"]+)"', client.get(page).text)
    assert found, page
    return found[1]


def _sign_in(client: TestClient, name: str) -> None:
    answer = client.post(
        "/sign-in", data={"csrf": _token(client, "/sign-in"), "name": name, "password": PASSWORD}
    )
    assert answer.status_code == 303


def _vehicle(vehicle: str) -> str:
    return f"/week/{WEEK}/vehicle?{urlencode({'id': vehicle})}"


def _evse(evse: str) -> str:
    return f"/week/{WEEK}/evse?{urlencode({'id': evse})}"


def _decide(client: TestClient, vehicle: str = "V-0000", **given: str) -> int:
    data = {
        "csrf": _token(client, _vehicle(vehicle)),
        "id": vehicle,
        "decision": "accept",
        "reason": "agreed",
        "seen": "0",
    }
    return client.post(f"/week/{WEEK}/decision", data={**data, **given}).status_code


def test_at_this_machine_nobody_needs_to_sign_in(client: Client) -> None:
    """On loopback the start leads straight to the newest week's review, and every page opens."""
    one = client()
    assert one.get("/").headers["location"] == f"/week/{WEEK}/review"
    for page in (
        "review",
        "fleet",
        "sites",
        "workshop",
        "data",
        "vehicle?id=V-0000",
        "pack?id=V-0000",
    ):
        assert one.get(f"/week/{WEEK}/{page}").status_code == 200, page


def test_an_open_address_without_sign_in_is_refused(client: Client) -> None:
    """Listening where other machines reach it without a file of people is a settings error."""
    with pytest.raises(SettingsError, match="must sign in"):
        client(host="192.0.2.7")


def test_every_address_needs_the_names_it_is_reached_by(client: Client, people: Path) -> None:
    """Listening on all addresses, the host names must be set, and then only they are served."""
    with pytest.raises(SettingsError, match="names"):
        client(host="::", people=people)
    one = client(host="::", people=people, names=("charging.our-town.example",))
    assert (
        one.get("/sign-in", headers={"host": "charging.our-town.example:8095"}).status_code == 200
    )
    assert one.get("/sign-in", headers={"host": "other.example:8095"}).status_code == 421


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "", "[::1"])
def test_only_known_host_names_are_served(client: Client, host: str) -> None:
    """A name that was made to point here (DNS rebinding) gets nothing, not even on loopback."""
    answer = client().get("/", headers={"host": host})
    assert answer.status_code == 421
    assert "Content-Security-Policy" in answer.headers


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "", f"{HERE}0", "https://127.0.0.1:9999"]
)
def test_forms_of_other_pages_are_refused(client: Client, origin: str) -> None:
    """A form is taken only from our own pages, even with the right token."""
    one = client()
    token = _token(one, _vehicle("V-0000"))
    data = {"csrf": token, "id": "V-0000", "decision": "accept", "reason": "x", "seen": "0"}
    assert (
        one.post(f"/week/{WEEK}/decision", data=data, headers={"origin": origin}).status_code == 403
    )


@pytest.mark.parametrize("token", ["", "wrong", "ü"])
def test_a_form_without_its_token_is_refused(client: Client, token: str) -> None:
    """The session's own token must come back."""
    one = client()
    one.get("/")
    assert _decide(one, csrf=token) == 403


def test_every_answer_carries_the_security_headers(client: Client) -> None:
    """Pages, scripts, refusals and missing pages forbid foreign script and framing."""
    one = client()
    for page in (
        "/",
        f"/week/{WEEK}/fleet",
        "/assets/pages.js",
        "/nothing",
        "/week/2020-W01/fleet",
    ):
        headers = one.get(page).headers
        assert "script-src 'self';" in headers["content-security-policy"], page
        assert "frame-ancestors 'none'" in headers["content-security-policy"], page
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
        assert headers.get("content-type", "text/html; charset=utf-8").endswith("charset=utf-8")
        assert "strict-transport-security" not in headers


def test_behind_tls_cookies_and_names_stay_there(client: Client) -> None:
    """A new session's cookie is HttpOnly and SameSite; where pages come by TLS it is Secure too, and
    browsers are told to come by TLS only.
    """
    for https in (False, True):
        headers = client(https=https).get("/", headers={"cookie": "whichside=forged"}).headers
        cookie = headers["set-cookie"].lower()
        assert "; httponly" in cookie
        assert "; samesite=strict" in cookie
        assert ("; secure" in cookie) == https
        assert ("strict-transport-security" in headers) == https


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "TRACE", "OPTIONS"])
def test_other_methods_are_refused(client: Client, method: str) -> None:
    """Pages are read and forms sent; nothing else is answered."""
    assert client().request(method, f"/week/{WEEK}/review").status_code == 405


def test_no_page_of_the_app_has_script_inside(client: Client) -> None:
    """All script comes from files; what stands in a page is data."""
    one = client()
    for page in (
        "review",
        "fleet",
        "sites",
        "workshop",
        "data",
        "vehicle?id=V-0000",
        "pack?id=V-0000",
    ):
        for tag in re.findall(r"<script[^>]*>", one.get(f"/week/{WEEK}/{page}").text):
            assert "src=" in tag or "application/json" in tag, (page, tag)


def test_a_decision_is_kept_with_name_reason_and_week(client: Client, tmp_path: Path) -> None:
    """What was decided is in the decisions store, append-only, and on the review's list."""
    one = client()
    assert _decide(one, reason="seen it myself") == 303
    kept = open_decisions(tmp_path / "decisions.sqlite").frames().reviews.to_dicts()
    assert [(r["vehicle_id"], r["week"], r["decision"], r["reason"]) for r in kept] == [
        ("V-0000", WEEK, "accept", "seen it myself")
    ]
    assert "<strong>accepted</strong>" in one.get(f"/week/{WEEK}/review").text


@pytest.mark.parametrize("given", [{"decision": ""}, {"decision": "burn"}, {"reason": "  "}])
def test_an_incomplete_decision_is_sent_back(client: Client, given: dict[str, str]) -> None:
    """Without a choice or a reason nothing is kept, and the form says what is missing."""
    assert _decide(client(), **given) == 422


def test_of_reviewers_at_once_exactly_one_is_kept(client: Client, tmp_path: Path) -> None:
    """Eight reviewers who saw the same state send a decision together.

    One stands, seven are told to look again.
    """
    one = client()
    token = _token(one, _vehicle("V-0000"))
    start = threading.Barrier(8)

    def send(number: int) -> int:
        data = {
            "csrf": token,
            "id": "V-0000",
            "decision": "hold",
            "reason": f"reviewer {number}",
            "seen": "0",
        }
        start.wait()
        return one.post(f"/week/{WEEK}/decision", data=data).status_code

    with ThreadPoolExecutor(8) as pool:
        codes = sorted(pool.map(send, range(8)))
    assert codes == [303] + [409] * 7
    assert open_decisions(tmp_path / "decisions.sqlite").frames().reviews.height == 1


def _find(client: TestClient, **given: str) -> int:
    data = {"csrf": _token(client, _vehicle("V-0000")), "id": "V-0000", "finding": "diode_shorted"}
    return client.post(f"/week/{WEEK}/finding", data={**data, **given}).status_code


def test_a_finding_is_kept(client: Client, tmp_path: Path) -> None:
    """Readings (with a decimal comma too), times and the note come back as typed values."""
    readings = {"pp_pe_v": "4,46", "cp_pe_forward_ohm": "2740", "cp_pe_reverse_ohm": "2.75e3"}
    times = {"at": "2026-04-07T09:30", "repaired_at": "2026-04-08T10:00"}
    assert _find(client(), **readings, **times, note="swapped") == 303
    row = open_decisions(tmp_path / "decisions.sqlite").frames().findings.row(0, named=True)
    assert (row["pp_pe_v"], row["cp_pe_forward_ohm"], row["cp_pe_reverse_ohm"]) == (
        4.46,
        2740.0,
        2750.0,
    )
    assert row["at_utc"] > END
    assert row["note"] == "swapped"


@pytest.mark.parametrize(
    "given",
    [{"finding": ""}, {"pp_pe_v": "high"}, {"pp_pe_v": "nan"}, {"cp_pe_forward_ohm": "-1"}, {"cp_pe_reverse_ohm": "1e99"},
     {"at": "9999-01-01T00:00"}, {"at": "0001-01-01T00:00+14:00"}, {"at": "soon"},
     {"at": "2026-04-07T09:30", "repaired_at": "2026-04-01T09:30"}],
)  # fmt: skip
def test_a_finding_that_cannot_be_is_sent_back(client: Client, given: dict[str, str]) -> None:
    """A slip of the pen is named, not kept."""
    assert _find(client(), **given) == 422


def test_hostile_text_in_forms_stays_text(client: Client) -> None:
    """Markup, control and direction characters in a reason or a note are shown, not obeyed, also
    when a form comes back.
    """
    one = client()
    assert _decide(one, reason=HOSTILE) == 303
    assert _find(one, note=HOSTILE) == 303
    data = {"csrf": _token(one, _vehicle("V-0000")), "id": "V-0000", "finding": "", "note": HOSTILE}
    returned = one.post(f"/week/{WEEK}/finding", data=data).text
    for text in (one.get(_vehicle("V-0000")).text, one.get(f"/week/{WEEK}/review").text, returned):
        assert "<script>alert" not in text
        assert "\x1b" not in text
        assert "\u202e" not in text


def test_strangers_see_the_sign_in_page_only(client: Client, people: Path) -> None:
    """Where people sign in, every page but that one leads there."""
    one = client(people=people)
    for page in ("/", f"/week/{WEEK}/fleet", "/upload", "/runs/x"):
        answer = one.get(page)
        assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")


def test_a_wrong_password_and_an_unknown_name_look_alike(client: Client, people: Path) -> None:
    """The answer does not tell which names exist."""
    one = client(people=people)
    texts = []
    for name in ("mona", "nobody"):
        data = {"csrf": _token(one, "/sign-in"), "name": name, "password": "wrong"}
        answer = one.post("/sign-in", data=data)
        assert answer.status_code == 401
        texts.append(re.sub(r'value="[^"]+"', "", answer.text))
    assert texts[0] == texts[1]


def test_no_password_is_written_down(client: Client, people: Path, tmp_path: Path) -> None:
    """A wrong try and a right one leave lines in the sign-in log, and no password in any file."""
    one = client(people=people)
    wrong = "wrong-but-telling"
    data = {"csrf": _token(one, "/sign-in"), "name": "mona", "password": wrong}
    assert one.post("/sign-in", data=data).status_code == 401
    _sign_in(one, "mona")
    files = [p for p in (*tmp_path.rglob("*"), *people.parent.iterdir()) if p.is_file()]
    texts = [path.read_bytes() for path in files]
    assert any(b"mona" in text and b"refused" in text for text in texts)
    assert not any(secret.encode() in text for secret in (wrong, PASSWORD) for text in texts)


def test_sign_in_is_rate_limited(client: Client, people: Path) -> None:
    """After the stated number of tries even the right password waits."""
    one = client(people=people, sign_ins="3/minute")
    data = {"csrf": _token(one, "/sign-in"), "name": "mona", "password": "wrong"}
    codes = [one.post("/sign-in", data=data).status_code for _ in range(3)]
    assert codes == [401] * 3
    assert one.post("/sign-in", data={**data, "password": PASSWORD}).status_code == 429


def test_signing_in_changes_the_cookie_and_signing_out_ends_it(
    client: Client, people: Path
) -> None:
    """A cookie known before the sign-in, or kept after the sign-out, opens nothing."""
    one = client(people=people)
    one.get("/sign-in")
    before = one.cookies["whichside"]
    _sign_in(one, "mona")
    during = one.cookies["whichside"]
    assert one.get(f"/week/{WEEK}/fleet").status_code == 200
    one.post("/sign-out", data={"csrf": _token(one, "/sign-out")})
    for cookie in (before, during):
        one.cookies.clear()
        assert (
            one.get(f"/week/{WEEK}/fleet", headers={"cookie": f"whichside={cookie}"}).status_code
            == 303
        )


def test_an_operator_sees_own_sites_only(client: Client, people: Path) -> None:
    """Nothing of another site, no token, no fleet, no decisions; of a vehicle only what it did here."""
    one = client(people=people)
    _sign_in(one, "otto")
    assert one.get("/").headers["location"] == f"/week/{WEEK}/sites"
    text = one.get(f"/week/{WEEK}/sites").text
    assert "E-001" in text
    assert "yard-1" not in text
    assert "E-007" not in text
    assert "04A1B2C3" not in text
    for page in (
        "fleet",
        "workshop",
        "data",
        "review",
        "pack?id=V-0000",
        "monday",
        "file/vehicles.csv",
    ):
        assert one.get(f"/week/{WEEK}/{page}").status_code == 403, page
    assert one.get("/upload").status_code == 403
    vehicle = one.get(_vehicle("V-0000")).text
    assert "its driver agrees" not in vehicle
    assert "yard-1" not in vehicle
    assert "XWSLARCH" not in vehicle
    assert "HB 0000" not in vehicle
    assert "attempts failed, at" not in vehicle
    assert one.get(_evse("E-001")).status_code == 200
    assert one.get(_evse("E-007")).status_code == 404
    assert "E-007" not in one.get(f"/week/{WEEK}/index.js").text
    sent = {"csrf": _token(one, "/sign-out"), "id": "V-0000", "decision": "accept", "reason": "x"}
    for form in ("decision", "finding"):
        assert one.post(f"/week/{WEEK}/{form}", data=sent).status_code == 403, form


def test_a_workshop_sees_what_was_referred_to_it(client: Client, people: Path) -> None:
    """Its list, the packs and the finding form of referred vehicles.

    No other vehicle, no deciding.
    """
    one = client(people=people)
    _sign_in(one, "wilma")
    text = one.get(f"/week/{WEEK}/workshop").text
    assert "V-0000" in text
    assert "V-0005" not in text
    assert one.get(_vehicle("V-0000")).status_code == 200
    assert one.get(_vehicle("V-0005")).status_code == 404
    assert one.get(f"/week/{WEEK}/pack?id=V-0000").status_code == 200
    assert _find(one) == 303
    assert _decide(one) == 403
    for page in ("fleet", "sites", "data", "review", "monday", "evse?id=E-001"):
        assert one.get(f"/week/{WEEK}/{page}").status_code == 403, page
    assert "V-0005" not in one.get(f"/week/{WEEK}/index.js").text


def test_a_decision_can_be_taken_back(client: Client) -> None:
    """Taking back is a decision of its own: both stay on the vehicle's page, the list says open again,
    and the Monday list holds the vehicle only while it is accepted.
    """
    one = client()
    assert "Take back" not in one.get(_vehicle("V-0005")).text
    assert _decide(one, "V-0005", decision="accept", reason="it stood twice last week") == 303
    assert "V-0005" in one.get(f"/week/{WEEK}/monday").text
    assert "Take back the last decision (accepted by" in one.get(_vehicle("V-0005")).text
    assert _decide(one, "V-0005", decision="withdraw", reason="the wrong van", seen="1") == 303
    page = one.get(_vehicle("V-0005")).text
    assert "it stood twice last week" in page
    assert "the wrong van" in page
    assert "Take back" not in page
    assert "V-0005" not in one.get(f"/week/{WEEK}/monday").text
    assert "3 still to decide" in one.get(f"/week/{WEEK}/review").text


def test_work_at_an_evse_is_kept_as_a_row_of_the_sites_file(client: Client, people: Path) -> None:
    """The operator's form takes local time, and gives the rows back as sites/work.csv holds them."""
    one = client(people=people)
    _sign_in(one, "otto")
    form = {
        "csrf": _token(one, _evse("E-001")), "id": "E-001", "work_finding": "contactor",
        "at": "2026-04-02T09:30", "repaired_at": "2026-04-02T11:00", "note": "=new coil",
    }  # fmt: skip
    assert one.post(f"/week/{WEEK}/work", data=form).status_code == 303
    assert one.get(f"/week/{WEEK}/work.csv").text.splitlines() == [
        "at,evse_id,finding,repaired_at,note",
        "2026-04-02T07:30:00Z,E-001,contactor,2026-04-02T09:00:00Z,'=new coil",
    ]
    assert "new coil" in one.get(_evse("E-001")).text
    assert one.post(f"/week/{WEEK}/work", data={**form, "work_finding": ""}).status_code == 422
    assert one.post(f"/week/{WEEK}/work", data={**form, "id": "E-007"}).status_code == 404


def test_the_form_fits_the_call(client: Client) -> None:
    """What accepting means is said for the call at hand; a clear vehicle has no such form."""
    one = client()
    assert "it goes to the workshop" in one.get(_vehicle("V-0000")).text
    assert "Keep watching" in one.get(_vehicle("V-0005")).text
    assert "Send it back to the workshop" in one.get(_vehicle("V-0003")).text
    assert 'action="/week/2026-W14/decision"' not in one.get(_vehicle("V-0001")).text


def test_every_unit_has_its_page(client: Client) -> None:
    """Clear vehicles, one that never plugged in, and every EVSE; an unknown id has none."""
    one = client()
    for vehicle in ("V-0001", "V-idle"):
        assert one.get(_vehicle(vehicle)).status_code == 200, vehicle
    for number in range(12):
        assert one.get(_evse(f"E-{number:03d}")).status_code == 200, number
    assert one.get(_vehicle("V-9999")).status_code == 404
    assert one.get(_evse("E-999")).status_code == 404


def test_the_weeks_tables_can_be_taken(client: Client) -> None:
    """The CSV and Parquet of the week, and the Monday list; no other file of the machine."""
    one = client()
    for name in (
        "vehicles.csv",
        "vehicles.parquet",
        "attempts.parquet",
        "monday.csv",
        "monday.ics",
    ):
        assert one.get(f"/week/{WEEK}/file/{name}").status_code == 200, name
    for name in ("run.json", "..%2F..%2Fw.duckdb", "decisions.parquet"):
        assert one.get(f"/week/{WEEK}/file/{name}").status_code == 404, name


def test_a_hand_in_says_what_became_of_each_file(client: Client, out: Path) -> None:
    """A file nobody can read is not followed by 'ready': kind, counts and reason stand there, used or not."""
    accounts = out / WEEK / "tables" / "accounts.json"
    lost = {
        "file": "scan.pdf", "sha256": "0" * 64, "kind": "unrecognised", "lines": 3, "used": 0, "rejected": 3,
        "duplicates": 0, "message": "no kind of file has such a first line",
    }  # fmt: skip
    accounts.write_text(json.dumps([lost]), encoding="utf-8")
    os.utime(out / WEEK / "run.json")
    try:
        one = client()
        data = {"csrf": _token(one, "/upload")}
        sent = one.post("/upload", data=data, files=[("files", ("scan.pdf", b"%PDF-1.7\n\n\n"))])
        place = sent.headers["location"]
        for _ in range(100):
            if one.get(f"{place}/state").json()["over"]:
                break
            threading.Event().wait(0.05)
        text = one.get(place).text
    finally:
        accounts.unlink()
        os.utime(out / WEEK / "run.json")
    assert "Nothing of it could be used" in text
    assert "no kind of file has such a first line" in text
    assert "not recognised" in text
    assert "is ready" not in text


def test_a_delivery_is_kept_and_run(client: Client, tmp_path: Path) -> None:
    """Files land in a fresh folder under plain names, the run gets that folder, and its progress
    and week are shown.
    """
    seen: list[list[str]] = []

    def run(delivery: Path, progress: Progress) -> str:
        progress("reading", 1, 2)
        seen.append(sorted(path.name for path in delivery.iterdir()))
        return WEEK

    one = client(run=run)
    names = ["../../etc/passwd", "logs.jsonl", "C:\\x\\logs.jsonl", ".hidden", "<b>.csv"]
    files = [("files", (name, b"{}\n")) for name in names]
    answer = one.post("/upload", data={"csrf": _token(one, "/upload")}, files=files)
    page = answer.headers["location"]
    for _ in range(100):
        if one.get(f"{page}/state").json()["over"]:
            break
        threading.Event().wait(0.05)
    assert f"Week {WEEK} is ready" in one.get(page).text
    assert len(seen[0]) == 5
    assert {"passwd", "logs.jsonl", "hidden", "_b_.csv"} < set(seen[0])
    kept = [path for path in (tmp_path / "handed_in").rglob("*") if path.is_file()]
    assert len(kept) == 5


@pytest.mark.parametrize(
    ("error", "said"),
    [(DeliveryError("nothing in it"), "nothing in it"), (ZeroDivisionError(), "by a fault")],
)
def test_a_run_that_fails_says_so(client: Client, error: Exception, said: str) -> None:
    """Our errors are shown in their words, any other without its inside; the pages stay up."""

    def run(*_: object) -> str:
        raise error

    one = client(run=run)
    answer = one.post(
        "/upload", data={"csrf": _token(one, "/upload")}, files=[("files", ("a.csv", b"x"))]
    )
    for _ in range(100):
        if one.get(f"{answer.headers['location']}/state").json()["over"]:
            break
        threading.Event().wait(0.05)
    assert said in one.get(answer.headers["location"]).text


def test_a_delivery_that_is_too_large_is_refused(client: Client) -> None:
    """The cap holds for stated and for streamed lengths."""
    one = client(upload_cap_bytes=2000)
    token = _token(one, "/upload")
    answer = one.post("/upload", data={"csrf": token}, files=[("files", ("a.csv", b"x" * 5000))])
    assert answer.status_code == 413
    body = (b"x" * 1000 for _ in range(5))
    kind = "multipart/form-data; boundary=frontier"
    assert one.post("/upload", content=body, headers={"content-type": kind}).status_code in {
        400,
        413,
    }


def test_the_file_of_people_holds_no_password(people: Path) -> None:
    """Only argon2 hashes are kept, readable by the owner alone."""
    text = people.read_text(encoding="utf-8")
    assert PASSWORD not in text
    assert text.count("$argon2id$") == 3
    assert people.stat().st_mode & 0o077 == 0


def test_a_long_password_counts_to_its_end(tmp_path: Path) -> None:
    """Two passwords alike in their first 200 signs are two."""
    path = tmp_path / "people.json"
    save_person(path, Person("mona", "manager"), "x" * 200 + "a")
    known = load_people(path)
    assert check_password(known, "mona", "x" * 200 + "a") is not None
    assert check_password(known, "mona", "x" * 200 + "b") is None


@pytest.mark.parametrize(
    ("person", "password"),
    [(Person("a", "manager"), "short"), (Person("", "manager"), PASSWORD), (Person("a", "operator"), PASSWORD),
     (Person("a", "workshop", frozenset({"yard-0"})), PASSWORD)],
)  # fmt: skip
def test_an_unfit_person_is_refused(tmp_path: Path, person: Person, password: str) -> None:
    """A short password, no name, an operator without sites, sites without an operator."""
    with pytest.raises(SettingsError):
        save_person(tmp_path / "people.json", person, password)


def test_a_broken_file_of_people_is_named(tmp_path: Path) -> None:
    """A file that is not of this form stops the start with its path."""
    path = tmp_path / "people.json"
    path.write_text("[]", encoding="utf-8")
    with pytest.raises(SettingsError, match=re.escape(str(path))):
        load_people(path)
