"""Times as a site writes them: what a format looks like (a regular expression) and what it means (SQL).

A format is strptime's; `epoch_s` and `epoch_ms` count from 1970, `iso8601` is what stands where no format is given, and
`payload` says that a frame has no time but that inside its payload.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache

from pipeline.core.sql import quoted

ISO = "iso8601"
EPOCHS = {"epoch_s": 1e6, "epoch_ms": 1e3}
PAYLOAD = "payload"
NO_YEAR = 2000
"""The year that a time written without one is read in, to be put right after: a leap year, before any log."""

_PARTS = {
    "Y": r"\d{4}", "y": r"\d{2}", "m": r"\d{1,2}", "d": r"\d{1,2}", "H": r"\d{1,2}", "I": r"\d{1,2}", "M": r"\d{1,2}",
    "S": r"\d{1,2}", "f": r"\d{1,9}", "j": r"\d{1,3}", "p": r"[AaPp]\.?[Mm]\.?", "z": r"(?:[Zz]|[+-]\d{2}(?::?\d{2})?)",
    "Z": r"[A-Za-z]{1,5}", "b": r"[A-Za-z]{3}\.?", "B": r"[A-Za-z]{3,9}", "a": r"[A-Za-z]{3}", "A": r"[A-Za-z]{6,9}", "%": "%",
}  # fmt: skip
_SHORTHANDS = {
    "%T": "%H:%M:%S",
    "%F": "%Y-%m-%d",
    "%D": "%m/%d/%y",
    "%R": "%H:%M",
    "%e": "%d",
    "%h": "%b",
    "%k": "%H",
    "%l": "%I",
}
_ISO_SHAPE = r"\d{4}-\d{2}-\d{2}[Tt ]\d{2}:\d{2}(?::\d{2}(?:[.,]\d{1,9})?)?(?:\s?(?:[Zz]|[+-]\d{2}(?::?\d{2})?))?"
_BASIC_SHAPE = r"\d{8}[Tt]\d{6}(?:[.,]\d{1,9})?(?:[Zz]|[+-]\d{2}(?::?\d{2})?)?"
_EPOCH_SHAPE = {"epoch_s": r"\d{9,10}(?:[.,]\d{1,9})?", "epoch_ms": r"\d{12,13}(?:[.,]\d{1,6})?"}
# Abbreviations of zones that logs write; those that mean several zones on Earth are left out. Common practice, no source.
_ABBREVIATIONS = {
    "UTC": 0, "GMT": 0, "WET": 0, "WEST": 1, "BST": 1, "CET": 1, "CEST": 2, "EET": 2, "EEST": 3, "MSK": 3, "EST": -5, "EDT": -4,
    "CDT": -5, "MST": -7, "MDT": -6, "PST": -8, "PDT": -7, "AKST": -9, "AKDT": -8, "AEST": 10, "AEDT": 11, "NZST": 12, "NZDT": 13,
}  # fmt: skip


def spelled_out(form: str) -> str:
    """A format with its shorthands (%T, %F …) and its unpadded parts (%-d) written in full."""
    form = re.sub(r"%[-_0#]([A-Za-z])", r"%\1", form)
    return re.sub(r"%[TFDRehkl]", lambda m: _SHORTHANDS[m.group()], form)


def wrong(form: str) -> str | None:
    """What is wrong with a format, or None."""
    if not form.strip():
        return "a time format is empty"
    return None if form in {ISO, PAYLOAD, *EPOCHS} else _wrong_parts(form)


def _wrong_parts(form: str) -> str | None:
    found = re.findall(r"%(.?)", spelled_out(form), re.DOTALL)
    unknown = [part for part in found if part not in _PARTS]
    if unknown:
        known = " ".join("%" + part for part in _PARTS)
        return f"{form!r}: %{unknown[0]} is no part of a time that is read; use {known}, or epoch_s, epoch_ms, payload"
    parts = set(found)
    twice = sorted(part for part in parts - {"%"} if found.count(part) > 1)
    if twice:
        return f"{form!r}: %{twice[0]} stands twice"
    if not (("j" in parts and parts & set("Yy")) or ("d" in parts and parts & set("mbB"))):
        return f"{form!r} names no day: %d and %m (or %b), or %j"
    if ("I" in parts) != ("p" in parts):
        return f"{form!r}: %I counts to twelve and goes with %p (AM or PM); %H counts to 23 and goes without"
    return None


def has_year(form: str) -> bool:
    """Whether a format tells the year."""
    return form in {ISO, PAYLOAD, *EPOCHS} or bool(re.search(r"%[Yy]", spelled_out(form)))


@cache
def shape(form: str) -> str:
    """What a time of a format looks like, as a regular expression without groups of its own."""
    if form == ISO:
        return f"(?:{_ISO_SHAPE}|{_BASIC_SHAPE})"
    if form in EPOCHS:
        return _EPOCH_SHAPE[form]
    pieces = re.split(r"(%.|\s+)", spelled_out(form.strip()))
    return "".join(_piece(piece) for piece in pieces)


def _piece(piece: str) -> str:
    if piece.startswith("%"):
        return _PARTS[piece[1:]]
    return r"\s+" if piece.isspace() else re.escape(piece)


def any_shape(forms: Sequence[str]) -> str:
    """What a time of one of the formats looks like; the first that fits is taken."""
    return "(?:" + "|".join(shape(form) for form in forms if form != PAYLOAD) + ")"


def zoned_and_local(text: str, form: str) -> tuple[str, str]:
    """SQL of a text's time in one format: as TIMESTAMPTZ where it says its offset, as local TIMESTAMP where it does not."""
    no_zone, no_local = "CAST(NULL AS TIMESTAMPTZ)", "CAST(NULL AS TIMESTAMP)"
    if form in EPOCHS:
        number = f"TRY_CAST(replace({text}, ',', '.') AS DOUBLE)"
        inside = f"regexp_full_match({text}, {quoted(shape(form))})"
        return (
            f"CASE WHEN {inside} THEN make_timestamptz(CAST(round({number} * {EPOCHS[form]:.0f}) AS BIGINT)) END",
            no_local,
        )
    if form == ISO:
        return _iso(text)
    full = spelled_out(form.strip())
    # at most six digits of a fraction are read
    cut = rf"regexp_replace({text}, '(\d{{6}})\d{{1,3}}', '\1')" if "%f" in full else text
    if "%p" in full:
        cut = f"regexp_replace({cut}, '([AaPp])\\.?([Mm])\\.?', '\\1\\2')"
    if "%b" in full:
        cut = f"regexp_replace({cut}, '([A-Za-z]{{3}})\\.', '\\1')"
    if "%Z" in full:
        full, cut = full.replace("%Z", "%z"), _offsets(cut)
    if not has_year(form):
        full, cut = f"%Y {full}", f"concat('{NO_YEAR} ', {cut})"
    if "%z" in full:
        cut = f"regexp_replace({cut}, '(\\d|\\s)[Zz]$', '\\1+00:00')"
        return f"try_strptime({cut}, {quoted(full)})", no_local
    return no_zone, f"try_strptime({cut}, {quoted(full)})"


