"""HTML, made safely: everything that comes from a log is escaped, whatever it is."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from dashboards import words
from dashboards.language import Language
from dashboards.reasons import told_reason
from pipeline.core.wording import FINDINGS, inlet, ohms, ohms_between, percent, probability

HERE = Path(__file__).resolve().parent
TEMPLATES = HERE / "templates"
STATIC = HERE / "static"

# C0 and C1 controls but tab and newline, and the marks that turn the direction of text round:
# shown, never obeyed.
_UNSEEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b\u200e\u200f\u2028-\u202e\u2060\u2066-\u2069\ufeff\ud800-\udfff]"
)
_IN_SCRIPT = {
    "<": "\\u003c",
    ">": "\\u003e",
    "&": "\\u0026",
    "\u2028": "\\u2028",
    "\u2029": "\\u2029",
}

_TRANSLATED = str.maketrans(_IN_SCRIPT)


def visible(text: str) -> str:
    r"""The text with control and direction characters written out, as `\x1b`."""
    return _UNSEEN.sub(
        lambda found: (
            f"\\x{ord(found[0]):02x}" if ord(found[0]) < 256 else f"\\u{ord(found[0]):04x}"
        ),
        text,
    )


def _clean(value: Any) -> Any:
    if isinstance(value, str):
        return visible(value)
    if isinstance(value, Mapping):
        return {visible(str(key)): _clean(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_clean(item) for item in value]
    if isinstance(value, float):
        return value if value == value and abs(value) != float("inf") else None  # noqa: PLR0124 - NaN is not JSON
    return value


def json_block(value: Any) -> Markup:
    """JSON that may stand inside a script element.

    No `<`, `>` or `&` survives, no NaN, no control character.
    """
    text = json.dumps(_clean(value), separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return Markup(text.translate(_TRANSLATED))  # noqa: S704 - the purpose of this function


def script_text(text: str) -> str:
    """JSON text that may stand inside a script element or file.

    No `<`, `>`, `&`, control or direction character survives in it unescaped.
    """
    kept = text.translate(_TRANSLATED)
    return _UNSEEN.sub(lambda found: f"\\u{ord(found[0]):04x}", kept)


def first_sentence(text: str) -> tuple[str, str]:
    """A reason's first sentence, and the rest."""
    head, stop, rest = text.partition(". ")
    return (f"{head}.", rest) if stop else (text, "")


def _finalize(value: Any) -> Any:
    if value is None:
        return "–"
    return visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def day(value: datetime | None) -> str:
    """A day, as `14 Mar 2026`."""
    return "–" if value is None else f"{value.day} {value:%b %Y}"


@cache
def environment(*folders: Path) -> Environment:
    """The template environment: always escaping, an unknown name is an error.

    One a process: a template is compiled once, whatever the number of pages made from it.
    """
    env = Environment(
        loader=FileSystemLoader([*folders, TEMPLATES]),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_finalize,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters.update(
        json_block=json_block,
        percent=percent,
        probability=probability,
        day=day,
        ohms=ohms,
        first_sentence=first_sentence,
        path_part=lambda text: quote(str(text), safe=""),
        part=lambda code: Language().of("part", code),
        finding=lambda code: FINDINGS.get(code, code),
        inlet=inlet,
        reason=told_reason,
        caution=words.caution,
    )
    env.globals.update(count=words.count, words=words, ohms_between=ohms_between)
    return env
