"""The figures as text: a line each, and tables by kind of fault."""

from __future__ import annotations

from math import isnan
from typing import Any

import polars as pl

from pipeline.measure.quality.from_logs.scores import Scored

GROUPS = ("vehicles", "evses", "pairings", "attempts", "time to referral")


def table(told: dict[str, Any]) -> str:
    """Text of all figures."""
    lines: list[str] = []
    for group in (name for name in GROUPS if name in told):
        lines += ["", group]
        lines += [
            f"  {name.replace('_', ' '):<28}{_text(value)}"
            for name, value in told[group].items()
            if not isinstance(value, list)
        ]
        lines += [
            f"  {text}"
            for value in told[group].values()
            if isinstance(value, list)
            for text in value
        ]
    for group, call in (("vehicles_by_kind", "referred"), ("evses_by_kind", "called")):
        lines += [
            "",
            f"{'kind of fault':<34}{call} of identifiable | oracle | {call} of all at fault | part right",
        ]
        lines += [_kind(row) for row in told[group]]
    return "\n".join(lines)


def _kind(row: dict[str, Any]) -> str:
    oracle = row.get("oracle", "")
    return (
        f"  {row['kind']:<32}{row['called']:>4} of {row['identifiable']:<12}{oracle:>6}   "
        f"{row['called_of_all']:>6} of {row['at_fault']:<12}{row['part_right']:>6}"
    )


def _text(value: float) -> str:  # counts come as int, shares as float
    if isnan(value):
        return "nothing to count"
    return f"{value:,}" if isinstance(value, int) else f"{value:.3f}"


def misses(scored: Scored) -> str:
    """Every identifiable unit missed and every unit wrongly called, with what is true and what was said."""
    v, e = scored.vehicles, scored.evses
    missed = v.filter(pl.col("identifiable") & (pl.col("said_call") != "refer"))
    wrong = v.filter((pl.col("said_call") == "refer") & ~pl.col("there"))
    missed_evses = e.filter(pl.col("identifiable") & (pl.col("said_call") != "faulty"))
    wrong_evses = e.filter((pl.col("said_call") == "faulty") & ~pl.col("there"))
    p = scored.pairings
    missed_pairings = p.filter(pl.col("identifiable") & (pl.col("said_call") != "faulty"))
    wrong_pairings = p.filter((pl.col("said_call") == "faulty") & (pl.col("own_failures") == 0))
    return "\n".join(
        [
            "missed vehicles",
            *(_vehicle(row) for row in missed.to_dicts()),
            "vehicles referred that are not at fault",
            *(_vehicle(row) for row in wrong.to_dicts()),
            "missed EVSEs",
            *(_evse(row) for row in missed_evses.to_dicts()),
            "EVSEs called faulty that are not",
            *(_evse(row) for row in wrong_evses.to_dicts()),
            "missed pairings",
            *(_pairing(row) for row in missed_pairings.to_dicts()),
            "pairings called faulty that are not",
            *(_pairing(row) for row in wrong_pairings.to_dicts()),
        ]
    )


def _unit(row: dict[str, Any], name: str) -> str:
    """Where it is, and what is true of it."""
    since = f" since {row['since']:%Y-%m-%d}" if row["since"] else ""
    vain = " in vain" if row["repair_failed"] else ""
    repair = f", repaired {row['repaired_at']:%m-%d}{vain}" if row["repaired_at"] else ""
    return (
        f"- {row['world']} {row['seed']} {row[name]}: truth {row['kind'] or 'none'}{since}{repair}"
    )


def _vehicle(row: dict[str, Any]) -> str:
    bites = (
        f"fails {_text(row['bite'])} of {row['showing']} at {row['evses']} EVSEs, {row['own_failures']} by itself"
        if row["showing"]
        else "nothing could show it"
    )
    others = f"of its failures {row['evse_share']:.2f} by EVSEs and {row['pairing_share']:.2f} by pairings"
    said = f"said {row['said_call']} {row['said_p_vehicle']:.3f} {row['said_suspect'] or ''}: {row['said_reason'] or ''}"
    return "; ".join(
        [_unit(row, "vehicle_id"), bites, f"oracle {row['p_oracle']:.3f}", others, said]
    )


def _evse(row: dict[str, Any]) -> str:
    bites = (
        f"rate {row['rate']:.2f}, {row['own_failures']} of {row['all_failures']} failures by itself in {row['showing']}"
        if row["showing"]
        else "nothing could show it"
    )
    said = f"said {row['said_call']} {row['said_p_evse']:.3f} {row['said_suspect'] or ''}: {row['said_reason'] or ''}"
    return "; ".join([_unit(row, "evse_id"), bites, said])


def _pairing(row: dict[str, Any]) -> str:
    name = f"{row['vehicle_model']} x {row['evse_model']} x {row['firmware']}"
    true = f"{row['own_failures']} by itself in {row['showing']} of {row['vehicles']} vehicles at {row['evses']} EVSEs"
    said = f"said {row['said_call']} {row['said_p_pairing']}, {row['said_failures']} of {row['said_attempts']} failed"
    return f"- {row['world']} {row['seed']} {name}: truth {true}; {said}"
