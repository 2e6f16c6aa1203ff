"""Settings of the review pages: address, sign-in, uploads."""

from __future__ import annotations

from pathlib import Path

from pydantic import Field

from pipeline.settings.base import Frozen


class ServeSettings(Frozen):
    """Where the pages are reached and who may."""

    host: str = Field(
        "127.0.0.1",
        description="Address to listen on; any other than this machine's own demands sign-in; decided",
    )
    port: int = Field(8095, ge=1, le=65535, description="Port to listen on; decided")
    names: tuple[str, ...] = Field(
        (),
        description="Further host names under which browsers may ask for the pages; a request for any other is refused",
    )
    people: Path | None = Field(
        None, description="File of people who may sign in (made with `whichside person`); decided"
    )
    https: bool = Field(
        default=False,
        description="Reached through TLS: cookies are marked Secure and HSTS is sent; decided",
    )
    session_hours: float = Field(
        8.0, gt=0, le=72, description="A sign-in lasts a working day; decided"
    )
    session_idle_minutes: float = Field(
        60.0, gt=0, description="A sign-in left idle so long ends; common practice, no source"
    )
    sign_ins: str = Field(
        "5/minute",
        description="Sign-in attempts of one name from one address; common practice, no source",
    )
    sign_ins_wide: str = Field(
        "20/minute",
        description="Sign-in attempts of one address for any name, and of one name from addresses where it never "
        "signed in; wider, since several people may share an address; decided",
    )
    trusted_proxies: tuple[str, ...] = Field(
        (),
        description="Addresses of reverse proxies whose word on the browser's address is taken; decided",
    )
    certificate: Path | None = Field(
        None, description="TLS certificate (PEM) to serve with, where no proxy does it; decided"
    )
    certificate_key: Path | None = Field(
        None, description="Private key (PEM) of the certificate; decided"
    )
    connections_cap: int = Field(
        400,
        ge=1,
        description="Most connections at a time, below a process's usual 1,024 files; decided",
    )
    header_seconds: float = Field(
        10.0,
        gt=0,
        description="A connection that sends no whole request head in so long is closed; decided",
    )
    upload_cap_bytes: int = Field(
        2 << 30, ge=1 << 10, description="Largest delivery taken through the browser; decided"
    )
    upload_files_cap: int = Field(
        500, ge=1, description="Most files of a delivery taken through the browser; decided"
    )
    run_memory_bytes: int | None = Field(
        8 << 30,
        ge=1 << 30,
        description="Most data memory of a run handed in through the browser (RLIMIT_DATA), so that it never takes "
        "the pages down with it; none = no limit; decided",
    )
    held_retry_seconds: float = Field(
        60.0,
        gt=0,
        description="A run handed in while another holds the warehouse is tried again after so long; decided",
    )
    held_retries: int = Field(
        60,
        ge=0,
        description="How often: with the pause an hour, longer than any weekly run; decided",
    )
