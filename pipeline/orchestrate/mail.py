"""The week's summary by mail, where a mail server is set.

A mail that cannot be sent is told and never fails the run; what was mailed once is not mailed again.
"""

from __future__ import annotations

import hashlib
import json
import os
import smtplib
import ssl
from email.message import EmailMessage
from email.utils import formatdate, make_msgid
from pathlib import Path
from typing import NamedTuple
from urllib.parse import quote

import polars as pl

from dashboards.fleet import fleet_headline
from dashboards.language import Language
from dashboards.markup import visible
from dashboards.sites import sites_headline
from pipeline.core.errors import SettingsError, WhichsideError
from pipeline.settings.mail import PASSWORD, MailSettings

MAILED = "mailed.json"
"""Beside the weeks: week → SHA-256 of the text last mailed of it."""
SHOWN = 20
"""Units listed in a mail; the pages have them all (decided)."""
_OTHERS_MAY_READ = 0o077


class Mailed(NamedTuple):
    """What became of a mail, in a sentence, and whether it failed."""

    said: str
    failed: bool = False


def mail_week(
    folder: Path, tables: dict[str, pl.DataFrame], turned_away: int, t: Language, mail: MailSettings
) -> Mailed | None:
    """Mail the summary of the week in `folder`; what became of it. None where no mail is set.

    Only the newest week is mailed, and only where its text is not the one mailed last.
    """
    week, known = folder.name, folder.parent / MAILED
    if mail.host is None or any(_is_week(p) and p.name > week for p in folder.parent.iterdir()):
        return None
    text = body(folder, tables, turned_away, t, mail.link)
    mark = hashlib.sha256(text.encode()).hexdigest()
    try:
        before = json.loads(known.read_text(encoding="utf-8")) if known.is_file() else {}
        if before.get(week) == mark:
            return Mailed("The summary was mailed before and says the same: not mailed again.")
        refused = send(message(week, tables, text, t, mail), mail)
        known.write_text(json.dumps({**before, week: mark}, indent=1), encoding="utf-8")
    except (OSError, ValueError, smtplib.SMTPException, WhichsideError) as error:
        return Mailed(
            f"The summary was NOT mailed by {mail.host}: {visible(str(error))}", failed=True
        )
    left = f"; refused: {', '.join(refused)}" if refused else ""
    taken = len(mail.to) - len(refused)
    said = f"The summary is mailed to {taken} of {len(mail.to)} addresses{left}."
    return Mailed(said, failed=bool(refused))


def _is_week(folder: Path) -> bool:
    return (folder / "run.json").is_file()


def message(
    week: str, tables: dict[str, pl.DataFrame], text: str, t: Language, mail: MailSettings
) -> EmailMessage:
    """The mail; its subject is the week's finding in a line."""
    mailed = EmailMessage()
    mailed["Subject"] = f"{week}: {fleet_headline(t, tables['vehicles'])}"
    mailed["From"], mailed["To"] = mail.sender, ", ".join(mail.to)
    mailed["Date"] = formatdate(localtime=False)
    mailed["Message-ID"] = make_msgid(domain=str(mail.sender).rpartition("@")[2])
    mailed["Auto-Submitted"] = "auto-generated"  # RFC 3834, from memory: no holiday answers back
    mailed.set_content(text)
    return mailed


def body(
    folder: Path,
    tables: dict[str, pl.DataFrame],
    turned_away: int,
    t: Language,
    link: str | None,
) -> str:
    """The text: what is called, with the likeliest part, and where the pages are. No plate, no VIN, no driver."""
    vehicles, evses, pairings = (tables[name] for name in ("vehicles", "evses", "pairings"))
    listed = [
        _listed(t, vehicles.filter(pl.col("call") == "refer"), "vehicle_id", "p_vehicle"),
        _listed(t, evses.filter(pl.col("call") == "faulty"), "evse_id", "p_evse"),
    ]
    called = pairings.filter(pl.col("call").is_in(["faulty", "watch"]))
    heads = [fleet_headline(t, vehicles), sites_headline(t, evses, called)]
    blocks = ["\n".join([f"{head}.", *lines]) for head, lines in zip(heads, listed, strict=True)]
    if turned_away:
        blocks.insert(0, f"{t('away.title', n=turned_away)}. {t('away.lead')}")
    where = (
        f"{link.rstrip('/')}/week/{quote(folder.name)}/fleet"
        if link
        else str(folder / "fleet.html")
    )
    return "\n\n".join([*blocks, t("mail.open", where=where), t("mail.footer")]) + "\n"


def _listed(t: Language, called: pl.DataFrame, name: str, p: str) -> list[str]:
    rows = called.sort(pl.col(p).neg(), name).head(SHOWN).to_dicts()
    lines = [f"  {_in_a_line(row[name])}: {t.of('part', row['suspect'])}" for row in rows]
    more = called.height - len(rows)
    return [*lines, *([f"  {t('fleet.more', n=more)}"] if more else [])]


def _in_a_line(text: str) -> str:
    return visible(text).replace("\n", "\\x0a")


def send(mailed: EmailMessage, mail: MailSettings) -> list[str]:
    """Hand the mail to the server, encrypted unless it is on this machine; the addresses it refused.

    Raises OSError, SMTPException, SettingsError for a password that others may read.
    """
    if mail.host is None:
        raise SettingsError("no mail server is set", next_step="set mail.host")
    trusted = ssl.create_default_context()
    if mail.ca_file:
        trusted.load_verify_locations(mail.ca_file)
    if mail.security == "tls":
        server: smtplib.SMTP = smtplib.SMTP_SSL(
            mail.host, mail.port, timeout=mail.timeout_s, context=trusted
        )
    else:
        server = smtplib.SMTP(mail.host, mail.port, timeout=mail.timeout_s)
    with server:
        if mail.security == "starttls":
            server.starttls(context=trusted)
        if mail.user:
            server.login(mail.user, password(mail))
        return sorted(server.send_message(mailed))


def password(mail: MailSettings) -> str:
    """The password, from its file or the environment. Raises SettingsError where there is none or others may read it."""
    path = mail.password_file
    if path is None:
        if found := os.environ.get(PASSWORD):
            return found
        raise SettingsError(
            "no password to sign in with", next_step=f"set mail.password_file or {PASSWORD}"
        )
    if path.stat().st_mode & _OTHERS_MAY_READ:
        raise SettingsError(
            "others may read the mail password", where=str(path), next_step=f"chmod 600 {path}"
        )
    return path.read_text(encoding="utf-8").strip()
