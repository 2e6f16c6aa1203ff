"""The drawings of a pack: the inlet with the leads, expected and logged levels, where the part sits."""

from __future__ import annotations

from pipeline.refer.bench.drawings import (
    Look,
    Wave,
    circuit_svg,
    expected_wave,
    inlet_svg,
    waveform_svg,
)
from pipeline.refer.bench.drawings.inlets import NOTE
from pipeline.refer.pack.bench_steps import odd_ohm
from pipeline.refer.pack.model import Evidence


def drawings(e: Evidence, look: Look) -> dict[str, str]:
    """SVG by name: `inlet` (empty for a coupler without a pilot), `wave`, `circuit`; and `note`, their source."""
    coupler = next((c for c in e.vehicle.inlets if inlet_svg(c, None, look)), None)
    seen = [r for r in e.pilot.readings if r.state == "B2" and r.high_v is not None]
    observed = Wave(float(seen[-1].high_v or 0.0), seen[-1].low_v, None) if seen else None
    suspect = e.claim.suspect
    expected = expected_wave(suspect, "B", ohm=odd_ohm(suspect, e.pilot.reverse_path_ohm))
    return {
        "inlet": (inlet_svg(coupler, "forward", look) or "") if coupler else "",
        "wave": waveform_svg(expected, observed, ("expected, B2", "last logged, B2"), look),
        "circuit": circuit_svg(suspect, look),
        "note": NOTE,
    }
