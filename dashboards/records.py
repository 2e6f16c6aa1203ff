"""The data page.

Every delivered line accounted for, what was rejected, what is impossible, how the checks went.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import polars as pl

from dashboards.language import Language
from dashboards.page_data import PageData
from dashboards.reader import Reader
from pipeline.core.wording import percent

_FILES_SHOWN = 400
_TEXT_SHOWN = 160
_ROWS_SHOWN = 30


def records_view(data: PageData, reader: Reader) -> dict[str, Any]:
    """What the data template needs."""
    t = reader.t
    inputs = [dict(row) for row in data.run.get("inputs") or ()]
    for row in inputs:
        row["note"] = _note(row)
        row["adds_up"] = row["lines"] == row["used"] + row["rejected"] + row["duplicates"]
    inputs.sort(key=lambda row: (row["adds_up"], -row["rejected"], row["file"]))
    rejected = _rejected(data.rejected)
    impossible = _impossible(data.impossible)
    return {
        "title": t("data.title"),
        "headline": _headline(t, inputs),
        "lead": t("data.lead"),
        "inputs": inputs[:_FILES_SHOWN],
        "inputs_more": max(0, len(inputs) - _FILES_SHOWN),
        "rejected": rejected.to_dicts(),
        "rejected_title": t("data.rejected_title", n=data.rejected.height),
        "impossible": [
            {**row, "detail": plain_figures(row["detail"] or "")} for row in impossible.to_dicts()
        ],
        "impossible_title": t("data.impossible_title", n=data.impossible.height),
        "checks": [
            table
            for table in (_rules(t, data.rule_results), _firmware(t, data.rule_rates))
            if table
        ],
        "blocks": _blocks(t, data.run),
    }


def _note(row: Mapping[str, Any]) -> str:
    unknown = row.get("unknown_columns") or ()
    said = [str(row["message"])] if row.get("message") else []
    return ". ".join(
        [*said, *([f"columns not known: {', '.join(map(str, unknown))}"] if unknown else [])]
    )


def _headline(t: Language, inputs: list[dict[str, Any]]) -> str:
    lines = sum(row["lines"] for row in inputs)
    if not lines:
        return t("data.rests_on")
    wrong = [row for row in inputs if not row["adds_up"]]
    if wrong:
        return t("data.wrong", n=len(wrong))
    rejected, repeated = (sum(row[name] for row in inputs) for name in ("rejected", "duplicates"))
    return t("data.all", lines=lines, rejected=rejected, repeated=repeated)


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


# A figure before its unit or before the word that leads to another; an id has neither.
_FIGURE = re.compile(
    r"(?<![\w.:-])(-?\d+)\.(\d+)(?= (?:(?:to|V|A|W|Wh|kW|kWh|s|h|ohm|days)\b|%|/))"
)
_INSTANT = re.compile(r"(\d{4}-\d\d-\d\d \d\d:\d\d:\d\d)(?:\.\d+)?\+00(?::00)?\b")


def plain_figures(detail: str) -> str:
    """A record's detail as a person reads it: no decimals of nought or of hundreds, instants as UTC; ids stay as they are."""

    def shorter(found: re.Match[str]) -> str:
        whole, decimals = found.groups()
        if decimals.strip("0") and abs(int(whole)) < 100:
            return found[0]
        return f"{float(found[0]):.0f}"

    return _INSTANT.sub(r"\1 UTC", _FIGURE.sub(shorter, detail))


def _rules(t: Language, frame: pl.DataFrame) -> dict[str, Any] | None:
    """The rules that caught something or passed their stated rate, worst first.

    None where no rule was asked.
    """
    if frame.is_empty():
        return None
    caught = frame.filter(pl.col("offending") > 0).sort(
        pl.col("rate"), "rule", descending=[True, False], nulls_last=True
    )
    unasked = frame.filter(pl.col("rule_result") == "not_evaluated").height
    title = t("data.rules_title", n=frame.height, caught=caught.height, unasked=unasked)
    columns = {
        "rule": "rule", "meaning": "meaning", "effect": "severity", "caught": "offending", "of": "checked", "share": "rate"
    }  # fmt: skip
    return _table(t, title, caught, columns)


def _firmware(t: Language, frame: pl.DataFrame) -> dict[str, Any] | None:
    """Rules that caught something by EVSE model and firmware, whole firmwares first."""
    if frame.is_empty():
        return None
    columns = {
        "rule": "rule", "evse_model": "evse_model", "firmware": "firmware", "stations_caught": "stations_caught", "of": "stations",
        "share": "rate", "elsewhere": "elsewhere_rate", "whole_firmware": "whole_firmware",
    }  # fmt: skip
    whole = frame.filter(pl.col("whole_firmware")).height
    return _table(t, t("data.firmware_title", n=whole), frame, columns)


def _table(
    t: Language, title: str, frame: pl.DataFrame, columns: Mapping[str, str]
) -> dict[str, Any]:
    """`columns`: key of the head among the `data.` words → column."""
    rows = frame.head(_ROWS_SHOWN).select(columns.values()).to_dicts()
    return {
        "title": title,
        "columns": [t(f"data.{head}") for head in columns],
        "rows": [[_cell(t, name, row[name]) for name in columns.values()] for row in rows],
    }


def _cell(t: Language, name: str, value: Any) -> str:
    if name == "severity":
        return t.of("severity", value)
    return t.figure(percent(value)) if name.endswith("rate") else _plain(t, value)


def _plain(t: Language, value: Any) -> str:
    if isinstance(value, bool):
        return t("data.yes") if value else t("data.no")
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, int):
        return t.number(value)
    return "–" if value is None else str(value)


def _flat(t: Language, value: Any, prefix: str = "") -> list[tuple[str, str]]:
    if isinstance(value, Mapping):
        return [
            pair
            for key, item in value.items()
            for pair in _flat(t, item, f"{prefix}.{key}" if prefix else str(key))
        ]
    if isinstance(value, list | tuple):
        if not any(isinstance(item, Mapping) for item in value):
            return [(prefix, ", ".join(_plain(t, item) for item in value) or "–")]
        rows = [(i, item) for i, item in enumerate(value, start=1) if isinstance(item, Mapping)]
        return [(f"{prefix} {i}", _told_of(t, item)) for i, item in rows]
    return [(prefix, _plain(t, value))]


def _told_of(t: Language, item: Mapping[str, Any]) -> str:
    return ", ".join(
        f"{key} {_plain(t, value)}" for key, value in item.items() if value is not None
    )


def _blocks(t: Language, run: Mapping[str, Any]) -> list[tuple[str, list[tuple[str, str]]]]:
    named = ("versions", "settings", "counts")
    return [(t(f"data.{key}"), _flat(t, run[key])) for key in named if run.get(key)]
