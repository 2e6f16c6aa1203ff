"""Evidence packs of the referred vehicles.

One `Evidence` each, from the frames of the refer stage.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from pipeline.core.weeks import LookBack
from pipeline.core.wording import SUSPECTS, counted, probability
from pipeline.refer.inputs import ReferInputs
from pipeline.refer.pack.argument import doubts, refutes, ruled_out, weights
from pipeline.refer.pack.bench_steps import bench
from pipeline.refer.pack.charts import pilot_chart, strip_chart
from pipeline.refer.pack.form import FORM
from pipeline.refer.pack.history import history
from pipeline.refer.pack.model import (
    Claim,
    Control,
    Evidence,
    StripAttempt,
    Tally,
    UnseenVisit,
    Vehicle,
)
from pipeline.refer.pack.parts import by_vehicle, controls, peers
from pipeline.refer.pack.pilot import pilot
from pipeline.refer.suspects.known import of_present
from pipeline.refer.suspects.unseen import visits
from pipeline.refer.suspects.vehicles import Judged
from pipeline.refer.wording import GOES_UNSEEN, joined, without_a_failure

CONTROL_ROWS = 24
"""Rows of the control group in a pack; the totals above them count all."""


def packs(
    inputs: ReferInputs,
    attempts: pl.DataFrame,
    judged: Judged,
    called: pl.DataFrame,
    out: pl.DataFrame,
    look_back: LookBack,
) -> dict[str, Evidence]:
    """One pack per vehicle called `refer`. `called`: as `call_vehicles`; `out`.

    The same as out_vehicles.
    """
    referred = out.filter(pl.col("call") == "refer")
    names = referred["vehicle_id"]
    if names.is_empty():
        return {}
    place = {vehicle: i for i, vehicle in enumerate(judged.table["vehicle_id"])}
    facts = called.join(referred.select("vehicle_id"), on="vehicle_id", how="semi").with_columns(
        besides=joined(without_a_failure())
    )
    own = _own(inputs, attempts, judged, facts, look_back)
    shown = {row["vehicle_id"]: row for row in referred.to_dicts()}
    return {
        f["vehicle_id"]: _pack(
            f | shown[f["vehicle_id"]],
            own[f["vehicle_id"]],
            judged,
            place[f["vehicle_id"]],
            look_back,
        )
        for f in facts.to_dicts()
    }


@dataclass(frozen=True)
class _Own:
    """The frames and rows of one vehicle."""

    attempts: pl.DataFrame
    levels: pl.DataFrame
    control: pl.DataFrame | None
    peers: dict[str, Any]
    fleet: dict[str, Any]
    history: tuple[str, ...]
    unseen: tuple[UnseenVisit, ...]


def _own(
    inputs: ReferInputs,
    attempts: pl.DataFrame,
    judged: Judged,
    facts: pl.DataFrame,
    look_back: LookBack,
) -> dict[str, _Own]:
    """What is each vehicle's own, of every vehicle of `facts`."""
    names = facts["vehicle_id"]
    of_them = pl.col("vehicle_id").is_in(names.implode())
    mine = by_vehicle(attempts.filter(of_them))
    levels = by_vehicle(judged.levels.filter(of_them).sort("at", "attempt_id", "state"))
    control = by_vehicle(controls(attempts, names))
    peer = {row["vehicle_id"]: row for row in peers(attempts, names).to_dicts()}
    fleet = {row["vehicle_id"]: row for row in inputs.fleet.filter(of_them).to_dicts()}
    said = history(inputs, names, look_back)
    never_seen = _unseen(inputs, attempts, judged, facts)
    return {
        vehicle: _Own(
            mine.get(vehicle, attempts.clear()),  # none where no EVSE ever saw it
            levels.get(vehicle, judged.levels.clear()),
            control.get(vehicle),
            peer[vehicle],
            fleet.get(vehicle, {}),
            said.get(vehicle, ()),
            never_seen.get(vehicle, ()),
        )
        for vehicle in names
    }


def _pack(
    row: dict[str, Any], own: _Own, judged: Judged, place: int, look_back: LookBack
) -> Evidence:
    suspects = sorted(
        zip(judged.verdicts.suspects, judged.given[place].tolist(), strict=True),
        key=lambda item: -item[1],
    )
    suspect, named = suspects[0][0], row["suspect"] or "unclear"
    inlets = tuple(i for i in (own.fleet.get("inlets") or "").split(";") if i)
    strip = _strip(own.attempts)
    shown = pilot(row, own.levels, suspect)
    path = (row["reverse_path_ohm"], row["reverse_path_lo_ohm"], row["reverse_path_hi_ohm"])
    control, control_text = _control(own.control, row["vehicle_id"])
    return Evidence(
        week=look_back.week,
        look_back_from_utc=look_back.from_utc,
        look_back_to_utc=look_back.to_utc,
        vehicle=Vehicle(
            vehicle_id=row["vehicle_id"], vehicle_model=own.fleet.get("vehicle_model"),
            model_year=own.fleet.get("model_year"), vin=own.fleet.get("vin"), inlets=inlets,
        ),
        claim=_claim(row, suspects),
        tally=Tally(**{name: row[name] for name in Tally.model_fields}),
        unseen=own.unseen,
        weights=weights(judged, place, suspect),
        strip=strip,
        strip_chart=strip_chart(strip),
        controls=control,
        controls_text=control_text,
        pilot=shown,
        pilot_chart=pilot_chart(shown.readings, shown.bands),
        ruled_out=ruled_out(
            _since(own.attempts, row["onset_lo_utc"]), own.peers, dict(suspects), row["p_vehicle"]
        ),
        bench=bench(named, inlets, path),
        refutes=refutes(named),
        doubts=doubts(own.attempts, own.levels["low_v"].count(), named),
        history=own.history,
        form=FORM,
    )  # fmt: skip


