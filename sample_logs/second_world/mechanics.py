"""How a world goes: every mechanism is a number here, and may be switched off. Written from the contract alone.

All rates are our own choices for exercise, none is a measurement.
"""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Mechanics:
    """Settings of a world. Shares are of 1, rates per attempt unless the name says otherwise."""

    name: str = "standard"
    stream: int = 0
    """Drawn from beside the seed, so that worlds of one seed and other mechanics are other fleets."""
    # use
    attempts_per_day: float = 0.5
    """Of an ordinary vehicle; sparse ones come once or twice a fortnight, heavy ones twice as often as the ordinary."""
    sparse_share: float = 0.2
    heavy_share: float = 0.15
    home_share: float = 0.65
    timer_share: float = 0.15
    full_share: float = 0.05
    load_managed_sites: float = 0.25
    retry_share: float = 0.4
    # what goes wrong by itself
    chance_rate: float = 0.025
    chance_spread: float = 0.5
    """Standard deviation of the log odds among vehicles, and among EVSEs."""
    declined_rate: float = 0.015
    abandoned_rate: float = 0.02
    outages_per_site_week: float = 0.03
    # vehicles at fault
    vehicle_faults: float = 0.08
    vehicle_suspects: tuple[str, ...] = (
        "pilot_diode_shorted",
        "pilot_diode_leaky",
        "pilot_open",
        "pilot_leakage",
        "pilot_resistor",
        "carried_cable",
        "inlet_lock",
        "charger_input",
        "charger_leakage",
        "never_requests",
    )
    from_first_day: float = 0.2
    # EVSEs at fault
    evse_faults: float = 0.1
    evse_suspects: tuple[str, ...] = (
        "pilot_generator",
        "contactor",
        "residual_current_device",
        "connector_lock",
        "communication",
        "cable",
        "supply",
    )
    weak_share: float = 0.35
    # pairings
    pairings: int = 2
    weak_pairing_share: float = 0.4
    cured_share: float = 0.5
    # what comes and goes
    wet_days: float = 0.25
    wet_only_share: float = 0.0
    intermittent_share: float = 0.0
    # repairs
    repaired_share: float = 0.3
    failed_repair_share: float = 0.15
    relapse_share: float = 0.15
    # what is known
    unknown_models: float = 0.02
    telematics_share: float = 0.5
    export_sites: int = 1
    central_log_sites: int = 1
    """Sites whose frames come as a central system's text log, with a mapping."""
    dirt: float = 1.0


STANDARD = Mechanics()
_FEW = replace(STANDARD, vehicle_faults=0.04, evse_faults=0.06)
WORLDS: dict[str, Mechanics] = {
    world.name: world
    for world in (
        STANDARD,
        replace(_FEW, name="weather", stream=1, wet_only_share=0.6, wet_days=0.35),
        replace(_FEW, name="intermittent", stream=2, intermittent_share=0.7),
        replace(_FEW, name="outages", stream=3, outages_per_site_week=0.4),
        replace(
            _FEW,
            name="failed_repairs",
            stream=4,
            repaired_share=0.8,
            failed_repair_share=0.5,
            relapse_share=0.4,
        ),
        replace(_FEW, name="sparse", stream=5, sparse_share=0.8, heavy_share=0.0),
        replace(
            _FEW, name="timers", stream=6, timer_share=0.6, full_share=0.2, load_managed_sites=0.6
        ),
        replace(
            STANDARD, name="no_fault", stream=7, vehicle_faults=0.0, evse_faults=0.0, pairings=0
        ),
    )
}
"""Worlds by name: the standard one, and ones whose mechanics differ, with fewer faults in them."""
