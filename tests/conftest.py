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


ID_LENGTH = 60


def _named(value: Any) -> str | None:
    """A value of a table of cases in words; None where pytest's own name says enough."""
    if isinstance(value, dict):
        return " ".join(f"{key}={_named(part) or part}" for key, part in value.items()) or "usual"
    if isinstance(value, list | tuple | set | frozenset) and value:
        return " ".join(str(_named(part) or part) for part in value)
    return None


def pytest_make_parametrize_id(config: pytest.Config, val: object, argname: str) -> str | None:  # noqa: ARG001  # pytest's names
    """Rows of a table of cases are named by what stands in them, where the table gives no ids."""
    name = _named(val)
    return name if name is None or len(name) <= ID_LENGTH else f"{name[:ID_LENGTH]}…"


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
