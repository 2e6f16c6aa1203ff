"""What every request must pass and every answer carries, on loopback too.

A page of another site may know this address.
"""

from __future__ import annotations

import logging
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from pipeline.settings.serve import ServeSettings

LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
WILDCARDS = frozenset({"0.0.0.0", "::", ""})  # noqa: S104 - compared, not bound
_SAFE = frozenset({"GET", "HEAD"})
_FORM_CAP = 256 << 10
_FILE_CAP = 21 << 20
"""A photo or trace and the form around it."""
_log = logging.getLogger(__name__)

HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    "Cache-Control": "no-store",
}


class TooLargeError(Exception):
    """The body of a request is larger than allowed."""


class Guard:
    """ASGI middleware.

    Known host names only, forms from our own pages only, bodies capped, headers set.
    """

    def __init__(self, app: ASGIApp, settings: ServeSettings) -> None:
        self._app = app
        self._names = {name.lower() for name in (*LOOPBACK, *settings.names)}
        if settings.host not in WILDCARDS:
            self._names.add(settings.host.lower())
        self._upload_cap = settings.upload_cap_bytes
        self._headers = dict(HEADERS)
        if settings.https:
            self._headers["Strict-Transport-Security"] = "max-age=31536000"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check, pass on, and dress the answer."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        started: list[bool] = []

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                started.append(True)
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers.setdefault(name, value)
            await send(message)

        refusal = self._refusal(scope)
        if refusal:
            await PlainTextResponse(f"{refusal[1]}\n", status_code=refusal[0])(
                scope, receive, dressed
            )
            return
        cap = self._cap(scope["path"])
        try:
            await self._app(scope, _capped(receive, cap), dressed)
        except TooLargeError:
            await PlainTextResponse("the request is too large\n", status_code=413)(
                scope, receive, dressed
            )
        except Exception:
            _log.exception("a request failed: %s %r", scope["method"], scope["path"])
            if started:
                raise
            await PlainTextResponse(
                "Something went wrong here. The server's log says what.\n", 500
            )(scope, receive, dressed)

    def _cap(self, path: str) -> int:
        if path == "/upload":
            return self._upload_cap
        return _FILE_CAP if path in {"/bench/photo", "/bench/trace"} else _FORM_CAP

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if _name_of(f"//{host}") not in self._names:
            return 421, "this host name is not served here"
        if scope["method"] in _SAFE:
            return None
        if scope["method"] != "POST":
            return 405, "only GET and POST are understood"
        origin = headers.get("origin") or headers.get("referer") or ""
        parts = urlsplit(origin)
        if parts.scheme not in {"http", "https"} or parts.netloc.lower() != host.lower():
            return 403, "forms are taken from these pages only"
        length = headers.get("content-length", "0")
        cap = self._cap(scope["path"])
        return (
            None if length.isdigit() and int(length) <= cap else (413, "the request is too large")
        )


def _name_of(address: str) -> str:
    try:
        return (urlsplit(address).hostname or "").lower()
    except ValueError:
        return ""


def _capped(receive: Receive, cap: int) -> Receive:
    seen = 0

    async def counting() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > cap:
            raise TooLargeError
        return message

    return counting