def _since(attempts: pl.DataFrame, at: datetime | None) -> pl.DataFrame:
    """Attempts from when the trouble may have begun.

    What failed before it is no part of the claim.
    """
    return attempts if at is None else attempts.filter(pl.col("plugged_at_utc") >= at)


def _unseen(
    inputs: ReferInputs, attempts: pl.DataFrame, judged: Judged, called: pl.DataFrame
) -> dict[str, tuple[UnseenVisit, ...]]:
    """Of each vehicle, the visits behind the clause of what no EVSE saw, in order of time."""
    told = called.filter(pl.col("unseen") > 0, pl.col("suspect").is_in(list(GOES_UNSEEN)))
    if told.is_empty():
        return {}
    own = pl.col("vehicle_id").is_in(told["vehicle_id"].implode())
    met = visits(
        of_present(inputs.charging.filter(own), judged.since, "at_utc"),
        of_present(
            attempts.filter(own | pl.col("vehicle_id").is_null()), judged.since, "plugged_at_utc"
        ),
    )
    behind = (
        met.filter("silent")
        .join(told.select("vehicle_id", "unseen_since_utc"), on="vehicle_id")
        .filter(pl.col("plugged_at_utc") >= pl.col("unseen_since_utc"))
        .select("vehicle_id", pl.col("plugged_at_utc").alias("at"), "evse_id")
        .sort("vehicle_id", "at")
    )
    return {
        vehicle: tuple(UnseenVisit(at=row["at"], evse_id=row["evse_id"]) for row in rows.to_dicts())
        for vehicle, rows in by_vehicle(behind).items()
    }


def _claim(row: dict[str, Any], suspects: list[tuple[str, float]]) -> Claim:
    """The claim, and what the vehicle showed `besides` failures, in the words of the week's list."""
    suspect, share = suspects[0]
    p = row["p_vehicle"]
    since = f" since about {row['onset']:%Y-%m-%d}" if row["onset"] else ""
    text = f"The vehicle is at fault with a probability of {probability(p)}{since}. "
    if share >= 0.5:
        text += f"If it is the vehicle, the likeliest cause is: {SUSPECTS[suspect]} ({probability(share)})."
    else:
        text += "Which part of it is open."
    if row["besides"]:
        text += f" {row['besides']}"
    named = row["suspect"] or "unclear"
    return Claim(
        text=text, call=row["call"], suspect=named, suspect_words=SUSPECTS[named],
        p_vehicle=p, p_diode=row["p_diode"], suspects=tuple(suspects),
        onset_utc=row["onset"], onset_lo_utc=row["onset_lo"], onset_hi_utc=row["onset_hi"],
    )  # fmt: skip


def _strip(attempts: pl.DataFrame) -> tuple[StripAttempt, ...]:
    columns = [name for name in StripAttempt.model_fields if name != "at"]
    rows = attempts.select(*columns, pl.col("plugged_at_utc").alias("at")).to_dicts()
    return tuple(StripAttempt(**row) for row in rows)


def _control(frame: pl.DataFrame | None, vehicle_id: str) -> tuple[tuple[Control, ...], str]:
    if frame is None:
        return (
            (),
            "No EVSE and week in which an AC attempt of this vehicle went wrong by its own fault.",
        )
    total = frame.select(pl.col(pl.Int64).sum()).to_dicts()[0]
    quiet = total["silent"] > 0
    did = "failed or never asked" if quiet else "failed"
    own = f", and never asked at {counted(total['silent'], 'plug-in')} more" if quiet else ""
    theirs = f", and never asked at {total['other_silent']} more" if quiet else ""
    text = (
        f"At {counted(frame['evse_id'].n_unique(), 'EVSE')} and in the weeks where {vehicle_id} {did}, it failed {total['failures']} of "
        f"{counted(total['attempts'], 'AC attempt')}{own}; all other vehicles there in the same weeks failed "
        f"{total['other_failures']} of {total['other_attempts']}{theirs}."
    )
    shown = frame.head(CONTROL_ROWS).select(list(Control.model_fields))
    return tuple(Control(**row) for row in shown.to_dicts()), text
