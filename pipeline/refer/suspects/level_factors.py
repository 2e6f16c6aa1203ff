"""What the pilot's levels make of each suspect: Bayes factors from the circuit, for faults that fail attempts and for quiet ones.

The likelihood of a vehicle's levels under each value of each fault comes from `circuit.level_evidence`; here stand the values
that are expected of a fault which fails attempts (its level is past where checks draw the line) and of one that does not yet.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import logsumexp

from pipeline.circuit.level_evidence import (
    LEVELS,
    SOUND,
    Hypotheses,
    LevelEvidence,
    level_evidence,
)
from pipeline.circuit.pilot import GENERATOR_V
from pipeline.refer.suspects.levels import NOMINAL_SE_V

Floats = NDArray[np.float64]

FAILS_BELOW_OHM = 20e3
"""A path above this leaves the negative level at or below -11.4 V, where no check can tell it from a good generator's (derived)."""
FAILS_ABOVE_SHARE = 0.05
"""Share of failing leaks that are above it all the same: a weak generator beside, a level that comes and goes; judgement."""
QUIET_OHM = (2e3, 300e3)
"""Paths a fault may have that has not failed an attempt yet; above them the level moves by 40 mV and less. Judgement, derived."""
UNCLEAR_SHARE = 0.1
"""Share of faults of no named part that show on the pilot in some way; judgement."""
OPEN_CABLES = 0.3
"""Share of bad carried cables whose pilot wire is open, so that the EVSE does not see the plug-in; judgement."""
COMES_AND_GOES = 0.15
"""Share of the pilot's faults that come and go, with water or movement: where it charges its levels are then a healthy vehicle's.
Judgement, as `AttributeSettings.vehicle` has it."""
LOG_CAP = np.log(1e6)
"""Levels that agree at two EVSEs or more bring factors of 10^4 and more (one EVSE alone is bounded by the stray share)."""


@dataclass(frozen=True)
class LevelFactors:
    """Natural log Bayes factors of the levels for each suspect against a sound pilot, (vehicles, suspects), 0 without levels.

    `loud`: of a fault that fails attempts; `quiet`: of one that has not; `gone`: of a fault that failed attempts and has been mended
    since, untold. `evidence` has the posterior behind them; `row` of it by vehicle (-1: no level logged).
    """

    loud: Floats
    quiet: Floats
    gone: Floats
    evidence: LevelEvidence
    row: NDArray[np.int64]

    def or_at_failures(self, at_failures: LevelFactors) -> LevelFactors:
        """The same where a fault may come and go: then only the levels of attempts that went wrong (`at_failures`) tell of it."""
        return replace(
            self,
            loud=_or_passing(self.loud, at_failures.loud),
            gone=_or_passing(self.gone, at_failures.loud),
        )

    def mended_after(self, until: LevelFactors) -> LevelFactors:
        """The same where the levels of a fault that is gone speak of it only `until` it last showed."""
        return replace(self, gone=until.loud)

    def with_unseen(
        self, log_factor: Floats, of_cable: Floats, suspects: tuple[str, ...]
    ) -> LevelFactors:
        """The same with what plug-ins that no EVSE saw say (vehicles,) of a line open in the vehicle or in its cable: there the
        pilot stays at state A's level. They reach until now, so they tell nothing of a fault that is gone.
        """
        both = (self.loud.copy(), self.quiet.copy())
        for factors in both:
            factors[:, suspects.index("pilot_open")] += log_factor
            factors[:, suspects.index("carried_cable")] += np.log(
                OPEN_CABLES * np.exp(of_cable) + 1 - OPEN_CABLES
            )
        return replace(self, loud=both[0], quiet=both[1])


def level_rows(now: pl.DataFrame) -> pl.DataFrame:
    """Rows for `level_evidence` from readings as `recent` gives them, one per vehicle and EVSE.

    What rests on the nominal level of one EVSE only is left out: its generator's tolerance is as wide as a leak.
    """
    known = (~pl.col("nominal")).any().over("vehicle_id") | (
        pl.col("evse_id").n_unique().over("vehicle_id") > 1
    )
    own = now.filter(known).with_columns(
        side=pl.col("state").str.head(1).str.to_lowercase(),
        low_off_v=pl.col("above_v"),
        low_se_v=(pl.col("se_v") ** 2 + pl.col("usual_se_v") ** 2).sqrt(),
    )
    keys = ["vehicle_id", "evse_id"]
    rows = own.group_by(keys, maintain_order=True).agg(
        scale=(-pl.col("usual_v") / GENERATOR_V).mean()
    )
    for level in LEVELS:
        which, state = level.split("_")
        mine = own.filter(pl.col("side") == state).select(
            *keys,
            *(pl.col(f"{which}_{what}_v").alias(f"{level}_{what}_v") for what in ("off", "se")),
        )
        rows = rows.join(mine, on=keys, how="left", maintain_order="left")
    return rows.with_columns(pl.col(f"{level}_se_v").fill_null(NOMINAL_SE_V) for level in LEVELS)


