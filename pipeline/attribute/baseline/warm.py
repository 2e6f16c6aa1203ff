"""What next week's attribution may start from: the baseline's solution, by unit name.

Only the baseline is carried, because its search has one answer whatever the start.  Fault states
are searched afresh each week: starting them from last week's answer could hold on to it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.attribute.baseline.laplace import CrossedFit
from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.solve import Solution

KINDS = ("vehicle", "evse", "pairing")


@dataclass(frozen=True)
class WarmStart:
    """`parameters`: one row per supply and name (intercept, sd of each kind); `modes`.

    One row per supply, kind and unit.
    """

    parameters: pl.DataFrame
    modes: pl.DataFrame


def unit_names(evidence: Evidence) -> list[pl.Series]:
    """One text key per level of each kind, in the order of the codes ('' is the unknown unit)."""
    joined = [
        evidence.vehicles["vehicle_id"],
        evidence.evses.select(pl.concat_str(["evse_id", "coupler"], separator="\x1f")).to_series(),
        evidence.pairings.select(
            pl.concat_str(["vehicle_model", "evse_model", "firmware"], separator="\x1f")
        ).to_series(),
    ]
    empty = pl.Series([""], dtype=pl.String)
    return [
        pl.concat([names.cast(pl.String), empty]) if k != 1 else names
        for k, names in enumerate(joined)
    ]


def remember(solutions: dict[str, Solution]) -> WarmStart:
    """The baselines of all supplies as two frames."""
    parameters, modes = [], []
    for supply, solution in solutions.items():
        fit = solution.chance.fit
        if fit is None:
            continue
        values = np.concatenate([fit.beta, fit.sd])
        parameters.append(
            pl.DataFrame({"supply": supply, "name": ["intercept", *KINDS], "value": values})
        )
        for kind, names in enumerate(unit_names(solution.evidence)):
            modes.append(
                pl.DataFrame(
                    {
                        "supply": supply,
                        "kind": KINDS[kind],
                        "unit": names,
                        "mode": fit.mode_of(kind),
                    }
                )
            )
    return WarmStart(pl.concat(parameters), pl.concat(modes))


def starting_fit(warm: WarmStart | None, supply: str, evidence: Evidence) -> CrossedFit | None:
    """Last week's baseline laid out for this week's units; a new unit starts at 0."""
    if warm is None:
        return None
    values = warm.parameters.filter(pl.col("supply") == supply)["value"].to_numpy()
    if len(values) != 1 + len(KINDS):
        return None
    known = warm.modes.filter(pl.col("supply") == supply)
    parts = []
    for kind, names in zip(KINDS, unit_names(evidence), strict=True):
        old = known.filter(pl.col("kind") == kind).select("unit", "mode")
        parts.append(
            names.to_frame("unit")
            .join(old, on="unit", how="left", maintain_order="left")["mode"]
            .fill_null(0.0)
            .to_numpy()
        )
    modes = np.concatenate(parts)
    return CrossedFit(
        values[:1],
        values[1:],
        modes,
        np.zeros_like(modes),
        0.0,
        np.zeros(1),
        0,
        converged=False,
        sizes=evidence.sizes,
    )
