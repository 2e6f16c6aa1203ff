"""One posterior of a vehicle's faults: how often and where it failed, how that looks, what was measured."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.refer.findings import confirmed, latest_findings, part_shares, prior_lessons
from pipeline.refer.inputs import ReferInputs
from pipeline.refer.suspects.events import LEAST_P
from pipeline.refer.suspects.level_factors import LevelFactors
from pipeline.refer.suspects.signatures import Signature
from pipeline.refer.suspects.weighing import Verdicts
from pipeline.settings.refer import ReferSettings

Floats = NDArray[np.float64]

MODEL_WORTH = 5.0
"""Findings of one vehicle model count as much as the fleet's prior once there are so many."""
FOUND_ODDS = 99.0
"""What was measured at the vehicle and not repaired is there still: 99 to 1; common practice, no source."""
QUIET = {
    "pilot_diode_leaky": 1.0, "pilot_diode_shorted": 0.25, "pilot_leakage": 0.25, "pilot_resistor": 0.1, "pilot_open": 0.25,
    "carried_cable": 0.1,
}  # fmt: skip
"""Faults that may be there without a failed attempt, so that attribution cannot speak against them: how common each is against
a leaking diode (`quiet_prevalence`). A short is quiet where no EVSE looks, an open line where none sees it. Judgement."""


def priors(vehicles: pl.DataFrame, inputs: ReferInputs, signatures: dict[str, Signature]) -> Floats:
    """Prior over suspects by vehicle, (vehicles, suspects).

    The declared one with all findings, drawn to the model's own.
    """
    cases = confirmed(inputs.findings)
    fleet = signatures["vehicle_prior"].learnt(prior_lessons(cases))
    found = (
        cases.join(inputs.fleet.select("vehicle_id", "vehicle_model"), on="vehicle_id")
        .rename({"suspect": "found"})
        .join(part_shares(), on="found", maintain_order="left_right")
        .group_by("vehicle_model", "suspect", maintain_order=True)
        .agg(pl.col("share").sum().alias("n"))
    )
    wide = vehicles.select("vehicle_model").with_row_index("row")
    counts = np.zeros((vehicles.height, len(fleet.categories)))
    rows = wide.join(found, on="vehicle_model").sort("row")
    columns = rows["suspect"].replace_strict(
        {s: i for i, s in enumerate(fleet.categories)}, return_dtype=pl.Int64
    )
    np.add.at(counts, (rows["row"].to_numpy(), columns.to_numpy()), rows["n"].to_numpy())
    total = counts.sum(axis=1, keepdims=True)
    return np.asarray((MODEL_WORTH * fleet.table[0] + counts) / (MODEL_WORTH + total))


def found_odds(vehicles: pl.Series, findings: pl.DataFrame, suspects: tuple[str, ...]) -> Floats:
    """Odds for what the workshop found last and has not repaired, (vehicles, suspects), 0 elsewhere."""
    open_ = latest_findings(findings).filter(pl.col("repaired_at_utc").is_null())
    places = pl.DataFrame({"vehicle_id": vehicles}).with_row_index("row")
    rows = open_.select("vehicle_id", "found").join(places, on="vehicle_id")
    rows = rows.join(part_shares(), on="found")
    odds = np.zeros((vehicles.len(), len(suspects)))
    column = [suspects.index(name) for name in rows["suspect"]]
    odds[rows["row"].to_numpy(), column] = FOUND_ODDS * rows["share"].to_numpy()
    return odds


def with_looks(attributed: Floats, height: Floats, telling: Floats) -> Floats:
    """Probability of a fault after its failures' looks, `telling` times likelier under it than otherwise (units,).

    Looks tell whether what failed was the unit's own (`height`: its highest probability of any day), not whether it is still there:
    a good charge or two do not make old looks speak of today.
    """
    attributed, height = _bounded(attributed, height)
    was = height / (1 - height) * telling
    return np.asarray(was / (1 + was) * attributed / height)


def _bounded(attributed: Floats, height: Floats) -> tuple[Floats, Floats]:
    """Both away from 0 and 1, so that their odds are finite; the height no less than now."""
    now = np.clip(attributed, LEAST_P, 1 - LEAST_P)
    return now, np.clip(height, now, 1 - LEAST_P)


class FaultOdds(NamedTuple):
    """`present`: odds of each suspect against nothing wrong (vehicles, suspects), `failing`: of those that fail attempts;
    `mended`: where nothing is wrong, probability that something was and has been mended since, told or not (vehicles,).
    """

    present: Floats
    failing: Floats
    mended: Floats


def fault_odds(
    attributed: Floats,
    height: Floats,
    mute: Floats,
    verdicts: Verdicts,
    levels: LevelFactors,
    settings: ReferSettings,
) -> FaultOdds:
    """Odds of each vehicle's suspects against nothing being wrong now.

    A fault that fails attempts is there by attribution's probability (`attributed`: how often and where), or is mended since
    (`height`: its highest probability of any day, less that). Each part's share in either is by how the failures look, times how
    much likelier they look so under a fault than by chance (of a fault that is silent only, `mute` its share, they say nothing), times
    what the levels say of it: of one mended, the levels until it last failed. So looks and levels tell whether what failed was the
    vehicle's own and which part it was; that it is still there, only what was seen since.
    A quiet one has its own stated prevalence; what the levels told already of one mended does
    not tell of another. Each is multiplied by what the direct signatures say.
    """
    attributed, height = _bounded(attributed, height)
    by_part = (mute + (1 - mute) * verdicts.telling)[:, None] * verdicts.looks
    mended = (height - attributed) * (by_part * np.exp(levels.gone)).sum(axis=1)
    there = attributed[:, None] * by_part * np.exp(levels.loud)
    nothing = mended + 1 - height
    loud = there / nothing[:, None]
    told_then = mended[:, None] * np.exp(-np.maximum(levels.gone, 0.0))
    common = np.array([QUIET.get(s, 0.0) for s in verdicts.suspects]) * settings.quiet_prevalence
    quiet = common * np.exp(levels.quiet) * ((1 - height)[:, None] + told_then) / nothing[:, None]
    return FaultOdds((loud + quiet) * verdicts.direct, loud * verdicts.direct, mended / nothing)
