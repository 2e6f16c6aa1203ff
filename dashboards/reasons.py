"""A reason of the tables, which are English, told in another language of the pages: whole or not at all."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from dashboards.language import strings
from pipeline.core.wording import OVER_RANGE, SUSPECTS
from pipeline.registry import load_file

REASONS = Path(__file__).resolve().parent / "reasons.yaml"
Patterns = tuple[tuple[re.Pattern[str], str], ...]

_BLANK = re.compile(r"\{([a-z]+)(\d*)\}")
_KEPT = {"day": r"\d{4}-\d{2}-\d{2}", "free": ".+?", **dict.fromkeys("abcdef", r"[\d.,]+")}
_OHM = rf"(?:{OVER_RANGE}|[\d.]+ [kM]?Ω)"
OVER_RANGE_IN = {"de": "über Messbereich"}


@cache
def _declared() -> Mapping[str, Any]:
    return load_file(REASONS)


@cache
def _rows(group: str) -> tuple[Mapping[str, str], ...]:
    """The phrases of a group, or the sentences: each in every language."""
    if group == "part":
        return tuple({**strings()[f"part.{code}"], "en": en} for code, en in SUSPECTS.items())
    return tuple(
        _declared()["sentences"] if group == "sentences" else _declared()["phrases"][group]
    )


@cache
def _group(name: str, language: str) -> Patterns:
    """The patterns of a group of phrases, or of the sentences, each with its text in the language."""
    end = "(?= |$)" if name == "sentences" else ""
    return tuple((re.compile(_pattern(row["en"]) + end), row[language]) for row in _rows(name))


def _pattern(text: str, *, caught: bool = True) -> str:
    """A text as a pattern, its blanks caught by name or not."""
    parts, at = [], 0
    for blank in _BLANK.finditer(text):
        name = f"?P<{blank[1]}{blank[2]}>" if caught else "?:"
        parts += [re.escape(text[at : blank.start()]), f"({name}{_blank(blank[1])})"]
        at = blank.end()
    return "".join(parts) + re.escape(text[at:])


def _blank(group: str) -> str:
    if group in _KEPT:
        return _KEPT[group]
    if group == "ohm":
        return _OHM
    return "|".join(_pattern(row["en"], caught=False) for row in _rows(group))


def in_language(reason: str, language: str) -> str | None:
    """The reason in the language; None where a sentence of it is not known there."""
    said, at = [], 0
    while at < len(reason):
        found = _next(reason, at, language)
        if found is None:
            return None
        words, at = found
        said.append(words)
    return " ".join(said)


def told_reason(reason: str, language: str) -> tuple[str, str]:
    """A reason as a page in a language tells it, and the language it is in: English where it is not known there."""
    said = None if language == "en" else in_language(reason, language)
    return (reason, "en") if said is None else (said, language)


def _next(reason: str, at: int, language: str) -> tuple[str, int] | None:
    """The sentence that begins at a place, in the language, and where the next one begins."""
    for pattern, text in _group("sentences", language):
        found = pattern.match(reason, at)
        words = _filled(found, text, language) if found else None
        if found and words is not None:
            return words, found.end() + 1
    return None


def _filled(found: re.Match[str], text: str, language: str) -> str | None:
    values = {name: _phrase(name, value, language) for name, value in found.groupdict().items()}
    if None in values.values():
        return None
    return text.format(**values)


def _phrase(name: str, value: str, language: str) -> str | None:
    group = name.rstrip("0123456789")
    if group in _KEPT:
        return value
    if group == "ohm":
        return OVER_RANGE_IN[language] if value == OVER_RANGE else value.replace(".", ",")
    for pattern, text in _group(group, language):
        found = pattern.fullmatch(value)
        if found:
            return _filled(found, text, language)
    return None
