"""Shared fixtures: fixed seeds, no network."""

from __future__ import annotations

import socket
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile(
    "fixed",
    derandomize=True,
    deadline=None,
    max_examples=60,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("fixed")


@pytest.fixture(autouse=True)
def _no_outside_network(monkeypatch: pytest.MonkeyPatch) -> None:
    """No test reaches beyond this machine."""
    connect = socket.socket.connect

    def only_here(self: socket.socket, address: Any) -> None:
        if isinstance(address, tuple) and address[0] not in {"127.0.0.1", "::1", "localhost"}:
            msg = f"a test tried to reach {address}"
            raise OSError(msg)
        connect(self, address)

    monkeypatch.setattr(socket.socket, "connect", only_here)
