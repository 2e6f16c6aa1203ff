"""The pattern of a text log, guessed from the lines that hold a frame."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.doorway import times
from pipeline.doorway.guess.held import Held, held_frames
from pipeline.doorway.guess.roles import FORMATS, reads, station, ways

_ESCAPES = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")
# What stands for a part while a line's pattern is made; any other word in braces is the log's own.
_PART = r"\{(?:at|dir|station_id|frame)\}"
_WORD = re.compile(r"[^\s\[\](){}<>|=,;\"']+")
# Lines looked at.
_LOOKED_AT = 400
_SHARE = 0.9
# A word is of one way where at most so many of the other way's lines have it, and worth a look where so many of its own have.
_FEW = 0.05
# Frames cut off at their line's end: this share of them says that they go on below.
_CUT_SHARE = 0.2


@dataclass(frozen=True)
class LogGuess:
    """What a `frames:` entry needs beside its file: the keys in their order."""

    line: str
    more: str | None
    time_format: str | None
    into: tuple[str, ...]
    out: tuple[str, ...]
    stations: tuple[str, ...]


def guess_log(lines: Sequence[str]) -> LogGuess | None:
    """The pattern of the lines that hold a frame; None where too few do."""
    held = held_frames([_ESCAPES.sub("", line).rstrip() for line in lines])[:_LOOKED_AT]
    return _of(held) if held else None


def _of(held: Sequence[Held]) -> LogGuess:
    outer = [(one.before, one.after) for one in held]
    form, spans = _time(outer)
    cut = [_marked(texts, span) for texts, span in zip(outer, spans, strict=True)]
    told = ways([one.frame for one in held])
    into, out = _direction(cut, told)
    cut = [_directed(line, (*into, *out)) for line in cut]
    fields = [_fields(line) for line in cut]
    name = station(fields, [one.frame for one in held], set())
    fields = _without_common_beginning(fields, name)
    values = tuple(dict.fromkeys(f[name] for f in fields if name and name in f))
    marked = [
        _put(line, f.get(name or "", ""), "{station_id}")
        for line, f in zip(cut, fields, strict=True)
    ]
    line = _common(marked, held[0].body)
    cut_off = sum(not one.whole for one in held) > _CUT_SHARE * len(held)
    more = line.replace("{dir}", "{*}") if cut_off and "{dir}" in line else None
    if "{dir}" not in line:  # words that stand at no one place tell no way
        into, out = (), ()
    return LogGuess(line, more, form, into, out, values)


def _time(outer: Sequence[tuple[str, str]]) -> tuple[str | None, list[tuple[int, int, int] | None]]:
    """The format in which most lines hold a time, and where each holds it: side, from, to."""
    best: tuple[int, str] | None = None
    for form in FORMATS:
        found = [_found(texts, form) for texts in outer]
        hits = [f for f in found if f]
        if len(hits) >= _SHARE * len(outer):
            size = sum(to - since for _, since, to in hits) // len(hits)
            if best is None or size > best[0]:
                best = (size, form)
    if best is None:
        return None, [None] * len(outer)
    return best[1], [_found(texts, best[1]) for texts in outer]


def _found(texts: tuple[str, str], form: str) -> tuple[int, int, int] | None:
    for side, text in enumerate(texts):
        for match in re.finditer(rf"(?<![\w.:-])(?:{times.shape(form)})(?![\w.,:]\d|\w)", text):
            if reads(match.group(), form):
                return side, match.start(), match.end()
    return None


def _marked(texts: tuple[str, str], span: tuple[int, int, int] | None) -> str:
    """A line's words with its time and its frame as parts."""
    sides = list(texts)
    if span:
        side, since, to = span
        sides[side] = f"{sides[side][:since]}{{at}}{sides[side][to:]}"
    return f"{sides[0]}{{frame}}{sides[1]}"


