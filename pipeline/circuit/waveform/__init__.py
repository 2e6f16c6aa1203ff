"""From an oscilloscope's trace of the control pilot to levels, duty and state: `read_trace`, then `analyse`.

Levels, frequency and states after IEC 61851-1 Annex A and SAE J1772, as given by secondary sources.
"""

from __future__ import annotations

from pipeline.circuit.waveform.analyse import Level, Pilot, PilotSpan, analyse
from pipeline.circuit.waveform.current import Offer, offered_current
from pipeline.circuit.waveform.read import Trace, read_trace
from pipeline.circuit.waveform.state import PilotState, pilot_state

__all__ = [
    "Level", "Offer", "Pilot", "PilotSpan", "PilotState", "Trace",
    "analyse", "offered_current", "pilot_state", "read_trace",
]  # fmt: skip
