"""What the pilot measured in a plug-in: its two levels, the current offered, the time asked in vain."""

from __future__ import annotations

import polars as pl


def levels(pilot: pl.DataFrame) -> pl.DataFrame:
    """Per plug-in: medians of the pilot's halves in B2 and C2, samples with a negative level, current
    offered, time asked in vain.

    The current is the duty cycle's (IEC 61851-1 Table A.8, as given by a secondary source); 5 %
    offers none by itself.
    """
    in_b, in_c = pl.col("pilot_state") == "B2", pl.col("pilot_state") == "C2"
    d = pl.col("duty_pct")
    offered_a = (
        pl.when(d.is_between(8, 10, closed="left"))
        .then(6.0)
        .when(d.is_between(10, 85))
        .then(0.6 * d)
        .when(d.is_between(85, 96))
        .then(2.5 * (d - 64.0))
        .when(d.is_between(96, 97))
        .then(80.0)
    )
    pwm = pl.col("pilot_state").str.ends_with("2")
    next_s = (
        pl.col("at_utc").shift(-1).over("plug_in") - pl.col("at_utc")
    ).dt.total_microseconds() / 1e6
    vain = pl.col("pilot_state").is_in(["C2", "D2"]) & (pl.col("contactor") == "open")
    ordered = pilot.sort("plug_in", "at_utc", "file_id", "line").with_columns(_next_s=next_s)
    return ordered.group_by("plug_in", maintain_order=True).agg(
        offered_a=offered_a.filter(pwm).max(),
        pilot_high_b_v=pl.col("high_v").filter(in_b).median(),
        pilot_low_b_v=pl.col("low_v").filter(in_b).median(),
        pilot_high_c_v=pl.col("high_v").filter(in_c).median(),
        pilot_low_c_v=pl.col("low_v").filter(in_c).median(),
        pilot_low_samples=(pl.col("low_v").is_not_null() & (in_b | in_c)).sum().cast(pl.Int64),
        requested_s=pl.col("_next_s").filter(vain).sum(),
    )
