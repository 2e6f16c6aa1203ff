"""Settings of the mail that tells a week's summary: off until a host is set."""

from __future__ import annotations

import ipaddress
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from pipeline.settings.base import Frozen

Address = Annotated[str, StringConstraints(pattern=r"^[^\s@,;<>]+@[^\s@,;<>]+$")]
PASSWORD = "WHICHSIDE_MAIL_PASSWORD"  # noqa: S105 - the name of a variable of the environment
"""Holds the password where no file does; the settings file never does."""


class MailSettings(Frozen):
    """Who is told of a week by mail, and by which server."""

    host: str | None = Field(
        None, description="Mail server (SMTP); no mail is sent until it is named; decided"
    )
    port: int = Field(
        587, ge=1, le=65535, description="Its port for submission (RFC 6409, from memory)"
    )
    security: Literal["starttls", "tls", "none"] = Field(
        "starttls",
        description="How the connection is encrypted; `none` is for a server on this machine only; decided",
    )
    ca_file: Path | None = Field(
        None, description="Certificates (PEM) to trust besides the system's; decided"
    )
    user: str | None = Field(None, description="Name to sign in with; none = no sign-in; decided")
    password_file: Path | None = Field(
        None,
        description=f"File that holds the password, readable by its owner only; else the variable {PASSWORD}; decided",
    )
    sender: Address | None = Field(None, description="Address the mail is from; decided")
    to: tuple[Address, ...] = Field((), description="Addresses the mail goes to; decided")
    link: str | None = Field(
        None,
        description="Where its readers find the pages, before /week/…; none = the folder's path; decided",
    )
    timeout_s: float = Field(
        30.0, gt=0, description="The server is given up after so long; common practice, no source"
    )

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.host is None:
            return self
        if not self.to or self.sender is None:
            raise ValueError("a mail needs `sender` and `to`")
        if self.security == "none" and not _loopback(self.host):
            raise ValueError('`security = "none"` is for a server on this machine (loopback) only')
        return self


def _loopback(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
