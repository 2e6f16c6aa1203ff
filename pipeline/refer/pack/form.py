"""What the workshop fills in: the columns of a finding, as a form names them."""

from __future__ import annotations

from pipeline.refer.pack.model import FormField

FORM = (
    FormField(label="Date and time", column="at", unit=None),
    FormField(label="Proximity to earth", column="pp_pe_v", unit="V"),
    FormField(label="Forward, red on CP", column="cp_pe_forward_ohm", unit="ohm"),
    FormField(label="Reverse, red on PE", column="cp_pe_reverse_ohm", unit="ohm"),
    FormField(
        label="Found",
        column="finding",
        unit=None,
        choices=(
            "diode_shorted",
            "diode_leaky",
            "diode_open",
            "charger_other",
            "inlet_or_wiring",
            "no_fault_found",
        ),
    ),
    FormField(label="Repaired on", column="repaired_at", unit=None),
    FormField(label="Note", column="note", unit=None),
)
