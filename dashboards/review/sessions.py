"""Signed-in browsers.

A signed cookie names a session that lives in this process, so signing out ends it for good.
"""

from __future__ import annotations

import hmac
import secrets
import threading
import time
from dataclasses import dataclass

from itsdangerous import BadSignature, TimestampSigner
from starlette.requests import Request
from starlette.responses import Response

from dashboards.review.people import Person
from pipeline.settings.serve import ServeSettings

COOKIE = "whichside"
_SESSIONS_CAP = 10_000


@dataclass(frozen=True)
class Session:
    """One browser. `csrf` must come back with every form.

    `person` is None until somebody signs in.
    """

    key: str
    csrf: str
    person: Person | None


class Sessions:
    """All live sessions; safe to use from several threads."""

    def __init__(self, settings: ServeSettings) -> None:
        self._signer = TimestampSigner(secrets.token_bytes(32), salt="whichside-session")
        self._seconds = int(settings.session_hours * 3600)
        self._idle_s = settings.session_idle_minutes * 60
        self._seen: dict[str, float] = {}
        self._https = settings.https
        self._live: dict[str, Session] = {}
        self._lock = threading.Lock()

    def find(self, request: Request) -> Session | None:
        """The session a request's cookie names, if it is signed by us, not too old, not left idle and still live."""
        try:
            key = self._signer.unsign(
                request.cookies.get(COOKIE, ""), max_age=self._seconds
            ).decode()
        except BadSignature:
            return None
        found, now = self._live.get(key), time.monotonic()
        if found is not None and now - self._seen.get(key, now) > self._idle_s:
            self.end(found)
            return None
        if found is not None:
            self._seen[key] = now
        return found

    def start(self, person: Person | None) -> Session:
        """A new session; when there are too many the oldest goes, those not signed in first."""
        session = Session(secrets.token_urlsafe(32), secrets.token_urlsafe(32), person)
        with self._lock:
            while len(self._live) >= _SESSIONS_CAP:
                old = self._least_wanted()
                del self._live[old]
                self._seen.pop(old, None)
            self._live[session.key] = session
            self._seen[session.key] = time.monotonic()
        return session

    def _least_wanted(self) -> str:
        strangers = (key for key, session in self._live.items() if session.person is None)
        return next(strangers, next(iter(self._live)))

    def end(self, session: Session) -> None:
        """End a session."""
        with self._lock:
            self._live.pop(session.key, None)
            self._seen.pop(session.key, None)

    def renew(self, session: Session, person: Person) -> Session:
        """Another session for somebody who has just signed in.

        What was known before is worth nothing now.
        """
        self.end(session)
        return self.start(person)

    def remember(self, response: Response, session: Session) -> None:
        """Set the cookie: out of reach of scripts, never sent from another site."""
        value = self._signer.sign(session.key).decode()
        response.set_cookie(
            COOKIE,
            value,
            max_age=self._seconds,
            path="/",
            secure=self._https,
            httponly=True,
            samesite="strict",
        )

    def cookie(self, session: Session) -> str:
        """The same as the text of a Set-Cookie header."""
        answer = Response()
        self.remember(answer, session)
        return answer.headers["set-cookie"]


def same_token(session: Session, given: object) -> bool:
    """Whether a form's token is the session's."""
    return isinstance(given, str) and hmac.compare_digest(
        session.csrf.encode(), given.encode("utf-8", "surrogatepass")
    )
