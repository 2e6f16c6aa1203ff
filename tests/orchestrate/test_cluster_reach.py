"""The way to other machines: encrypted where certificates are set, never silently otherwise."""

from __future__ import annotations

from pathlib import Path

import pytest
from distributed import Client, LocalCluster
from distributed.security import Security

from pipeline.core.errors import SettingsError
from pipeline.orchestrate.cluster import run_on_cluster
from pipeline.orchestrate.cluster.reach import plain_warning, runner
from pipeline.orchestrate.run import Request, run_week
from pipeline.settings import Settings
from pipeline.settings.cluster import ClusterSettings
from tests.ops import delivery, same_bytes
from tests.self_signed import certificate


def _certificates(folder: Path, name: str) -> ClusterSettings:
    cert_file, key_file = certificate(folder, name)
    return ClusterSettings(ca_file=cert_file, cert_file=cert_file, key_file=key_file)


def _security(certificates: ClusterSettings) -> Security:
    cert, key = str(certificates.cert_file), str(certificates.key_file)
    return Security(
        tls_ca_file=str(certificates.ca_file), require_encryption=True,
        tls_scheduler_cert=cert, tls_scheduler_key=key, tls_worker_cert=cert, tls_worker_key=key,
        tls_client_cert=cert, tls_client_key=key,
    )  # fmt: skip


def test_a_run_over_tls(server: str, tmp_path: Path) -> None:
    """With certificates in the settings a run on a `tls://` scheduler gives the bytes of one machine's.

    One that shows a certificate of another authority is not let in.
    """
    assert server
    ours, strange = _certificates(tmp_path, "ours"), _certificates(tmp_path, "strange")
    delivered, settings = delivery(tmp_path), Settings(cluster=ours)
    with LocalCluster(
        n_workers=1, threads_per_worker=2, dashboard_address=None,
        protocol="tls://", security=_security(ours),
    ) as cluster:  # fmt: skip
        address = cluster.scheduler_address
        assert address.startswith("tls://")
        with pytest.raises(OSError, match=r"(?i)certificate|ssl|tls|timed out"):
            Client(address, security=_security(strange), timeout=2)
        spread = run_on_cluster(
            Request((delivered,), tmp_path / "s.duckdb", tmp_path / "spread", None, settings),
            address,
            str(tmp_path / "lake"),
            buckets=2,
        )
    direct = run_week(
        Request((delivered,), tmp_path / "d.duckdb", tmp_path / "direct", None, settings)
    )
    same_bytes(direct.folder, spread.folder)


def test_certificates_are_never_left_unused(tmp_path: Path) -> None:
    """Certificates with a `tcp://` address, ones that are not there, and a key of another's are refused, each with a cure."""
    ours, other = _certificates(tmp_path, "ours"), _certificates(tmp_path, "other")
    with pytest.raises(SettingsError, match="not encrypted"):
        runner("tcp://10.0.0.1:8786", ours)
    for wrong in ({"key_file": other.key_file}, {"ca_file": tmp_path / "none.pem"}):
        with pytest.raises(SettingsError, match="cannot be used"):
            runner("tls://10.0.0.1:8786", ours.model_copy(update=wrong))
    assert runner("tls://10.0.0.1:8786", ours).client_kwargs["security"].require_encryption
    with pytest.raises(ValueError, match="go together"):
        ClusterSettings(ca_file=tmp_path / "a.pem")


@pytest.mark.parametrize(
    ("address", "told"),
    [
        ("tcp://10.0.0.1:8786", True),
        ("10.0.0.1:8786", True),
        ("tcp://127.0.0.1:8786", False),
        ("tls://10.0.0.1:8786", False),
    ],
)
def test_an_open_address_is_said_to_be_one(address: str, told: bool) -> None:  # noqa: FBT001
    """Beyond this machine whatever is not `tls://` is said to be unencrypted and open to code."""
    warning = plain_warning(address)
    assert (warning is not None) == told
    assert warning is None or "run code" in warning
