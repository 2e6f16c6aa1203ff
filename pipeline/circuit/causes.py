"""What each cause in the vehicle does to the pilot: the two levels the EVSE measures, and what a meter shows at the inlet.

One circuit holds them all. Between CP and PE at the inlet lie, in parallel, a path beside the diode and the diode (with its
leak) in series with the load; a contact resistance may lie in the line to the EVSE. Each cause is this circuit with one part
off. Bases in IEC 61851-1 Annex A and SAE J1772, as given by secondary sources; the levels and readings are derived.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.circuit.meter import DIODE_IDEALITY, DIODE_SATURATION_A, THERMAL_V
from pipeline.circuit.pilot import DIODE_V, GENERATOR_V, R1_OHM, R2_OHM, R3_OHM, R3_VENTILATED_OHM

Floats = NDArray[np.float64]
State = Literal["A", "B", "C", "D"]
INFINITE = np.inf
DIODE_LEAK_OHM = 50e6
"""A good diode's CP–PE reverse resistance: 25 nA and less at room temperature (a bench stand-in's data sheet, second-hand)."""

HIGHEST_JUNCTION_V, BISECTIONS, SMALLEST_OHM = 1.5, 50, 1e-3
"""Bounds of the search for the junction's voltage; 50 halvings leave 1e-15 V."""


def _array(value: float | Floats) -> Floats:
    return np.asarray(value, dtype=np.float64)


@dataclass(frozen=True)
class PilotCircuit:
    """The vehicle's side of the pilot. Each part is a scalar array or one of a common shape, so a grid is one circuit.

    `leak_ohm`: CP–PE reverse resistance of the diode alone, 0 = shorted. `beside_ohm`: CP to PE beside the diode, infinite = none.
    `contact_ohm`: in series with CP or PE. `open_line`: diode or wire open, so that nothing loads the pilot.
    """

    r2_ohm: Floats = field(default_factory=lambda: _array(R2_OHM))
    r3_ohm: Floats = field(default_factory=lambda: _array(R3_OHM))
    leak_ohm: Floats = field(default_factory=lambda: _array(DIODE_LEAK_OHM))
    beside_ohm: Floats = field(default_factory=lambda: _array(INFINITE))
    contact_ohm: Floats = field(default_factory=lambda: _array(0.0))
    diode_v: float | Floats = DIODE_V
    open_line: bool = False
    saturation_a: Floats = field(default_factory=lambda: _array(DIODE_SATURATION_A))

    def load_ohm(self, state: State) -> Floats:
        """R2, and what S2 puts parallel to it (C: R3; D: 270 ohm); state A has none."""
        if state in ("A", "B"):
            return self.r2_ohm
        second = self.r3_ohm if state == "C" else _array(R3_VENTILATED_OHM)
        return np.asarray(self.r2_ohm * second / (self.r2_ohm + second))

    def levels(
        self,
        state: State,
        generator_v: float | Floats = GENERATOR_V,
        r1_ohm: float | Floats = R1_OHM,
    ) -> tuple[Floats, Floats]:
        """(positive, negative) level in V as the EVSE measures them behind R1. In A only a path at the EVSE's side loads them."""
        source_ohm = r1_ohm + self.contact_ohm
        share = np.asarray(self.contact_ohm / source_ohm)
        beside = 1.0 / (1.0 + source_ohm / self.beside_ohm)
        if self.open_line or state == "A":
            high, low = generator_v * beside, -generator_v * beside
        else:
            drop = np.where(self.leak_ohm == 0, 0.0, self.diode_v)
            load = self.load_ohm(state)
            high = (generator_v * beside - drop) * load / (source_ohm * beside + load) + drop
            reverse = load + self.leak_ohm
            low = -generator_v * beside * reverse / (source_ohm * beside + reverse)
        # the EVSE measures before the contact resistance, on which part of the drop falls
        return np.asarray(high + share * (generator_v - high)), np.asarray(
            low + share * (-generator_v - low)
        )

    def reverse_reading_ohm(self) -> Floats:
        """What a meter shows between CP and PE with the leads exchanged (red on PE), unplugged; infinite = over range."""
        through = _array(INFINITE) if self.open_line else self.r2_ohm + self.leak_ohm
        return np.asarray(self.contact_ohm + _parallel(through, self.beside_ohm))

    def forward_reading_ohm(self, current_a: float | Floats) -> Floats:
        """The same with red on CP, at the meter's test current: the junction's voltage is found by halving."""
        if self.open_line:
            return np.asarray(self.contact_ohm + self.beside_ohm)
        if np.all(self.leak_ohm == 0):
            return np.asarray(self.contact_ohm + _parallel(self.r2_ohm, self.beside_ohm))
        shape = np.broadcast_shapes(self.r2_ohm.shape, self.leak_ohm.shape, self.beside_ohm.shape)
        low, high = np.zeros(shape), np.full(shape, HIGHEST_JUNCTION_V)
        for _ in range(BISECTIONS):
            junction_v = 0.5 * (low + high)
            through_a, terminal_v = self._through(junction_v)
            more = through_a + terminal_v / self.beside_ohm < current_a
            low, high = np.where(more, junction_v, low), np.where(more, high, junction_v)
        return np.asarray(self.contact_ohm + self._through(0.5 * (low + high))[1] / current_a)

    def _through(self, junction_v: Floats) -> tuple[Floats, Floats]:
        """Current through diode (its leak parallel) and R2, and the voltage over both, for a voltage over the junction."""
        diode_a = self.saturation_a * np.expm1(junction_v / (DIODE_IDEALITY * THERMAL_V))
        through_a = diode_a + junction_v / np.maximum(self.leak_ohm, SMALLEST_OHM)
        return through_a, np.asarray(junction_v + through_a * self.r2_ohm)


