"""Connections that ask for nothing: closed after a while, and never more than so many."""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol


def impatient(header_s: float, most: int) -> type[H11Protocol]:
    """The server's protocol, which closes a connection that has sent no whole request head in
    `header_s` seconds and refuses more than `most` at a time.
    """

    class Impatient(H11Protocol):
        """One connection."""

        _given_up: asyncio.TimerHandle | None = None

        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            if len(self.connections) > most:
                transport.abort()
                return
            self._given_up = self.loop.call_later(header_s, self._close_if_silent)

        def connection_lost(self, exc: Exception | None) -> None:
            if self._given_up is not None:
                self._given_up.cancel()
            super().connection_lost(exc)

        def _close_if_silent(self) -> None:
            asked = getattr(self, "cycle", None) is not None  # set once a head was read
            if not asked and not self.transport.is_closing():
                self.transport.abort()

    return Impatient
