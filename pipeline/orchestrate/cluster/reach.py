"""The way to a scheduler: encrypted where certificates are set, and what is said where it is not."""

from __future__ import annotations

from typing import Any, cast
from urllib.parse import urlsplit

from distributed.security import Security
from prefect_dask.task_runners import DaskTaskRunner

from pipeline.core.errors import SettingsError
from pipeline.settings.cluster import ClusterSettings

_THIS_MACHINE = ("localhost", "127.0.0.1", "::1")


def plain_warning(address: str) -> str | None:
    """What a user must know of an address that is not encrypted; None for `tls://` and this machine."""
    if urlsplit(address).scheme == "tls" or urlsplit(address).hostname in _THIS_MACHINE:
        return None
    return (
        f"{address}: not encrypted, and whoever reaches it can run code there; keep it to a network "
        "of your own, or give a tls:// address with certificates (settings: cluster)"
    )


def runner(address: str, settings: ClusterSettings) -> Any:
    """A task runner for the scheduler at an address, with the certificates of the settings.

    Raises SettingsError where certificates are set and the address would not use them, or one
    cannot be read.
    """
    return cast("Any", DaskTaskRunner(address=address, client_kwargs=_secured(address, settings)))


def _secured(address: str, settings: ClusterSettings) -> dict[str, Any]:
    files = (settings.ca_file, settings.cert_file, settings.key_file)
    ca, cert, key = (None if file is None else str(file) for file in files)
    if ca is None:
        return {}
    if urlsplit(address).scheme != "tls":
        raise SettingsError(
            f"certificates are set, but {address} is not encrypted",
            where="cluster.ca_file",
            next_step="give the scheduler's tls:// address, or leave the certificates out",
        )
    security = cast("Any", Security)(
        tls_ca_file=ca, tls_client_cert=cert, tls_client_key=key, require_encryption=True
    )
    try:
        security.get_connection_args("client")
    except OSError as error:  # an SSLError is one
        raise SettingsError(
            f"a certificate or its key cannot be used: {error}",
            where=", ".join(str(file) for file in files),
            next_step="name PEM files that are there and belong together",
        ) from error
    return {"security": security}
