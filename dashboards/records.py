"""The data page.

Every delivered line accounted for, what was rejected, what is impossible, how the checks went.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from dashboards.page_data import PageData
from dashboards.reader import Reader
from dashboards.words import SEVERITIES, count, sentence
from pipeline.core.wording import percent

_FILES_SHOWN = 400
_TEXT_SHOWN = 160
_ROWS_SHOWN = 30


def records_view(data: PageData, _reader: Reader) -> dict[str, Any]:
    """What the data template needs."""
    inputs = [dict(row) for row in data.run.get("inputs") or ()]
    for row in inputs:
        row["note"] = _note(row)
        row["adds_up"] = row["lines"] == row["used"] + row["rejected"] + row["duplicates"]
    inputs.sort(key=lambda row: (row["adds_up"], -row["rejected"], row["file"]))
    rejected = _rejected(data.rejected)
    impossible = _impossible(data.impossible)
    return {
        "title": "Data",
        "headline": _headline(inputs),
        "lead": "Nothing is lost: every delivered line is used, rejected with a reason, or a repeat of an earlier one.",
        "inputs": inputs[:_FILES_SHOWN],
        "inputs_more": max(0, len(inputs) - _FILES_SHOWN),
        "rejected": rejected.to_dicts(),
        "rejected_title": sentence(f"{count(data.rejected.height, 'line')} rejected"),
        "impossible": impossible.to_dicts(),
        "impossible_title": sentence(
            f"{count(data.impossible.height, 'record')} caught as impossible"
        ),
        "checks": [
            table for table in (_rules(data.rule_results), _firmware(data.rule_rates)) if table
        ],
        "blocks": _blocks(data.run),
    }


def _note(row: Mapping[str, Any]) -> str:
    unknown = row.get("unknown_columns") or ()
    said = [str(row["message"])] if row.get("message") else []
    return ". ".join(
        [*said, *([f"columns not known: {', '.join(map(str, unknown))}"] if unknown else [])]
    )


def _headline(inputs: list[dict[str, Any]]) -> str:
    lines = sum(row["lines"] for row in inputs)
    if not lines:
        return "What the results rest on"
    wrong = [row for row in inputs if not row["adds_up"]]
    if wrong:
        return f"The accounts of {count(len(wrong), 'file')} do not add up"
    rejected, repeated = (sum(row[name] for row in inputs) for name in ("rejected", "duplicates"))
    return f"All {lines:,} lines are accounted for: {rejected:,} rejected, {repeated:,} repeats"


def _rejected(frame: pl.DataFrame) -> pl.DataFrame:
    """reason, lines, file, line, text.

    Reasons that differ in figures only are one, shown by the first line that had it.
    """
    kind = pl.col("reason").str.replace_all(r"\d+", "#")
    first = pl.all().first()
    grouped = frame.sort("file", "line").group_by(kind.alias("kind")).agg(first, lines=pl.len())
    return (
        grouped.with_columns(pl.col("text").str.head(_TEXT_SHOWN))
        .sort("lines", "kind", descending=[True, False])
        .head(100)
    )


def _impossible(frame: pl.DataFrame) -> pl.DataFrame:
    grouped = frame.group_by("rule", "severity").agg(
        records=pl.len(),
        stations=pl.col("station_id").drop_nulls().n_unique(),
        detail=pl.col("detail").first(),
    )
    return grouped.sort("records", "rule", descending=[True, False]).head(100)


def _rules(frame: pl.DataFrame) -> dict[str, Any] | None:
    """The rules that caught something or passed their stated rate, worst first.

    None where no rule was asked.
    """
    if frame.is_empty():
        return None
    caught = frame.filter(pl.col("offending") > 0).sort(
        pl.col("rate"), "rule", descending=[True, False], nulls_last=True
    )
    unasked = frame.filter(pl.col("rule_result") == "not_evaluated").height
    title = f"{count(frame.height, 'rule')} asked: {caught.height} caught something, {unasked} had nothing to judge"
    columns = {
        "Rule": "rule", "Meaning": "meaning", "Effect": "severity", "Caught": "offending", "Of": "checked", "Share": "rate"
    }  # fmt: skip
    return _table(title, caught, columns)


def _firmware(frame: pl.DataFrame) -> dict[str, Any] | None:
    """Rules that caught something by EVSE model and firmware, whole firmwares first."""
    if frame.is_empty():
        return None
    whole = frame.filter(pl.col("whole_firmware")).height
    columns = {
        "Rule": "rule", "EVSE model": "evse_model", "Firmware": "firmware",
        "Stations caught": "stations_caught", "Of": "stations", "Share": "rate",
        "Elsewhere": "elsewhere_rate", "Whole firmware": "whole_firmware",
    }  # fmt: skip
    return _table(
        f"By EVSE model and firmware: {count(whole, 'rule')} caught a whole firmware",
        frame,
        columns,
    )


def _table(title: str, frame: pl.DataFrame, columns: Mapping[str, str]) -> dict[str, Any]:
    rows = frame.head(_ROWS_SHOWN).select(columns.values()).to_dicts()
    return {
        "title": title,
        "columns": list(columns),
        "rows": [[_cell(name, row[name]) for name in columns.values()] for row in rows],
    }


def _cell(name: str, value: Any) -> str:
    if name == "severity":
        return SEVERITIES.get(value, str(value))
    return percent(value) if name.endswith("rate") else _plain(value)


def _plain(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.3g}"
    if isinstance(value, int):
        return f"{value:,}"
    return "–" if value is None else str(value)


def _flat(value: Any, prefix: str = "") -> list[tuple[str, str]]:
    if isinstance(value, Mapping):
        return [
            pair
            for key, item in value.items()
            for pair in _flat(item, f"{prefix}.{key}" if prefix else str(key))
        ]
    return [(prefix, _plain(value))]


def _blocks(run: Mapping[str, Any]) -> list[tuple[str, list[tuple[str, str]]]]:
    named = {"Versions": "versions", "Settings": "settings", "Counts": "counts"}
    return [(title, _flat(run[key])) for title, key in named.items() if run.get(key)]
