"""The pattern of a log line: words, blanks and named parts, made into one regular expression.

A line is matched up to where its frame begins; the frame is the rest of it, since a search through long payloads costs most
of the time. Only where named parts follow the frame is the whole line matched.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import polars as pl

from pipeline.doorway import times

PARTS = ("at", "*", "station_id", "dir", "frame", "type", "id", "action", "payload")
_BODY = ("frame", "payload")
_TOKEN = re.compile(r"\{\{|\}\}|\{[^{}]*\}|\s+|[^{}\s]+|[{}]")
# A frame begins with its message type; a bracket with anything else in it is a word of the log. At a line's end it may go on.
_BEGINS = {"frame": r"(?P<mark>\[)\s*(?:\d+\s*(?:,|$)|$)", "payload": r"(?P<mark>\{)"}
_WHOLE = {"frame": r"\[.*\]", "payload": r"\{.*\}"}
_QUOTES = "\"'`"


class PatternError(ValueError):
    """A pattern that cannot be used."""


@dataclass(frozen=True)
class Words:
    """The words that a line's parts may be: of the direction, and of the kind of message (empty: any word)."""

    direction: tuple[str, ...] = ()
    type: tuple[str, ...] = ()


@dataclass(frozen=True)
class Pattern:
    """A pattern's pieces in their order: blanks (' '), words, and parts as `{name}`."""

    text: str
    tokens: tuple[str, ...]
    forms: tuple[str, ...]
    words: Words

    @cached_property
    def body(self) -> str:
        """What the line carries: `frame` or `payload`."""
        return next(name for name in _BODY if f"{{{name}}}" in self.tokens)

    @cached_property
    def _place(self) -> int:
        return self.tokens.index(f"{{{self.body}}}")

    @cached_property
    def named(self) -> tuple[str, ...]:
        """Parts that the pattern names, but for the frame itself."""
        return tuple(
            t[1:-1]
            for t in self.tokens
            if t.startswith("{") and t[1:-1] in PARTS and t[1:-1] not in {"*", *_BODY}
        )

    @cached_property
    def head_only(self) -> bool:
        """Whether no named part follows the frame."""
        after = self.tokens[self._place + 1 :]
        return not any(t.startswith("{") and t not in {"{*}", "{{"} for t in after)

    @cached_property
    def head(self) -> str:
        """The expression up to where the frame begins: what comes before it is the group `head`, its first sign `mark`."""
        return f"^(?P<head>{self._regex(self.tokens[: self._place])}){_BEGINS[self.body]}"

    @cached_property
    def onward(self) -> str:
        """As `head`, for a line on which a frame goes on: anything may follow."""
        return f"^(?P<head>{self._regex(self.tokens[: self._place])})(?P<mark>.)"

    @cached_property
    def tail(self) -> str | None:
        """The expression that parts the frame (group 1) from the words after it; None where none follow."""
        after = self.tokens[self._place + 1 :]
        while after and after[-1] in {" ", "{*}"}:
            after = after[:-1]
        return f"^({_WHOLE[self.body]}){self._regex(after, 1)}" if after else None

    @cached_property
    def whole(self) -> str:
        """The expression of the whole line."""
        before, after = self.tokens[: self._place], self.tokens[self._place + 1 :]
        body = f"(?P<{self.body}>{_WHOLE[self.body]})"
        return f"^{self._regex(before)}{body}{self._regex(after, self._place + 1)}"

    def _regex(self, tokens: Sequence[str], first: int = 0) -> str:
        made = []
        for i, token in enumerate(tokens):
            before, after = (self._token(first + i + k) for k in (-1, 1))
            if token.isspace() and self._optional(first + i - 1):
                continue  # this blank stands in the group of the part before it
            piece = self._piece(token, before, after)
            made.append(rf"(?:{piece}\s+)?" if self._optional(first + i) else piece)
        return "".join(made)

    def _token(self, i: int) -> str:
        return self.tokens[i] if 0 <= i < len(self.tokens) else ""

    def _optional(self, i: int) -> bool:
        """Whether a part may be missing, with the blank after it: anything between blanks, and the action of a result."""
        alone = self._token(i - 1) in {" ", ""} and self._token(i + 1) == " "
        return alone and self._token(i) in {"{*}", "{action}"}

    def _piece(self, token: str, before: str, after: str) -> str:
        if token.isspace():
            return r"\s+"
        if token in {"{{", "}}"}:
            return re.escape(token[0])
        if not (token.startswith("{") and len(token) > 2):
            return re.escape(token)
        name = token[1:-1]
        within = before[-1:] in _QUOTES and before[-1:] == after[:1] and before
        plain = f"[^{before[-1:]}]+?" if within else r"\S+?"
        expression = {
            "*": ".*?",
            "at": times.any_shape(self.forms)
            if any(f != times.PAYLOAD for f in self.forms)
            else r"\S+?",
            "station_id": plain,
            "dir": _either(self.words.direction) or ".+?",
            "type": _either(self.words.type) or r"\S+?",
            "id": plain,
            "action": "[A-Za-z][A-Za-z0-9]*",
        }[name]
        if name == "*":
            return expression
        return f"(?P<{name}>{expression})"

    def fitted(self, lines: Sequence[str]) -> str:
        """How far the pattern fits the lines, in words: what of it was found, what was not, on which line it came furthest."""
        best, where = 0, 0
        for n, line in enumerate(lines):
            reach = self._reach(line)
            if reach > best:
                best, where = reach, n
        shown = lines[where].strip()[:160] if lines else ""
        done, rest = ("".join(part).strip() for part in (self.tokens[:best], self.tokens[best:]))
        if not done:
            return f"line {where + 1} ({shown!r}) does not begin as the pattern does: {self._expected(rest)}"
        return f"line {where + 1} ({shown!r}) fits {done!r} and then not {self._expected(rest)}"

    def _reach(self, line: str) -> int:
        """How many of the pattern's pieces a line fits. By an engine whose time grows with the line: one that tries
        every way to share a long line among several gaps would take for ever.
        """
        shown = pl.Series([line])
        reach = 0
        for n in range(1, self._place + 1):
            if not shown.str.contains(f"^(?:{self._regex(self.tokens[:n])})").item():
                break
            reach = n
        else:
            if shown.str.contains(self.head).item():
                return len(self.tokens)
        return reach

    def _expected(self, rest: str) -> str:
        hints = {
            "{at}": f"a time written {times.in_words(self.forms)}",
            "{dir}": f"one of {', '.join(map(repr, self.words.direction)) or 'any word'}",
            "{type}": f"one of {', '.join(map(repr, self.words.type)) or 'any word'}",
            "{frame}": "an array that begins with its message type",
            "{payload}": "an object",
        }
        first = next((hint for part, hint in hints.items() if rest.startswith(part)), None)
        return f"{rest!r}" + (f" ({first})" if first else "")