def _direction(
    lines: Sequence[str], told: Sequence[str | None]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The phrases that stand in lines of one way and not of the other, nearest to the frame."""
    words = {
        way: [_words(line) for line, w in zip(lines, told, strict=True) if w == way]
        for way in ("in", "out")
    }
    if not words["in"] or not words["out"]:
        return (), ()
    phrases = {}
    for way, other in (("in", "out"), ("out", "in")):
        common = Counter(word for row in words[way] for word in set(row))
        apart = Counter(word for row in words[other] for word in set(row))
        own = {
            w
            for w, n in common.items()
            if apart[w] <= _FEW * len(words[other]) and n >= _FEW * len(words[way])
        }
        found = Counter(_phrase(row, own) for row in words[way])
        covered = [p for p, n in found.most_common(3) if p and n >= _FEW * len(words[way])]
        if sum(found[p] for p in covered) < _SHARE * len(words[way]):
            return (), ()
        phrases[way] = tuple(covered)
    return phrases["in"], phrases["out"]


def _words(line: str) -> list[str]:
    """Words and single signs of a line; arrows count as words."""
    return re.findall(r"\{at\}|\{frame\}|[<>=-]{1,3}(?=[\s\[{\":;,|)]|$)|[\w.@/-]+|[^\w\s]", line)


def _phrase(row: Sequence[str], own: set[str]) -> str:
    """The run of a way's own words that stands nearest to the frame."""
    place = row.index("{frame}") if "{frame}" in row else len(row)
    runs: list[tuple[int, list[str]]] = []
    for i, word in enumerate(row):
        if word not in own or word.startswith("{"):
            continue
        if runs and runs[-1][0] + len(runs[-1][1]) == i:
            runs[-1][1].append(word)
        else:
            runs.append((i, [word]))
    return " ".join(min(runs, key=lambda run: abs(run[0] - place))[1]) if runs else ""


def _directed(line: str, phrases: Sequence[str]) -> str:
    """A line with its direction as a part."""
    frame = line.index("{frame}")
    spots = []
    for phrase in phrases:
        made = r"\s+".join(re.escape(word) for word in phrase.split())
        spots += [
            (abs(m.start() - frame), m.start(), m.end())
            for m in re.finditer(rf"(?<!\w){made}(?!\w)", line)
        ]
    if not spots:
        return line
    _, since, to = min(spots)
    return f"{line[:since]}{{dir}}{line[to:]}"


def _fields(line: str) -> dict[str, str]:
    """The words of a line by their place, counted from the parts known already."""
    frame = line.index("{frame}")
    before, after = line[:frame], line[frame + len("{frame}") :]
    plain = [
        w.strip(":") for w in _WORD.findall(re.sub(r"\{(at|dir)\}", " ", before)) if w.strip(":")
    ]
    made = {f"b{len(plain) - i:02d}": word for i, word in enumerate(plain)}
    tail = [
        w.strip(":") for w in _WORD.findall(re.sub(r"\{(at|dir)\}", " ", after)) if w.strip(":")
    ]
    return {**made, **{f"a{i:02d}": word for i, word in enumerate(tail)}}


def _without_common_beginning(
    fields: Sequence[dict[str, str]], name: str | None
) -> list[dict[str, str]]:
    """What all stations' words begin with, up to a colon or a slash, is no part of their ids."""
    values = [f[name] for f in fields if name and name in f]
    first, last = min(values, default=""), max(values, default="")
    same = next(
        (i for i, (a, b) in enumerate(zip(first, last, strict=False)) if a != b), len(first)
    )
    shared = first[:same]
    cut = max(shared.rfind(sign) for sign in ":/=") + 1
    if not cut or name is None:
        return list(fields)
    return [{**f, name: f[name][cut:]} if name in f else f for f in fields]


def _put(line: str, value: str, part: str) -> str:
    """A line with a value as a part, where it stands alone."""
    if not value:
        return line
    found = list(re.finditer(rf"(?<![\w-]){re.escape(value)}(?![\w-])", line))
    return f"{line[: found[-1].start()]}{part}{line[found[-1].end() :]}" if found else line


def _common(lines: Sequence[str], body: str) -> str:
    """What all lines share, word by word; what differs is `{*}`."""
    rows = [re.findall(rf"{_PART}|\s+|[\w.@/-]+|[^\w\s]", line.strip()) for line in lines]
    rows = [[" " if token.isspace() else token for token in row] for row in rows]
    first = Counter(tuple(t for t in row if _is_part(t)) for row in rows).most_common(1)[0][0]
    alike = [row for row in rows if tuple(t for t in row if _is_part(t)) == first]
    pieces: list[list[list[str]]] = []
    for row in alike:
        cut: list[list[str]] = [[]]
        for token in row:
            if _is_part(token):
                cut.append([])
            else:
                cut[-1].append(token)
        pieces.append(cut)
    made = ""
    for i in range(len(first) + 1):
        made += _shared([cut[i] for cut in pieces]) + (first[i] if i < len(first) else "")
    return re.sub(r"(\{\*\}\s*)+(?=\{\*\})", "", made.strip()).replace("{frame}", body)


def _is_part(token: str) -> bool:
    return bool(re.fullmatch(_PART, token))


def _shared(rows: Sequence[list[str]]) -> str:
    """The words that rows share, from both ends inwards, `{*}` for the rest."""
    if all(row == rows[0] for row in rows):
        return _escaped("".join(rows[0]))
    short = min(len(row) for row in rows)
    left = next((i for i in range(short) if len({row[i] for row in rows}) > 1), short)
    right = next(
        (i for i in range(short - left) if len({row[-1 - i] for row in rows}) > 1), short - left
    )
    begin, end = "".join(rows[0][:left]), "".join(rows[0][len(rows[0]) - right :])
    return f"{_escaped(begin)}{{*}}{_escaped(end)}"


def _escaped(text: str) -> str:
    return text.replace("{", "{{").replace("}", "}}")
