"""Nobody reaches a page of the review app without a session."""

from __future__ import annotations

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dashboards.review.context import Context

_NO_SESSION = ("/assets/", "/healthy")


class Gate:
    """ASGI middleware: gives every request a session.

    Sends strangers to the sign-in page where there is one.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Find or start the session, then let pass or send away."""
        if scope["type"] != "http" or scope["path"].startswith(_NO_SESSION):
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        known: Context = request.app.state.context
        found = known.sessions.find(request)
        if found and found.person and known.people and not known.people.still(found.person):
            known.sessions.end(found)
            found = None
        if found is None and request.method == "POST":
            refusal = PlainTextResponse(
                "this form is from another sign-in; load the page again\n", 403
            )
            await refusal(scope, receive, send)
            return
        fresh = found is None
        session = found or known.sessions.start(known.at_desk if known.people is None else None)
        request.state.session = session

        async def with_cookie(message: Message) -> None:
            if fresh and message["type"] == "http.response.start":
                MutableHeaders(scope=message).append("set-cookie", known.sessions.cookie(session))
            await send(message)

        if session.person is None and scope["path"] != "/sign-in":
            await RedirectResponse("/sign-in", status_code=303)(scope, receive, with_cookie)
        else:
            await self._app(scope, receive, with_cookie)
