"""Signing in and out."""

from __future__ import annotations

from limits import parse
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from dashboards.review.context import checked_form, context, page, session
from dashboards.review.people import check_password
from pipeline.settings.serve import ServeSettings


class SignInLimit:
    """How often an address, and a name, may try."""

    def __init__(self, settings: ServeSettings) -> None:
        self._limit = parse(settings.sign_ins)
        self._window = MovingWindowRateLimiter(MemoryStorage())

    def spent(self, address: str, name: str) -> bool:
        """Count a try; True when there have been too many.

        Both are counted, so that neither hides the other.
        """
        free = [
            self._window.hit(self._limit, kind, value)
            for kind, value in (("address", address), ("name", name[:200]))
        ]
        return not all(free)


async def sign_in_page(request: Request) -> Response:
    """The form."""
    return page(request, "sign_in.html.j2", "sign-in", title="Sign in", fault=None)


async def sign_in(request: Request) -> Response:
    """Check name and password; a new session on success, 429 when tried too often."""
    known = context(request)
    form = await checked_form(request)
    name, password = str(form.get("name", "")), str(form.get("password", ""))
    client = request.client.host if request.client else "?"
    if request.app.state.sign_in_limit.spent(client, name):
        fault = "Too many tries. Wait a minute."
        return page(request, "sign_in.html.j2", "sign-in", status=429, title="Sign in", fault=fault)
    who = await run_in_threadpool(check_password, known.people or {}, name, password)
    if who is None:
        fault = "Name and password do not belong together."
        return page(request, "sign_in.html.j2", "sign-in", status=401, title="Sign in", fault=fault)
    answer = RedirectResponse("/", status_code=303)
    known.sessions.remember(answer, known.sessions.renew(session(request), who))
    return answer


async def sign_out_page(request: Request) -> Response:
    """Ask, so that no link can sign somebody out."""
    return page(request, "sign_out.html.j2", "sign-out", title="Sign out")


async def sign_out(request: Request) -> Response:
    """End the session."""
    await checked_form(request)
    context(request).sessions.end(session(request))
    return RedirectResponse("/sign-in", status_code=303)