def _either(words: Sequence[str]) -> str:
    """One of some words, the longest first; a blank in one is any run of blanks."""
    if not words:
        return ""
    made = [
        re.sub(r"(\\ )+|\s+", r"\\s+", re.escape(word))
        for word in sorted(words, key=len, reverse=True)
    ]
    return "(?:" + "|".join(made) + ")"


def compiled(text: str, forms: Sequence[str], words: Words) -> Pattern:
    """A pattern of a site's; PatternError where it cannot be used."""
    tokens = [" " if token.isspace() else token for token in _TOKEN.findall(text.strip())]
    names = [t[1:-1] for t in tokens if t.startswith("{") and len(t) > 2]
    unknown = [name for name in names if name not in PARTS]
    if unknown or "{" in tokens or "}" in tokens:
        what = (
            f"{{{unknown[0]}}} is no part"
            if unknown
            else "a brace stands alone (write {{ or }} for one that is meant)"
        )
        raise PatternError(f"{what}; parts are {', '.join('{' + p + '}' for p in PARTS)}")
    twice = sorted({name for name in names if name != "*" and names.count(name) > 1})
    if twice:
        raise PatternError(f"{{{twice[0]}}} stands twice")
    bodies = [name for name in names if name in _BODY]
    if len(bodies) != 1:
        raise PatternError(
            "it must name {frame}, or {payload} with {type} and {id}; one of them, once"
        )
    return Pattern(text.strip(), tuple(tokens), tuple(forms), words)
