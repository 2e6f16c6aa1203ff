"""What the workshop found, and what it teaches: priors, signature tables, how often referrals were right."""

from __future__ import annotations

import polars as pl

FOUND = {
    "diode_shorted": "pilot_diode_shorted",
    "diode_leaky": "pilot_diode_leaky",
    "diode_open": "unclear",
    "charger_other": "charger_input",
    "inlet_or_wiring": "inlet_lock",
}
"""Suspect that a finding confirms; `no_fault_found` confirms none. An open diode never shows as a failed attempt (the EVSE stays
in state A), so it counts as unclear."""


def latest_findings(findings: pl.DataFrame) -> pl.DataFrame:
    """The last finding of each vehicle: `vehicle_id, found_at_utc, finding, repaired_at_utc, found` (null: nothing found)."""
    return (
        findings.sort("at_utc", "repaired_at_utc", nulls_last=False)
        .group_by("vehicle_id", maintain_order=True)
        .last()
        .select(
            "vehicle_id",
            pl.col("at_utc").alias("found_at_utc"),
            "finding",
            "repaired_at_utc",
            pl.col("finding").replace_strict(FOUND, default=None, return_dtype=pl.String).alias("found"),
        )
    )


def confirmed(findings: pl.DataFrame) -> pl.DataFrame:
    """Findings that confirm a suspect, once per vehicle and time: `vehicle_id, at_utc, suspect`."""
    return (
        findings.filter(pl.col("finding").is_in(list(FOUND)))
        .unique(["vehicle_id", "at_utc", "finding"], maintain_order=True)
        .select("vehicle_id", "at_utc", pl.col("finding").replace_strict(FOUND, return_dtype=pl.String).alias("suspect"))
    )


def prior_lessons(cases: pl.DataFrame) -> pl.DataFrame:
    """Confirmed cases (as `confirmed` gives them) as lessons on `vehicle_prior`: suspect, signature, category, amount."""
    return cases.select(
        pl.lit("vehicle").alias("suspect"),
        pl.lit("vehicle_prior").alias("signature"),
        pl.col("suspect").alias("category"),
        pl.lit(1.0).alias("amount"),
    )
