"""The week's summary by mail, handed to a mail server of the test's own."""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword
from pydantic import ValidationError

from dashboards.language import Language
from pipeline.orchestrate.mail import MAILED, mail_week
from pipeline.orchestrate.run import told_settings
from pipeline.registry import empty
from pipeline.settings import Settings
from pipeline.settings.mail import PASSWORD, MailSettings
from tests.ops import free_port
from tests.self_signed import certificate

NAME, SECRET = "fleet", "correct horse"


class Box:
    """Keeps what it is handed; refuses one address."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.encrypted: list[bool] = []

    async def handle_RCPT(  # noqa: N802 - named by the server
        self, _server: Any, _session: Any, envelope: Any, to: str, _options: Any
    ) -> str:
        """Take every address but one."""
        if to.startswith("gone@"):
            return "550 no such box"
        envelope.rcpt_tos.append(to)
        return "250 OK"

    async def handle_DATA(self, _server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        """Keep the mail, and whether it came encrypted."""
        self.mails.append(message_from_bytes(envelope.content, policy=policy.default))  # type: ignore[arg-type]
        self.encrypted.append(session.ssl is not None)
        return "250 OK"


def _checked(
    _server: Any, _session: Any, _envelope: Any, _mechanism: str, given: LoginPassword
) -> AuthResult:
    good = (given.login.decode(), given.password.decode()) == (NAME, SECRET)
    return AuthResult(success=good)


@pytest.fixture
def plain() -> Iterator[tuple[Box, int]]:
    """A server on this machine without TLS, and its port."""
    box = Box()
    controller = Controller(box, hostname="127.0.0.1", port=free_port())
    controller.start()
    yield box, controller.port
    controller.stop()


@pytest.fixture
def encrypted(tmp_path: Path) -> Iterator[tuple[Box, int, Path]]:
    """A server that asks for STARTTLS and a password; its port and its certificate."""
    cert, key = certificate(tmp_path, "mail")
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(cert, key)
    box = Box()
    controller = Controller(
        box, hostname="127.0.0.1", port=free_port(), tls_context=context, require_starttls=True,
        authenticator=_checked, auth_required=True,
    )  # fmt: skip
    controller.start()
    yield box, controller.port, cert
    controller.stop()


@pytest.fixture
def week(tmp_path: Path) -> Path:
    """The folder of a published week, and one before it."""
    for name in ("2026-W13", "2026-W14"):
        (tmp_path / "out" / name).mkdir(parents=True)
        (tmp_path / "out" / name / "run.json").write_text("{}")
    return tmp_path / "out" / "2026-W14"


def _tables(vehicle: str = "van-3") -> dict[str, pl.DataFrame]:
    vehicles = empty("out_vehicles").clear(2).with_columns(
        vehicle_id=pl.Series([vehicle, "van-4"]), call=pl.Series(["refer", "clear"]),
        suspect=pl.Series(["pilot_diode_shorted", None]), p_vehicle=pl.Series([0.98, 0.01]),
    )  # fmt: skip
    evses = empty("out_evses").clear(1).with_columns(
        evse_id=pl.Series(["yard-2"]), call=pl.Series(["faulty"]), suspect=pl.Series(["contactor"]), p_evse=pl.Series([0.97])
    )  # fmt: skip
    return {"vehicles": vehicles, "evses": evses, "pairings": empty("out_pairings")}


def _local(port: int, **more: Any) -> MailSettings:
    return MailSettings.model_validate(
        {
            "host": "127.0.0.1",
            "port": port,
            "security": "none",
            "sender": "whichside@fleet.example",
            "to": ["lead@fleet.example"],
            **more,
        }
    )


def test_the_summary_names_what_is_called_once(plain: tuple[Box, int], week: Path) -> None:
    """One mail a week: subject and text say the calls of the tables; the same again is not mailed, another text is."""
    box, port = plain
    mail = _local(port, link="https://pages.example/")
    told = mail_week(week, _tables(), 1, Language(), mail)
    assert told == ("The summary is mailed to 1 of 1 addresses.", False)
    [got] = box.mails
    assert got["Subject"] == "2026-W14: 1 vehicle to the workshop, 0 to watch"
    text = got.get_content()
    assert "van-3: shorted pilot diode" in text
    assert "yard-2: contactor" in text
    assert "van-4" not in text
    assert "Not used: 1 of the files" in text
    assert "https://pages.example/week/2026-W14/fleet" in text
    assert "not mailed again" in str(mail_week(week, _tables(), 1, Language(), mail))
    assert len(box.mails) == 1
    mail_week(week, _tables(), 0, Language(), mail)
    assert len(box.mails) == 2


def test_only_the_newest_week_is_mailed_and_none_until_it_is_set(
    plain: tuple[Box, int], week: Path
) -> None:
    """A past week made again tells nobody; without a host nothing is sent or kept."""
    box, port = plain
    assert mail_week(week.parent / "2026-W13", _tables(), 0, Language(), _local(port)) is None
    assert mail_week(week, _tables(), 0, Language(), MailSettings()) is None
    assert box.mails == []
    assert not (week.parent / MAILED).exists()


def test_it_is_encrypted_and_signed_in(
    encrypted: tuple[Box, int, Path], week: Path, tmp_path: Path
) -> None:
    """STARTTLS with a certificate that is trusted, and the password of a file only its owner reads."""
    box, port, cert = encrypted
    secret = tmp_path / "secret"
    secret.write_text(f"{SECRET}\n")
    mail = _local(port, security="starttls", ca_file=cert, user=NAME, password_file=secret)
    secret.chmod(0o644)
    assert "others may read" in str(mail_week(week, _tables(), 0, Language(), mail))
    secret.chmod(0o600)
    assert "mailed to 1 of 1" in str(mail_week(week, _tables(), 0, Language(), mail))
    assert box.encrypted == [True]


def test_the_password_may_come_from_the_environment(
    encrypted: tuple[Box, int, Path], week: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a file the variable counts; a wrong one, none, or a certificate nobody trusts is told and sends nothing."""
    box, port, cert = encrypted
    mail = _local(port, security="starttls", ca_file=cert, user=NAME)
    assert "no password" in str(mail_week(week, _tables(), 0, Language(), mail))
    monkeypatch.setenv(PASSWORD, "wrong")
    assert "NOT mailed" in str(mail_week(week, _tables(), 0, Language(), mail))
    monkeypatch.setenv(PASSWORD, SECRET)
    untrusted = _local(port, security="starttls", user=NAME)
    assert "certificate" in str(mail_week(week, _tables(), 0, Language(), untrusted))
    assert box.mails == []
    assert "mailed to 1 of 1" in str(mail_week(week, _tables(), 0, Language(), mail))


