"""How each cause shows.

The stage at which it ends an attempt, and the fault word the EVSE gives it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sample_logs.generator.fleet import Fleet
from sample_logs.generator.mechanics import Situation
from sample_logs.generator.models import EVSE_MODELS
from sample_logs.generator.spec import DELIVERING, ENERGISED, OFFERED, PLUGGED, REQUESTED
from sample_logs.generator.usage import Visits

Ints = NDArray[np.int64]

FAULTS = (
    "",
    "DiodeFault",
    "PilotFault",
    "OtherError",
    "InternalError",
    "GroundFailure",
    "ConnectorLockFailure",
    "PowerSwitchFailure",
    "OverCurrentFailure",
    "HighTemperature",
    "EVCommunicationError",
    "ReaderFailure",
    "OverVoltage",
    "UnderVoltage",
    "NoAnswer",
)
CODE = {name: i for i, name in enumerate(FAULTS)}


def pick(
    rng: np.random.Generator, n: int, names: tuple[str, ...], weight: tuple[float, ...]
) -> Ints:
    """Codes drawn from names by weight."""
    w = np.array(weight)
    codes = np.array([CODE[name] for name in names])
    return np.asarray(codes[rng.choice(len(codes), n, p=w / w.sum())])


def vehicle_marks(
    rng: np.random.Generator, fleet: Fleet, visits: Visits, now: Situation
) -> tuple[Ints, Ints]:
    """Stage and fault code with which a vehicle's fault shows."""
    n, kind = len(visits.start_s), now.vehicle_fault
    moment = fleet.moment[visits.evse]
    diode_stage = np.where(moment == 1, OFFERED, REQUESTED)
    words = np.array([CODE[m[7]] for m in EVSE_MODELS])[fleet.evse_model[visits.evse]]
    own = visits.vehicle % 3
    charger_stage = np.where((own == 0) | (rng.random(n) < 0.75), ENERGISED, DELIVERING)
    charger_code = np.array([CODE[""], CODE["OverCurrentFailure"], CODE["GroundFailure"]])[own]
    lock_code = np.where(own == 0, CODE["InternalError"], CODE["ConnectorLockFailure"])
    stage = np.choose(
        np.maximum(kind, 0), [diode_stage, diode_stage, charger_stage, OFFERED, OFFERED]
    )
    code = np.choose(np.maximum(kind, 0), [words, words, charger_code, lock_code, CODE[""]])
    return stage, code


def evse_marks(
    rng: np.random.Generator, fleet: Fleet, visits: Visits, now: Situation
) -> tuple[Ints, Ints]:
    """Stage and fault code with which an EVSE's fault shows."""
    n = len(visits.start_s)
    kind = np.maximum(now.evse_fault, 0)
    words = np.array([CODE[m[7]] for m in EVSE_MODELS])[fleet.evse_model[visits.evse]]
    pilot = np.where(rng.random(n) < 0.5, CODE["PilotFault"], words)
    leak_stage = np.where(rng.random(n) < 0.5, ENERGISED, DELIVERING)
    cable = pick(rng, n, ("OverCurrentFailure", "HighTemperature"), (0.4, 0.6))
    silent = np.where(rng.random(n) < 0.5, CODE["NoAnswer"], CODE["InternalError"])
    stage = np.choose(kind, [OFFERED, REQUESTED, leak_stage, PLUGGED, PLUGGED, DELIVERING])
    code = np.choose(
        kind,
        [
            pilot,
            CODE["PowerSwitchFailure"],
            CODE["GroundFailure"],
            CODE["ConnectorLockFailure"],
            silent,
            cable,
        ],
    )
    return stage, code


def chance_marks(rng: np.random.Generator, n: int) -> tuple[Ints, Ints]:
    """Stage and fault code of a failure by chance: anything, anywhere."""
    stage = rng.choice(5, n, p=[0.2, 0.2, 0.15, 0.2, 0.25])
    early = pick(
        rng,
        n,
        ("", "InternalError", "OtherError", "EVCommunicationError", "ReaderFailure", "PilotFault"),
        (3, 3, 2, 3, 1, 2),
    )
    late = pick(
        rng,
        n,
        ("", "InternalError", "GroundFailure", "OverVoltage", "UnderVoltage", "PowerSwitchFailure"),
        (3, 3, 2, 1, 2, 2),
    )
    code = np.where(stage < ENERGISED, early, late)
    silent_ok = (code != CODE[""]) | ((stage != PLUGGED) & (stage != DELIVERING))
    return stage, np.where(silent_ok, code, CODE["InternalError"])