def _parallel(a_ohm: Floats, b_ohm: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        return np.asarray(1.0 / (1.0 / a_ohm + 1.0 / b_ohm))


def shorted(_: float | Floats = 0.0) -> PilotCircuit:
    """Pilot diode shorted."""
    return PilotCircuit(leak_ohm=_array(0.0))


def leaky(leak_ohm: float | Floats) -> PilotCircuit:
    """Pilot diode that leaks `leak_ohm` in reverse, in series with the load."""
    return PilotCircuit(leak_ohm=_array(leak_ohm))


def beside(path_ohm: float | Floats) -> PilotCircuit:
    """A path from CP to PE beside the diode: wet inlet, chafed harness."""
    return PilotCircuit(beside_ohm=_array(path_ohm))


def contact(series_ohm: float | Floats) -> PilotCircuit:
    """Contact resistance in CP or PE."""
    return PilotCircuit(contact_ohm=_array(series_ohm))


def r2_off(factor: float | Floats) -> PilotCircuit:
    """R2 at `factor` of its value."""
    return PilotCircuit(r2_ohm=np.asarray(R2_OHM * _array(factor)))


def r3_off(factor: float | Floats) -> PilotCircuit:
    """R3 at `factor` of its value."""
    return PilotCircuit(r3_ohm=np.asarray(R3_OHM * _array(factor)))


def open_line(_: float | Floats = 0.0) -> PilotCircuit:
    """Diode or wire open: plugged in, and no EVSE sees it."""
    return PilotCircuit(open_line=True)


@dataclass(frozen=True)
class Variant:
    """One way a cause shows on the pilot: the circuit by the value of its odd part, over values that occur."""

    build: Callable[[Floats], PilotCircuit]
    values: Floats
    unit: str


LEAK_OHM: Floats = np.geomspace(300.0, 1e6, 41)
"""From a leak that is nearly a short to one that lifts the negative level by 12 mV: what logs can show."""
BESIDE_OHM: Floats = np.geomspace(1.5e3, 300e3, 25)
"""From where state B reads below 6 V to where the level moves by 40 mV."""
CONTACT_OHM: Floats = np.geomspace(60.0, 2e3, 8)
RESISTOR_FACTOR: Floats = np.concatenate([np.geomspace(0.5, 0.9, 4), np.geomspace(1.11, 3.0, 6)])
"""Beyond three times the tolerance of 3 %; within it a part is as any other."""
VARIANTS: Mapping[str, tuple[Variant, ...]] = {
    "pilot_diode_shorted": (Variant(shorted, np.zeros(1), "ohm"),),
    "pilot_diode_leaky": (Variant(leaky, LEAK_OHM, "ohm"),),
    "pilot_leakage": (Variant(beside, BESIDE_OHM, "ohm"),),
    "pilot_resistor": (
        Variant(contact, CONTACT_OHM, "ohm"),
        Variant(r2_off, RESISTOR_FACTOR, "of its value"),
        Variant(r3_off, RESISTOR_FACTOR, "of its value"),
    ),
    "pilot_open": (Variant(open_line, np.zeros(1), "ohm"),),
}
"""Suspects (the contract's words) that show on the pilot; all others leave it as it is."""


def circuit_of(suspect: str, ohm: float | None = None) -> PilotCircuit:
    """The circuit to expect of a suspect; `ohm`: the odd part's value where the logs tell it, else the middle of what occurs."""
    if suspect not in VARIANTS:
        return PilotCircuit()
    variant = VARIANTS[suspect][0]
    value = (
        ohm if ohm is not None else float(np.exp(np.log(np.maximum(variant.values, 1.0)).mean()))
    )
    return variant.build(_array(value))
