"""Who may sign in: a small file of names, roles and password hashes, never a password."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Literal, get_args

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

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
    people = load_people(path) if path.exists() else {}
    people[person.name] = (person, _hasher.hash(password))
    rows = [
        {**asdict(who), "sites": sorted(who.sites), "password_hash": secret}
        for who, secret in people.values()
    ]
    draft = path.with_name(f".{path.name}.new")
    draft.touch(mode=0o600)
    draft.write_text(
        json.dumps({"people": rows}, indent=1, ensure_ascii=False) + "\n", encoding="utf-8"
    )
    draft.replace(path)


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
