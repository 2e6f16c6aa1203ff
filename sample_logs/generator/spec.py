"""What a simulated world is made of: size, seed and the rates of a scenario.

The rates are our own choices for exercise, not measurements ("common practice, no source").
Nothing here is read by the analysis.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np

DAY_S = 86_400.0
LAST_DAY_END = datetime(2026, 4, 6, tzinfo=UTC)
"""Worlds end, unless told otherwise, with the Sunday of ISO week 2026-W14."""

STAGES = ("plugged", "offered", "requested", "energised", "delivering")
PLUGGED, OFFERED, REQUESTED, ENERGISED, DELIVERING = range(5)

VEHICLE_FAULTS = (
    "pilot_diode_shorted",
    "pilot_diode_leaky",
    "charger_input",
    "inlet_lock",
    "never_requests",
)
EVSE_FAULTS = (
    "pilot_generator",
    "contactor",
    "residual_current_device",
    "connector_lock",
    "communication",
    "cable",
)
DIODE_MOMENTS = ("none", "in_b2", "at_b_to_c", "before_closing")
"""When an EVSE looks for the pilot diode. IEC 61851-1 diode check: required before closing; practice differs."""


@dataclass(frozen=True)
class Rates:
    """Rates of one scenario; shares are of vehicles or EVSEs, probabilities per attempt."""

    vehicle_faults: tuple[float, ...] = (0.006, 0.006, 0.006, 0.004, 0.004)
    evse_faults: tuple[float, ...] = (0.008, 0.012, 0.010, 0.008, 0.008, 0.008)
    bad_pairings: float = 0.02
    chance: float = 0.02
    vehicle_sd: float = 0.5
    evse_sd: float = 0.5
    declined: float = 0.010
    abandoned: float = 0.010
    waits: float = 0.035
    repaired: float = 0.5
    relapse: float = 0.1
    retry: float = 0.65
    single_evse: float = 0.04
    exclusive_evse: float = 0.03
    attempts_per_day: float = 6.0
    misspecified: bool = False


NOTHING_WRONG = Rates(
    vehicle_faults=(0.0,) * len(VEHICLE_FAULTS),
    evse_faults=(0.0,) * len(EVSE_FAULTS),
    bad_pairings=0.0,
)
SCENARIOS: dict[str, Rates] = {
    "standard": Rates(),
    "no_fault": NOTHING_WRONG,
    "sparse": Rates(attempts_per_day=0.7),
    "misspecified": Rates(misspecified=True),
}


@dataclass(frozen=True)
class WorldSpec:
    """Size and seed of a world. `weeks` end with the Sunday before `end`; `rates` override."""

    vehicles: int
    evses: int
    weeks: int
    seed: int
    scenario: str = "standard"
    attempts_per_day: float | None = None
    end: datetime = field(default=LAST_DAY_END)

    def __post_init__(self) -> None:
        """Refuse sizes from which no world can be made."""
        if self.scenario not in SCENARIOS:
            known = ", ".join(sorted(SCENARIOS))
            raise ValueError(f"scenario {self.scenario!r} is unknown; known are {known}")
        if self.end.tzinfo is None:
            raise ValueError("end needs an offset from UTC")
        if self.vehicles < 1 or self.evses < 1 or self.weeks < 1:
            raise ValueError("vehicles, evses and weeks must each be at least 1")

    @property
    def start(self) -> datetime:
        """First instant of the world, UTC."""
        return self.end - timedelta(weeks=self.weeks)

    @property
    def days(self) -> int:
        """Number of days simulated."""
        return self.weeks * 7

    @property
    def rates(self) -> Rates:
        """Rates of the scenario, with the attempts per day of this spec."""
        rates = SCENARIOS[self.scenario]
        if self.attempts_per_day is None:
            return rates
        return replace(rates, attempts_per_day=self.attempts_per_day)

    def rng(self, part: str) -> np.random.Generator:
        """Random stream of one part, so that a change in one part leaves the others alone."""
        return np.random.default_rng([self.seed, zlib.crc32(part.encode())])
