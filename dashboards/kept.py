"""What is made from packaged files alone and costs seconds, kept from run to run in the user's cache (XDG base directories)."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path


def cache_folder() -> Path | None:
    """The user's cache of ours; None where the user has no home."""
    with suppress(RuntimeError):
        return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "whichside"
    return None


def kept(name: str, made: Callable[[], str]) -> str:
    """The text kept under a name, which tells the versions it was made by; made now where there is none, or a damaged one.

    Where nothing can be kept it is made every time.
    """
    folder = cache_folder()
    if folder is None:
        return made()
    place = folder / name
    with suppress(OSError, UnicodeDecodeError):
        mark, _, text = place.read_bytes().decode("utf-8").partition("\n")
        if mark == _mark(text):
            return text
    text = made()
    with suppress(OSError):
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        new = place.with_name(f"{name}.{os.getpid()}")
        new.write_bytes(f"{_mark(text)}\n{text}".encode())
        new.replace(place)
    return text


def _mark(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