def _iso(text: str) -> tuple[str, str]:
    basic = rf"regexp_replace({text}, '^(\d{{4}})(\d\d)(\d\d)[Tt](\d\d)(\d\d)(\d\d)', '\1-\2-\3T\4:\5:\6')"
    plain = rf"regexp_replace(regexp_replace(replace(upper({basic}), ',', '.'), '\s([Z+-])', '\1'), '(\.\d{{6}})\d+', '\1')"
    zoned = rf"regexp_matches({text}, '[Zz]$|[Tt ]\d\d:?\d\d.*[+-]\d\d(:?\d\d)?$')"
    fits = f"regexp_full_match({text}, {quoted(shape(ISO))})"
    return (
        f"CASE WHEN {fits} AND {zoned} THEN TRY_CAST({plain} AS TIMESTAMPTZ) END",
        f"CASE WHEN {fits} AND NOT {zoned} THEN TRY_CAST({plain} AS TIMESTAMP) END",
    )


def _offsets(text: str) -> str:
    """A text with the abbreviation of a zone put as an offset."""
    for name in sorted(_ABBREVIATIONS, key=len, reverse=True):
        hours = _ABBREVIATIONS[name]
        text = f"regexp_replace({text}, '\\b{name}\\b', '{'-' if hours < 0 else '+'}{abs(hours):02d}00')"
    return text


def in_words(forms: Sequence[str]) -> str:
    """Formats as a person is told of them."""
    names = {
        ISO: "ISO 8601 (2026-03-02T10:00:00Z)",
        "epoch_s": "seconds since 1970",
        "epoch_ms": "milliseconds since 1970",
    }
    return " or ".join(names.get(form, f"'{form}'") for form in forms if form != PAYLOAD)
