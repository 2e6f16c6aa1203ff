"""Files and mapping entries that a delivery brought in vain: told wherever a week is told of."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pipeline.core.errors import DeliveryError
from pipeline.doorway.kinds import LISTS, TABLES
from pipeline.storage.warehouse import Connection, query

# Reasons told of one file; the rest stands in rejected.parquet.
REASONS_TOLD = 5
# Reasons alike but for what they quote are one; where they differ, what is quoted first is left out of it.
_REASONS = """
    SELECT file, CASE WHEN count(DISTINCT reject_reason) = 1 THEN any_value(reject_reason)
            ELSE regexp_replace(arg_min(reject_reason, line), '''[^'']*''', '…') END AS reason,
        count(*) AS lines, min(line) AS first_line
    FROM raw_rejected WHERE file_id IN (SELECT unnest($ids)) GROUP BY file, regexp_replace(reject_reason, '''[^'']*''', '…', 'g')
    QUALIFY row_number() OVER (PARTITION BY file ORDER BY count(*) DESC, min(line)) <= $told
    ORDER BY file, lines DESC, first_line
"""


def turned_away(inputs: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Of the accounts of run.json files rejected whole and mappings with a wrong entry: `file, reason, first_line, next_step`."""
    return [
        {
            "file": one["file"],
            "reason": one["message"],
            "first_line": one.get("first_line") or "",
            "next_step": _next_step(one),
        }
        for one in inputs
        if one.get("turned_away")
    ]


def _next_step(one: dict[str, Any]) -> str:
    if one["kind"] == "mapping" or "looks like a mapping" in str(one["message"]):
        return "correct the mapping at that line and deliver it again"
    if one.get("looks_like") in TABLES:
        return f"correct it as `whichside explain input_{one['looks_like']}` says, and deliver it again"
    return "`whichside preview` of the file shows what it is and proposes a mapping entry; or leave it out"


def rejected_reasons(con: Connection, inputs: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Why lines of files that were otherwise used were rejected, with counts: `file, reason, lines, first_line`."""
    part = [one["sha256"] for one in inputs if one["rejected"] and not one.get("turned_away")]
    rows = con.execute(_REASONS, {"ids": part, "told": REASONS_TOLD}).fetchall()
    names = ("file", "reason", "lines", "first_line")
    return [dict(zip(names, row, strict=True)) for row in rows]


def check_lists(con: Connection, inputs: Sequence[dict[str, Any]]) -> None:
    """Raises DeliveryError where a list that calls rest on was turned away and the warehouse holds none that is good."""
    missing = [
        one
        for one in inputs
        if one.get("looks_like") in LISTS
        and (one.get("turned_away") or one["lines"] > 1)
        and _empty(con, TABLES[one["looks_like"]])
    ]
    if missing:
        kinds = " and ".join(sorted({one["looks_like"] for one in missing}))
        raise DeliveryError(
            f"no week is published: there is no good list of {kinds}\n{in_words(turned_away(missing) or _plain(missing))}",
            next_step="correct the files named and run again; nothing else has to be delivered again",
        )


def _plain(inputs: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    return [
        {
            "file": one["file"],
            "reason": f"{one['file']}: none of its rows can be used; why stands with its rejected lines",
            "first_line": "",
            "next_step": _next_step(one),
        }
        for one in inputs
    ]


def _empty(con: Connection, table: str) -> bool:
    return query(con, f"SELECT 1 FROM {table} LIMIT 1").is_empty()


def in_words(away: Sequence[dict[str, Any]]) -> str:
    """Files and entries turned away, one a paragraph."""
    return "\n".join(
        f"  {one['reason']}\n"
        + (f"    first line: {one['first_line']}\n" if one["first_line"] else "")
        + f"    what to do: {one['next_step']}"
        for one in away
    )
