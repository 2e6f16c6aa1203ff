"""Who may sign in: a small file of names, roles and password hashes, never a password."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Literal, get_args

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from filelock import FileLock

from pipeline.core.errors import SettingsError

Role = Literal["manager", "operator", "workshop"]
ROLES: tuple[Role, ...] = get_args(Role)
# NIST SP 800-63B asks for at least 8 characters, longer for a password that stands alone (from
# memory).
LEAST_PASSWORD = 12

_hasher = PasswordHasher()


@dataclass(frozen=True)
class Person:
    """Somebody who may see the pages.

    An operator sees the sites named, a workshop what was referred, a manager all.
    """

    name: str
    role: Role
    sites: frozenset[str] = field(default_factory=frozenset)


def load_people(path: Path) -> dict[str, tuple[Person, str]]:
    """Name → person and password hash.

    Raises SettingsError when the file is missing or not of this form.
    """
    try:
        rows = json.loads(path.read_text(encoding="utf-8"))["people"]
        people = {
            row["name"]: (
                Person(row["name"], row["role"], frozenset(row["sites"])),
                row["password_hash"],
            )
            for row in rows
        }
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise SettingsError(
            f"the file of people cannot be read: {error!r}",
            where=str(path),
            next_step="make it with `whichside person`",
        ) from error
    wrong = sorted(name for name, (person, _) in people.items() if person.role not in ROLES)
    if wrong:
        raise SettingsError(
            f"unknown role of {', '.join(wrong)}",
            where=str(path),
            next_step=f"use {', '.join(ROLES)}",
        )
    return people


def save_person(path: Path, person: Person, password: str) -> None:
    """Add or replace a person; the file is readable by its owner only and replaced whole.

    Raises SettingsError for a short password, an empty name, or sites given to a role that has none
    (or the other way round).
    """
    if len(password) < LEAST_PASSWORD:
        raise SettingsError(
            "the password is too short", next_step=f"use at least {LEAST_PASSWORD} characters"
        )
    if not person.name.strip() or (person.role == "operator") != bool(person.sites):
        raise SettingsError(
            "a person needs a name, and an operator (only) needs sites", next_step="name them"
        )
    secret = _hasher.hash(password)
    with FileLock(path.with_name(f".{path.name}.lock")):
        people = load_people(path) if path.exists() else {}
        people[person.name] = (person, secret)
        _write(path, people)


def remove_person(path: Path, name: str) -> None:
    """Take a person out; their sessions end with the next request.

    Raises SettingsError where there is nobody of that name.
    """
    with FileLock(path.with_name(f".{path.name}.lock")):
        people = load_people(path)
        if people.pop(name, None) is None:
            known = ", ".join(sorted(people)) or "nobody"
            raise SettingsError(
                f"nobody is called {name!r}", where=str(path), next_step=f"there is {known}"
            )
        _write(path, people)


def _write(path: Path, people: dict[str, tuple[Person, str]]) -> None:
    rows = [
        {**asdict(who), "sites": sorted(who.sites), "password_hash": secret}
        for who, secret in people.values()
    ]
    text = json.dumps({"people": rows}, indent=1, ensure_ascii=False) + "\n"
    draft = path.with_name(f".{path.name}.new")
    draft.unlink(missing_ok=True)
    draft.touch(mode=0o600)
    with draft.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    draft.replace(path)


class People:
    """The file of people as it stands: read again whenever it has changed."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._read: tuple[tuple[int, int], dict[str, tuple[Person, str]]] | None = None
        self.now()

    def now(self) -> dict[str, tuple[Person, str]]:
        """Everybody who may sign in at this moment. Raises SettingsError as `load_people`."""
        try:
            found = self._path.stat()
        except OSError:
            return load_people(self._path)
        stamp = (found.st_mtime_ns, found.st_ino)
        if self._read is None or self._read[0] != stamp:
            self._read = (stamp, load_people(self._path))
        return self._read[1]

    def still(self, person: Person) -> bool:
        """Whether somebody who signed in may still: there, with the same role and sites."""
        return self.now().get(person.name, (None, ""))[0] == person


def check_password(
    people: dict[str, tuple[Person, str]], name: str, password: str
) -> Person | None:
    """The person, when name and password belong together.

    An unknown name takes as long as a known one.
    """
    person, secret = people.get(name, (None, _nobody()))
    try:
        _hasher.verify(secret, password)
    except (VerificationError, InvalidHashError):
        return None
    return person


_nobody_hash: list[str] = []


def _nobody() -> str:
    if not _nobody_hash:
        _nobody_hash.append(_hasher.hash(os.urandom(16).hex()))
    return _nobody_hash[0]
