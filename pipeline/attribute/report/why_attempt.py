"""Why an attempt that failed or was silent was put down to vehicle, EVSE, pairing or chance."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl

from pipeline.attribute.attribution import Attribution
from pipeline.attribute.report.attempt_rows import attempt_rows
from pipeline.attribute.report.explanation import Explanation
from pipeline.attribute.states.kinds import EVSE, VEHICLE
from pipeline.attribute.states.solution import Solution


def attempt_explained(answer: Attribution, subject: str, shares: dict[str, float]) -> Explanation:
    """Explain an attempt that failed or was silent by what stands beside it; `shares`: who is to blame for it."""
    solution = next(
        s for s in answer.solutions.values() if subject in s.evidence.attempt_id.implode().item()
    )
    row = int(solution.evidence.attempt_id.index_of(subject) or 0)
    evidence = solution.evidence
    vehicle, evse = evidence.vehicle[row], evidence.evse[row]
    known = vehicle < evidence.vehicles.height
    who = evidence.vehicles["vehicle_id"][int(vehicle)] if known else "an unknown vehicle"
    where = evidence.evses["evse_id"][int(evse)]
    at = evidence.begin_utc + timedelta(days=float(evidence.at_days[row]))
    parts = ", ".join(
        f"{name.removeprefix('p_')} {shares[name]:.2f}"
        for name in ("p_vehicle", "p_evse", "p_pairing", "p_other")
    )
    what = "asked for no charge" if evidence.silent[row] else "failed"
    near = (np.abs(evidence.at_days - evidence.at_days[row]) <= 7) & (
        (evidence.vehicle == vehicle) | (evidence.evse == evse)
    )
    frame = attempt_rows(solution, VEHICLE).filter(
        pl.Series(near) & (pl.col("attempt_id") != subject)
    )
    here = (
        pl.when(pl.col("evse_id") == where)
        .then(pl.lit("this EVSE"))
        .otherwise(pl.lit("this vehicle elsewhere"))
    )
    company = frame.group_by(same=here).agg(
        attempts=pl.len(),
        failures=pl.col("failed").sum(),
        vehicles=pl.col("vehicle_id").n_unique(),
        evses=pl.col("evse_id").n_unique(),
    )
    return Explanation(
        headline=f"Attempt {subject}, {who} at {where}, {at:%Y-%m-%d %H:%M} UTC {what}. Shares: {parts}.",
        attempts=frame.clear(),
        company=company.sort("same"),
        change=_circumstances(solution, row),
    )


def _circumstances(solution: Solution, row: int) -> tuple[str, ...]:
    """Sentences on what a failed attempt met on its day."""
    evidence = solution.evidence
    day = evidence.day[row]
    p_vehicle = float(solution.units[VEHICLE].probability[evidence.vehicle[row], day])
    p_evse = float(solution.units[EVSE].probability[evidence.evse[row], day])
    base = float(solution.chance.base[np.searchsorted(solution.rows, row)])
    judged = (
        f"On that day the vehicle was at fault with {p_vehicle:.3f}, the EVSE with {p_evse:.3f}"
    )
    said = [f"{judged}; chance alone explains such an attempt with {base:.3f}."]
    if evidence.echo[row]:
        said.append("It follows a failure within minutes, so a passing cause may have lasted.")
    if evidence.weight[row] < 1:
        said.append(
            f"It counts with weight {evidence.weight[row]:.2f} because its record is doubtful."
        )
    return tuple(said)