def level_factors(
    now: pl.DataFrame, vehicles: pl.Series, suspects: tuple[str, ...]
) -> LevelFactors:
    """Factors of the vehicles asked for, in their order; `now` as `levels.recent` gives it. A fault gone is told of as one that is there."""
    evidence = level_evidence(level_rows(now))
    grid = evidence.grid
    place = dict(zip(evidence.vehicles, range(evidence.vehicles.len()), strict=True))
    row = np.array([place.get(v, -1) for v in vehicles], dtype=np.int64)
    known = row >= 0
    loud, quiet = np.zeros((2, vehicles.len(), len(suspects)))
    for column, suspect in enumerate(suspects):
        for target, weight in (
            (loud, loud_weight(grid, suspect)),
            (quiet, quiet_weight(grid, suspect)),
        ):
            target[known, column] = _marginal(evidence.log_likelihood[row[known]], weight)
    loud, quiet = (np.clip(factors, -LOG_CAP, LOG_CAP) for factors in (loud, quiet))
    return LevelFactors(loud, quiet, loud, evidence, row)


def _or_passing(steady: Floats, at_failures: Floats) -> Floats:
    both = np.log1p(-COMES_AND_GOES) + steady, np.log(COMES_AND_GOES) + at_failures
    return np.asarray(np.logaddexp(*both))


def beside_path(factors: LevelFactors, vehicles: pl.Series, interval: float = 0.9) -> pl.DataFrame:
    """Path beside the diode as a meter would show it: columns as `circuit.reverse_path` gives them, of these vehicles."""
    evidence, own = factors.evidence, factors.evidence.grid.of("pilot_leakage")
    place = dict(zip(evidence.vehicles, range(evidence.vehicles.len()), strict=True))
    known = [v for v in vehicles if v in place]
    mass = np.exp(_relative(evidence.log_likelihood[[place[v] for v in known]][:, own]))
    upto = np.cumsum(mass / mass.sum(axis=1, keepdims=True), axis=1)
    ohm = evidence.grid.reverse_ohm[own]

    def point(share: float) -> Floats:
        return np.array([np.exp(np.interp(share, row, np.log(ohm))) for row in upto])

    tail = (1 - interval) / 2
    columns = {"": 0.5, "_lo": tail, "_hi": 1 - tail}
    return pl.DataFrame(
        {"vehicle_id": pl.Series(known, dtype=pl.String)}
        | {
            f"reverse_path{name}_ohm": pl.Series(point(share), dtype=pl.Float64)
            for name, share in columns.items()
        }
    )


def _relative(logs: Floats) -> Floats:
    return np.asarray(logs - logs.max(axis=1, keepdims=True, initial=-np.inf))


def _marginal(logs: Floats, weight: Floats) -> Floats:
    return np.asarray(logsumexp(logs, b=weight[None, :], axis=1))


def loud_weight(grid: Hypotheses, suspect: str) -> Floats:
    """Prior over the grid's points of a fault that fails attempts (points,), sums to 1."""
    if suspect == "unclear":
        return np.asarray(
            (1 - UNCLEAR_SHARE) * _even(grid.of(SOUND)) + UNCLEAR_SHARE * _even(~grid.of(SOUND))
        )
    own = grid.of(suspect)
    if not own.any():
        return _even(grid.of(SOUND))
    if suspect in ("pilot_diode_leaky", "pilot_leakage"):
        fails = own & (grid.value <= FAILS_BELOW_OHM)
        return np.asarray(
            (1 - FAILS_ABOVE_SHARE) * _even(fails) + FAILS_ABOVE_SHARE * _even(own & ~fails)
        )
    return _even(own)


def quiet_weight(grid: Hypotheses, suspect: str) -> Floats:
    """The same of a fault that has not failed an attempt yet."""
    if suspect in ("pilot_diode_leaky", "pilot_leakage"):
        return _even(grid.of(suspect) & (grid.value >= QUIET_OHM[0]) & (grid.value <= QUIET_OHM[1]))
    return loud_weight(grid, suspect)


def _even(points: NDArray[np.bool_]) -> Floats:
    return np.asarray(points / max(points.sum(), 1))