def test_what_cannot_be_sent_is_told_and_raises_nothing(plain: tuple[Box, int], week: Path) -> None:
    """A server that is not there, one without STARTTLS, an address it refuses: a sentence each, no exception."""
    box, port = plain
    gone = mail_week(week, _tables(), 0, Language(), _local(1))
    assert gone
    assert gone.failed
    assert gone.said.startswith("The summary was NOT mailed by 127.0.0.1")
    assert "STARTTLS" in str(
        mail_week(week, _tables(), 0, Language(), _local(port, security="starttls"))
    )
    some = _local(port, to=["gone@fleet.example", "lead@fleet.example"])
    assert "1 of 2 addresses; refused: gone@fleet.example" in str(
        mail_week(week, _tables(), 0, Language(), some)
    )
    assert len(box.mails) == 1


def test_a_hostile_id_stays_in_its_line(plain: tuple[Box, int], week: Path) -> None:
    """No id of a log makes a header, a line or a control character of its own."""
    box, port = plain
    mail_week(week, _tables("van\r\nBcc: all@fleet.example\x1b[2J"), 0, Language(), _local(port))
    [got] = box.mails
    assert got["Bcc"] is None
    [line] = [line for line in got.get_content().splitlines() if "Bcc" in line]
    assert line.startswith("  van\\x0d\\x0aBcc")
    assert "\x1b" not in got.get_content()


@pytest.mark.parametrize(
    "wrong",
    [
        {
            "host": "mail.example",
            "security": "none",
            "sender": "a@b.example",
            "to": ["c@d.example"],
        },
        {"host": "mail.example", "sender": "a@b.example"},
        {"host": "mail.example", "sender": "a@b.example", "to": ["two@d.example, three@d.example"]},
        {"host": "mail.example", "sender": "a@b.example", "to": ["c@d.example"], "password": "x"},
    ],
    ids=[
        "clear text off this machine",
        "to nobody",
        "two addresses in one",
        "a password in the settings",
    ],
)
def test_a_wrong_setting_is_refused_at_once(wrong: dict[str, Any]) -> None:
    """TLS unless loopback, whom to mail, one address each, no password among the settings."""
    with pytest.raises(ValidationError):
        MailSettings.model_validate(wrong)


def test_addresses_stay_out_of_what_a_run_tells(plain: tuple[Box, int]) -> None:
    """run.json and the pages say that mail is on, and neither who gets it nor who signs in."""
    told = told_settings(Settings(mail=_local(plain[1], user=NAME)))
    assert told["mail"] == {"host": "127.0.0.1", "addresses": 1}
