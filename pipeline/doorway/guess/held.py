"""Lines that hold a frame, and the three ways a line may: whole, printed over several lines, or in parts."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.doorway.guess.roles import FRAME, Said, said

_KINDS = re.compile(
    r"(?<!\w)(CALL|CALLRESULT|CALLERROR|REQ|RES|CONF|Request|Response|Error)\s+(\S+)\s+(?:([A-Z]\w+)\s+)?(?=\{)"
)


@dataclass(frozen=True)
class Held:
    """A line's words before its frame, the frame, what follows it, how the frame stands, and whether it ends on the line."""

    before: str
    frame: Said
    after: str
    body: str
    whole: bool = True


def _with_array(lines: Sequence[str], i: int) -> Held | None:
    """A line with a frame on it."""
    found = FRAME.search(lines[i])
    if not found:
        return None
    rest = lines[i][found.start() :]
    end = rest.rfind("]") + 1
    one = said(rest)
    after = rest[end:] if end else ""
    return Held(lines[i][: found.start()], one, after, "{frame}", bool(end)) if one else None


def _printed(lines: Sequence[str], i: int) -> Held | None:
    """A line at whose end a frame begins that goes on below."""
    if not re.search(r"\[\s*$", lines[i]):
        return None
    one = said("[" + " ".join(lines[i + 1 : i + 4]).strip())
    return Held(re.sub(r"\[\s*$", "", lines[i]), one, "", "{frame}") if one else None


def _in_parts(lines: Sequence[str], i: int) -> Held | None:
    """A line that names kind, id and action before the payload."""
    found = _KINDS.search(lines[i])
    if not found:
        return None
    kind = "2" if found[3] else "4" if "rror" in found[1].casefold() else "3"
    rest = lines[i][found.end() :]
    after = rest[rest.rfind("}") + 1 :]
    return Held(
        lines[i][: found.start()],
        Said(kind, found[2], found[3]),
        after,
        "{type} {id} {action} {payload}",
    )


def held_frames(lines: Sequence[str]) -> list[Held]:
    """The lines that hold a frame, by the first way in which two of them do; else none."""
    for find in (_with_array, _printed, _in_parts):
        held = [one for i in range(len(lines)) if (one := find(lines, i))]
        if len(held) >= 2:
            return held
    return []
