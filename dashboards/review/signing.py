"""Signing in and out."""

from __future__ import annotations

from limits import parse
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from dashboards.review.context import checked_form, context, page
from dashboards.review.people import check_password
from dashboards.review.rights import session
from pipeline.settings.serve import ServeSettings

_KNOWN_CAP = 10_000


class SignInLimit:
    """How often a sign-in may be tried: by address, by name and address, and, for addresses where
    that name never signed in, by name alone.

    So a stranger who guesses at a name slows down strangers, never its owner at a known address.
    """

    def __init__(self, settings: ServeSettings) -> None:
        self._pair = parse(settings.sign_ins)
        self._wide = parse(settings.sign_ins_wide)
        self._window = MovingWindowRateLimiter(MemoryStorage())
        self._known: set[tuple[str, str]] = set()

    def spent(self, address: str, name: str) -> bool:
        """Count a try; True when there have been too many.

        All are counted, so that none hides the other.
        """
        name = name[:200]
        free = [
            self._window.hit(self._pair, "pair", name, address),
            self._window.hit(self._wide, "address", address),
        ]
        if (name, address) not in self._known:
            free.append(self._window.hit(self._wide, "name", name))
        return not all(free)

    def succeeded(self, address: str, name: str) -> None:
        """The address is the name's own from now on, and starts afresh."""
        if len(self._known) < _KNOWN_CAP:
            self._known.add((name[:200], address))
        self._window.clear(self._pair, "pair", name[:200], address)


async def sign_in_page(request: Request) -> Response:
    """The form."""
    return page(request, "sign_in.html.j2", "sign-in", title="Sign in", fault=None)


async def sign_in(request: Request) -> Response:
    """Check name and password; a new session on success, 429 when tried too often."""
    known = context(request)
    form = await checked_form(request)
    name, password = str(form.get("name", "")), str(form.get("password", ""))
    client = request.client.host if request.client else "?"
    limit: SignInLimit = request.app.state.sign_in_limit
    if limit.spent(client, name):
        known.sign_ins.note("too many tries", name, client)
        fault = "Too many tries. Wait a minute."
        return page(request, "sign_in.html.j2", "sign-in", status=429, title="Sign in", fault=fault)
    people = known.people.now() if known.people else {}
    who = await run_in_threadpool(check_password, people, name, password)
    known.sign_ins.note("signed in" if who else "refused", name, client)
    if who is None:
        fault = "Name and password do not belong together."
        return page(request, "sign_in.html.j2", "sign-in", status=401, title="Sign in", fault=fault)
    limit.succeeded(client, name)
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
