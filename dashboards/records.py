"""The data page: every delivered line accounted for, what was rejected, what is impossible, how the checks went."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from dashboards.page_data import PageData
from dashboards.words import count, sentence

_FILES_SHOWN = 400
_TEXT_SHOWN = 160


def records_view(data: PageData) -> dict[str, Any]:
    """What the data template needs."""
    inputs = [dict(row) for row in data.run.get("inputs") or ()]
    for row in inputs:
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
        "impossible_title": sentence(f"{count(data.impossible.height, 'record')} caught as impossible"),
        "checks": [
            {"title": title, "columns": frame.columns, "rows": [[_plain(cell) for cell in row] for row in frame.head(400).rows()]}
            for title, frame in (("Each rule's result", data.rule_results), ("By station and firmware", data.rule_rates))
            if frame.height
        ],
        "blocks": _blocks(data.run),
    }


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
    first = [pl.col(name).first() for name in ("file", "line")]
    text = pl.col("text").first().str.head(_TEXT_SHOWN)
    grouped = (
        frame.sort("reason", "file", "line").group_by("reason", maintain_order=True).agg(pl.len().alias("lines"), *first, text)
    )
    return grouped.sort("lines", "reason", descending=[True, False]).head(100)


def _impossible(frame: pl.DataFrame) -> pl.DataFrame:
    grouped = frame.group_by("rule", "severity").agg(
        records=pl.len(), stations=pl.col("station_id").drop_nulls().n_unique(), detail=pl.col("detail").first()
    )
    return grouped.sort("records", "rule", descending=[True, False]).head(100)


def _plain(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.3g}"
    if isinstance(value, int) and not isinstance(value, bool):
        return f"{value:,}"
    return "–" if value is None else str(value)


def _flat(value: Any, prefix: str = "") -> list[tuple[str, str]]:
    if isinstance(value, Mapping):
        return [pair for key, item in value.items() for pair in _flat(item, f"{prefix}.{key}" if prefix else str(key))]
    return [(prefix, _plain(value))]


def _blocks(run: Mapping[str, Any]) -> list[tuple[str, list[tuple[str, str]]]]:
    named = {"Versions": "versions", "Settings": "settings", "Timings (s)": "timings"}
    return [(title, _flat(run[key])) for title, key in named.items() if run.get(key)]
