"""What a run found, in words a fleet manager understands."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.ingest.turned_away import in_words
from pipeline.orchestrate.run import Result

SHOWN_WORDS = 8
SHOWN_REASONS = 12
UNSEEN = "vehicle_stay_not_seen"


def _line(row: dict[str, object], name: str) -> str:
    return f"  {row[name]}: {row['reason']}"


def _called(table: pl.DataFrame, call: str, name: str, p: str) -> list[str]:
    rows = table.filter(pl.col("call") == call).sort(p, descending=True)
    return [_line(row, name) for row in rows.iter_rows(named=True)]


def _accounts(result: Result) -> str:
    total = {
        key: sum(row[key] for row in result.run["inputs"])
        for key in ("lines", "used", "rejected", "duplicates")
    }
    return (
        f"{total['lines']:,} lines read: {total['used']:,} used, {total['rejected']:,} rejected with a reason, "
        f"{total['duplicates']:,} repeated."
    )


def told_away(away: Sequence[dict[str, Any]]) -> str:
    """What was delivered and not used at all."""
    return f"NOT USED: {len(away)} of the files and mapping entries delivered:\n{in_words(away)}"


def _rejected(result: Result) -> list[str]:
    """Why lines of files that were otherwise used were rejected, and lines of logs without a frame."""
    told = [
        f"  {row['file']}: {row['lines']:,} × {row['reason']} (first: line {row['first_line']})"
        for row in result.run["rejected_reasons"]
    ]
    chatter = sum(row.get("chatter") or 0 for row in result.run["inputs"])
    quiet = (
        [f"Lines of logs that hold no frame: {chatter:,}; they count as used."] if chatter else []
    )
    shown = told[:SHOWN_REASONS]
    more = [f"  and {len(told) - len(shown)} more (run.json)"] if len(told) > len(shown) else []
    return quiet + (
        ["\n".join(["Lines rejected, by file and reason:", *shown, *more])] if told else []
    )


def as_words(result: Result) -> str:
    """The calls of the week, each with its reason, and which file to open."""
    tables = result.tables
    refer = _called(tables["vehicles"], "refer", "vehicle_id", "p_vehicle")
    watch = _called(tables["vehicles"], "watch", "vehicle_id", "p_vehicle")
    proving = _called(tables["vehicles"], "proving", "vehicle_id", "p_vehicle")
    proved = _called(tables["vehicles"], "proved", "vehicle_id", "p_vehicle")
    faulty = _called(tables["evses"], "faulty", "evse_id", "p_evse")
    pairings = [
        f"  {row['vehicle_model']} at {row['evse_model']} {row['firmware']}: {row['reason']}"
        for row in tables["pairings"].filter(pl.col("call") == "faulty").iter_rows(named=True)
    ]
    blocks = [
        ("Vehicles to refer to the workshop", refer),
        ("Vehicles to watch", watch),
        ("Vehicles proving their repair", proving),
        ("Vehicles whose repair is proved", proved),
        ("EVSEs to look at", faulty),
        ("Pairings of vehicle model, EVSE model and firmware that fail", pairings),
    ]
    away = result.run["turned_away"]
    words = [told_away(away)] * bool(away)
    words += [f"Week {result.week}. {_accounts(result)}", *_rejected(result)]
    words += [*_unknown_words(result), *_unseen(tables["impossible"])]
    words += ["\n".join([f"{title}: {len(lines) or 'none'}", *lines]) for title, lines in blocks]
    return "\n\n".join(
        [
            *words,
            *([result.mailed.said] if result.mailed else []),
            f"Open {_shown(result.folder / 'fleet.html')} first; sites.html and workshop.html lie beside it.",
        ]
    )


def _unknown_words(result: Result) -> Iterator[str]:
    if unknown := result.run["unknown_words"]:
        shown = [f"{row['word']!r} ({row['occurrences']})" for row in unknown[:SHOWN_WORDS]]
        more = len(unknown) - SHOWN_WORDS
        yield (
            "Fault words that no code list knows; map them in the file that `normalise.codes_file` names: "
            + ", ".join(shown) + (f" and {more} more (run.json)" if more > 0 else "")
        )  # fmt: skip


def _unseen(impossible: pl.DataFrame) -> Iterator[str]:
    if unseen := impossible.filter(pl.col("rule") == UNSEEN).height:
        yield (
            f"Plug-ins that only a vehicle reported: {unseen}. They count for no vehicle: it was plugged in elsewhere, the EVSE "
            f"did not know it, or a log is missing (impossible.parquet, rule {UNSEEN})"
        )


def _shown(path: Path) -> str:
    try:
        return str(path.resolve().relative_to(Path.cwd()))
    except ValueError:
        return str(path.resolve())
