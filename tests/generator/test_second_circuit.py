"""The second world's pilot against the check values: IEC 61851-1 Annex A and SAE J1772 component values, as given
by secondary sources; the levels themselves are derived from them by arithmetic.
"""

import numpy as np
import pytest

from sample_logs.second_world import circuit
from sample_logs.second_world.circuit import SOUND_OHM, Loop, above, levels, load_b, load_c


def one(diode: float = SOUND_OHM, beside: float = SOUND_OHM, series: float = 0.0) -> Loop:
    """A loop of nominal parts."""
    return Loop(*(np.array([value]) for value in (12.0, diode, beside, series)))


LEVELS = {
    "healthy, B": (one(), load_b(), 8.98, -12.0),
    "healthy, C": (one(), load_c(), 6.00, -12.0),
    "diode shorted, B": (one(diode=0.01), load_b(), 8.79, -8.79),
    "diode shorted, C": (one(diode=0.01), load_c(), 5.62, -5.62),
    "10 kohm beside the diode, B": (one(beside=1e4), load_b(), 8.4, -10.9),
    "10 kohm beside the diode, C": (one(beside=1e4), load_c(), 5.7, -10.9),
    "4 kohm beside the diode, B": (one(beside=4e3), load_b(), 7.5, -9.6),
    "300 ohm in series, C": (one(series=300.0), load_c(), 6.8, -12.0),
}


@pytest.mark.parametrize(("loop", "load", "high", "low"), LEVELS.values(), ids=LEVELS)
def test_levels_are_those_of_the_circuit(loop: Loop, load: float, high: float, low: float) -> None:
    """Each cause gives the levels that arithmetic on the published component values gives."""
    said_high, said_low = levels(loop, load)
    assert said_high[0] == pytest.approx(high, abs=0.1)
    assert said_low[0] == pytest.approx(low, abs=0.1)


@pytest.mark.parametrize("ohm", [5e3, 18e3, 100e3])
def test_a_leaking_diode_leaves_the_high_level_alone(ohm: float) -> None:
    """A leak in series with the load shows on the low level only: -12 (R + load) / (1000 + R + load)."""
    for load in (load_b(), load_c()):
        high, low = levels(one(diode=ohm), load)
        assert high[0] == pytest.approx(levels(one(), load)[0][0])
        assert low[0] == pytest.approx(-12 * (ohm + load) / (1000 + ohm + load), rel=1e-4)


def test_a_diode_check_between_the_two_levels_tells_them_apart() -> None:
    """Any limit between -9.4 and -11.4 V refuses a shorted diode and passes a healthy one."""
    short, healthy = levels(one(diode=0.01), load_b())[1], levels(one(), load_b())[1]
    for limit in (-9.6, -10.4, -11.0):
        assert above(short, limit)[0] > 0.99
        assert above(healthy, limit)[0] < 0.01


def test_states_stay_in_their_windows_with_healthy_parts() -> None:
    """With a healthy vehicle no level comes near a limit between two states."""
    high_b, high_c = levels(one(), load_b())[0][0], levels(one(), load_c())[0][0]
    assert circuit.BC_LIMIT_V + 1 < high_b < circuit.AB_LIMIT_V - 1
    assert circuit.CD_LIMIT_V + 1 < high_c < circuit.BC_LIMIT_V - 1
