"""The printable A4 sheet of an EVSE called at fault or watched: what fails, with whom, what to check.

The page is set by `schemas/templates/evse_sheet.typ`; the same tables give the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import polars as pl

from pipeline.core.printable import CELL, printable
from pipeline.core.side_by_side import side_by_side
from pipeline.core.weeks import week_end
from pipeline.core.wording import SUSPECTS, probability
from pipeline.publish.evse_checks import CAUTIONS, checks
from pipeline.publish.typeset import typeset
from pipeline.registry import SCHEMAS

TEMPLATE = SCHEMAS / "templates" / "evse_sheet.typ"
SHEETS = "evse_sheets"
CALLED = ("faulty", "watch")
VEHICLES, FAILURES, PARTS = 12, 8, 6
"""Rows that fit the page; the EVSE's page holds all."""
STAGE_WORDS = {
    "plugged": "plugged in",
    "offered": "power offered",
    "requested": "vehicle asked",
    "energised": "contactor closed",
    "delivering": "energy flowing",
}
FOUND = (
    "pilot generator", "contactor", "residual current device", "lock", "cable or connector", "communication", "supply",
    "firmware", "no fault found",
)  # fmt: skip
FORM = (
    f"Found: {' · '.join(FOUND)}",
    "Repaired on (date, time):",
    "Note:",
    "Name, licence, signature:",
)


def evse_sheets(tables: Mapping[str, pl.DataFrame], week: str) -> Iterator[tuple[str, bytes]]:
    """Each called EVSE's id and its sheet as PDF. `tables`: the week's out_ frames."""
    called = tables["evses"].filter(pl.col("call").is_in(CALLED)).sort("evse_id")
    about = {row["evse_id"]: row for row in tables["about_evses"].to_dicts()}

    def sheet(row: Mapping[str, Any]) -> tuple[str, bytes]:
        data = sheet_data(row, about.get(row["evse_id"], {}), tables, week)
        return row["evse_id"], typeset(TEMPLATE, data, week_end(week))

    return side_by_side(sheet, called.to_dicts())


def sheet_data(
    row: Mapping[str, Any], about: Mapping[str, Any], tables: Mapping[str, pl.DataFrame], week: str
) -> dict[str, Any]:
    """What the template sets, as strings."""
    evse, part = row["evse_id"], row["suspect"]
    told = checks(part)
    suspects = tables["evse_suspects"].filter(pl.col("evse_id") == evse)
    ranked = suspects.sort("p_suspect", descending=True).head(PARTS).to_dicts()
    place = [about.get("station_id"), about.get("evse_model"), about.get("firmware")]
    return {
        "title": printable(f"{evse}: {SUSPECTS.get(part, part or 'part unclear')}", CELL),
        "subtitle": printable(
            f"{row['site_id']}  ·  {'  ·  '.join(filter(None, place))}  ·  {week}", CELL
        ),
        "claim": printable(row["reason"], 600),
        "why": printable(told.why),
        "parts": [
            [printable(SUSPECTS.get(r["suspect"], r["suspect"]), CELL), probability(r["p_suspect"])]
            for r in ranked
        ],
        "vehicles": with_whom(tables["attempts"], evse).head(VEHICLES).pipe(_vehicle_rows),
        "failures": _failures(tables["attempts"], evse, about.get("timezone") or "UTC"),
        "cautions": [printable(line) for line in CAUTIONS],
        "steps": [printable(step) for step in told.steps],
        "source": printable(told.source),
        "form": list(FORM),
        "foot": printable(
            f"Times are {about.get('timezone') or 'UTC'}. Every figure is counted from the attempts of the look-back; "
            "the call is a probability, not a finding. After the repair, enter it on the EVSE's page "
            "(a row of sites/work.csv): its next attempts then prove it."
        ),
    }


def with_whom(attempts: pl.DataFrame, evse: str) -> pl.DataFrame:
    """vehicle_id, n, failed, elsewhere_n, elsewhere_failed, low_v, high_v: who met the EVSE, the worst first."""
    known = attempts.filter(
        pl.col("outcome").is_in(["charged", "failed"]) & pl.col("vehicle_id").is_not_null()
    ).with_columns(bad=pl.col("outcome") == "failed", here=pl.col("evse_id") == evse)
    met = known.filter("here")["vehicle_id"].unique().implode()
    here, there = pl.col("here"), ~pl.col("here")
    return (
        known.filter(pl.col("vehicle_id").is_in(met))
        .group_by("vehicle_id")
        .agg(
            n=here.sum(),
            failed=(here & pl.col("bad")).sum(),
            elsewhere_n=there.sum(),
            elsewhere_failed=(there & pl.col("bad")).sum(),
            low_v=pl.col("pilot_low_b_v").filter(here).median(),
            high_v=pl.col("pilot_high_b_v").filter(here).median(),
        )
        .sort("failed", "n", "vehicle_id", descending=[True, True, False])
    )


def _vehicle_rows(frame: pl.DataFrame) -> list[list[str]]:
    return [
        [
            printable(r["vehicle_id"], CELL),
            f"{r['failed']} of {r['n']}",
            f"{r['elsewhere_failed']} of {r['elsewhere_n']}",
            "–" if r["high_v"] is None else f"{r['high_v']:.2f}",
            "–" if r["low_v"] is None else f"{r['low_v']:.2f}".replace("-", "−"),
        ]
        for r in frame.to_dicts()
    ]


def _failures(attempts: pl.DataFrame, evse: str, zone: str) -> list[list[str]]:
    failed = attempts.filter((pl.col("evse_id") == evse) & (pl.col("outcome") == "failed"))
    rows = failed.sort("plugged_at", descending=True).head(FAILURES)
    local = rows.with_columns(pl.col("plugged_at").dt.convert_time_zone(zone))
    return [
        [
            f"{r['plugged_at']:%Y-%m-%d %H:%M}",
            printable(r["vehicle_id"] or "not known", CELL),
            STAGE_WORDS.get(r["stage"], r["stage"]),
            printable(r["fault"] or "no word", CELL),
        ]
        for r in local.to_dicts()
    ]
