"""The fields of a frame as texts, from its line: two statements that give the same.

`by_paths` asks every path of every line and serves any line. `by_shape` takes an object apart once,
at half the cost; a line of which it cannot be sure it marks as not settled, to be read by paths. It
is sure where

- no backslash stands in the line: a JSON text that holds an object again would need one, and so
  cannot be taken for the object;
- the parts of the frame are where its kind has them, so that no field can stand elsewhere;
- no field is a number with an exponent, which the two write otherwise (1e-8, 1e-08): `EXPONENT`, to
  be asked of what is kept as a text or a whole number (as a decimal or a time they come to the same).
"""

from __future__ import annotations

import json
from typing import Any

from pipeline.ingest.frame_paths import ANSWER, CALL, ENVELOPE, PATHS
from pipeline.ingest.sql import quoted

EXPONENT = r"^-?[0-9][0-9.]*e"
"""What a text begins with that may be a number with an exponent."""
# The one field that stands in a list; asked for only where a message has no time of its own.
_IN_LIST = "meter_first"


def by_paths(column: str, place: str) -> str:
    """SELECT of `place`, every field and `not_json` of each of `_lines`.

    Lines are asked whether they are JSON first: TRY alone would have a whole vector of lines taken again one by one for each bad one.
    """
    paths = _listed(PATHS.values())
    found = f"CASE WHEN json_valid({column}) THEN TRY(json_extract_string({column}, {paths})) END"
    return f"""SELECT {place}, f IS NULL AS not_json, {_named("f", PATHS)}
        FROM (SELECT {place}, {found} AS f FROM _lines)"""


def by_shape(column: str, place: str) -> str:
    """SELECT of `place`, every field and `settled` (both are the same, but for `EXPONENT`) of those of
    `_lines` that are JSON without a backslash.
    """
    envelope = f"""SELECT {place}, {_named("f", ENVELOPE)}
        FROM (SELECT {place}, json_extract_string({column}, {_listed(ENVELOPE.values())}) AS f
              FROM _lines WHERE NOT contains({column}, '\\') AND json_valid({column}))"""
    call, answer = (_parts(fields) for fields in (CALL, ANSWER))
    is_call = f"kind = '2' AND {_object('fourth')}"
    is_answer = f"kind = '3' AND {_object('third')} AND third <> '{{}}'"
    return f"""SELECT {place}, {_SETTLED} AS settled, {", ".join(ENVELOPE)}, {_taken("c", CALL)}, {_taken("a", ANSWER)}
        FROM (SELECT *, CASE WHEN {is_call} THEN TRY(from_json(fourth, {call})) END AS c,
                     TRY(from_json(CASE WHEN {is_answer} THEN third END, {answer})) AS a
              FROM ({envelope}))"""


def _object(text: str) -> str:
    return f"starts_with(coalesce({text}, ''), '{{')"


_SETTLED = f"""CASE kind
    WHEN '2' THEN NOT {_object("third")} AND c IS NOT NULL
    WHEN '3' THEN NOT {_object("fourth")} AND (third = '{{}}' OR a IS NOT NULL)
    WHEN '4' THEN NOT {_object("third")} AND NOT {_object("fourth")} END"""


def _listed(paths: Any) -> str:
    return "[" + ", ".join(quoted(path) for path in paths) + "]"


def _named(fields: str, names: Any) -> str:
    return ", ".join(f"{fields}[{i}] AS {name}" for i, name in enumerate(names, start=1))


def _parts(fields: dict[str, str]) -> str:
    """The shape of an object that holds the fields, as `from_json` wants it."""
    tree: dict[str, Any] = {}
    for path in (path for name, path in fields.items() if name != _IN_LIST):
        *outer, last = path.split(".")
        inner = tree
        for step in outer:
            inner = inner.setdefault(step, {})
        inner[last] = "VARCHAR"
    return quoted(json.dumps(tree))


def _taken(struct: str, fields: dict[str, str]) -> str:
    return ", ".join(f"{_field(struct, name, fields)} AS {name}" for name in fields)


def _field(struct: str, name: str, fields: dict[str, str]) -> str:
    if name != _IN_LIST:
        return ".".join((struct, *(f'"{step}"' for step in fields[name].split("."))))
    whole, inner = fields[name].split("[", 1)
    own = _field(struct, "timestamp", fields)
    return f"""CASE WHEN {own} IS NULL THEN TRY(json_extract_string({struct}."{whole}", '$[{inner}')) END"""
