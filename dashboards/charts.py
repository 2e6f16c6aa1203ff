"""The pictures of the fleet and sites pages, as Vega-Lite specifications."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from dashboards.theme import named, specification
from dashboards.words import CAUSES, VEHICLE_CALLS
from pipeline.circuit.pilot import low_window

# Low side of the pilot in state B2 by the circuit's tolerances (IEC 61851-1 as given by a secondary
# source; derived).
SOUND, SHORTED = low_window("B"), low_window("B", shorted=True)

_PAINT = {
    "vehicle": "var(--vehicle)",
    "evse": "var(--evse)",
    "pairing": "var(--pairing)",
    "other": "var(--other)",
}
Spec = dict[str, Any]


def causes_by_week(rows: pl.DataFrame) -> Spec:
    """Stacked bars of failed attempts by week and cause. rows: week, cause, failures."""
    order = list(CAUSES)
    shown = rows.with_columns(
        name=pl.col("cause").replace_strict(CAUSES, default="?"),
        rank=pl.col("cause").replace_strict(
            {c: i for i, c in enumerate(order)}, default=9, return_dtype=pl.Int64
        ),
        failures=pl.col("failures").round(1),
    )
    chart = (
        alt.Chart(named("weeks"), width="container", height=220)
        .mark_bar(stroke="var(--paper)", strokeWidth=1)
        .encode(
            x=alt.X("week:O", title="ISO week", axis=alt.Axis(labelAngle=-40)),
            y=alt.Y("failures:Q", title="failed attempts", stack="zero"),
            order=alt.Order("rank:Q"),
            color=alt.Color(
                "name:N",
                title="put down to",
                scale=alt.Scale(
                    domain=[CAUSES[c] for c in order], range=[_PAINT[c] for c in order]
                ),
                legend=alt.Legend(orient="top", columns=2),
            ),
            tooltip=[
                alt.Tooltip("week:O", title="week"),
                alt.Tooltip("name:N", title="put down to"),
                alt.Tooltip("failures:Q", title="failed attempts"),
            ],
        )
    )
    return specification(
        chart, summary="Failed attempts by week, shared out by what explains them.", weeks=shown
    )


def pilot_low_sides(vehicles: pl.DataFrame) -> Spec:
    """A dot per vehicle: the low side of its pilot. vehicles: vehicle_id, call, pilot_low_v."""
    shown = vehicles.filter(pl.col("pilot_low_v").is_not_null()).select(
        pl.col("vehicle_id").alias("v"),
        pl.col("call").replace_strict(VEHICLE_CALLS, default="?").alias("call"),
        pl.col("pilot_low_v").round(2).alias("low"),
        ((pl.col("vehicle_id").hash(seed=7) % 1000) / 1000 - 0.5).round(2).alias("jitter"),
    )
    present = [name for name in VEHICLE_CALLS.values() if name in set(shown["call"])]
    bands = pl.DataFrame(
        {
            "from": [round(SOUND.lo_v, 2), round(SHORTED.lo_v, 2)],
            "to": [round(SOUND.hi_v, 2), round(SHORTED.hi_v, 2)],
            "text": ["sound diode", "shorted diode"],
            "paint": ["var(--good)", "var(--vehicle)"],
        }
    )
    scale = alt.Scale(domain=[-13, -7.5], nice=False, clamp=True)
    axis = alt.X("from:Q", scale=scale, title="low side of the pilot, state B (V)")
    ribbon = alt.Chart(named("bands")).mark_rect(opacity=0.18)
    ribbon = ribbon.encode(x=axis, x2="to:Q", color=alt.Color("paint:N", scale=None))
    words = alt.Chart(named("bands")).mark_text(align="left", baseline="top", dx=3, dy=3)
    words = words.encode(x=alt.X("from:Q", scale=scale), y=alt.value(0), text="text:N")
    dots = (
        alt.Chart(named("vehicles"))
        .mark_circle(size=42, opacity=0.75, color="var(--ink)")
        .encode(
            x=alt.X("low:Q", scale=scale),
            y=alt.Y("call:N", sort=present, title=None),
            yOffset=alt.YOffset("jitter:Q", scale=alt.Scale(domain=[-0.75, 0.75])),
            tooltip=[
                alt.Tooltip("v:N", title="vehicle"),
                alt.Tooltip("call:N", title="call"),
                alt.Tooltip("low:Q", title="low side (V)"),
            ],
        )
    )
    chart = (ribbon + words + dots).properties(
        width="container", height=46 * max(len(present), 2) + 20
    )
    summary = "Low side of the control pilot per vehicle, against the bands a sound and a shorted diode give."
    return specification(chart, summary=summary, vehicles=shown, bands=bands)


def success_rates(sites: pl.DataFrame) -> Spec:
    """A dot and interval per site. sites: site_id, attempts, charged, rate, rate_lo, rate_hi."""
    shown = sites.with_columns(pl.col("rate", "rate_lo", "rate_hi").round(4))
    # Not fixed to 0..1: a fleet's rates lie close together, and a dot, unlike a bar, does not
    # promise a zero.
    scale = alt.Scale(zero=False, nice=True)
    base = alt.Chart(named("sites")).encode(
        y=alt.Y("site_id:N", sort=shown["site_id"].to_list(), title=None)
    )
    x_title = "attempts that charged (share, 95 % interval)"
    bars = base.mark_rule(strokeWidth=2, color="var(--muted)").encode(
        x=alt.X("rate_lo:Q", scale=scale, title=x_title, axis=alt.Axis(format=".0%")),
        x2="rate_hi:Q",
    )
    dots = base.mark_point(filled=True, size=80, color="var(--ink)", opacity=1).encode(
        x=alt.X("rate:Q", scale=scale),
        tooltip=[
            alt.Tooltip("site_id:N", title="site"),
            alt.Tooltip("attempts:Q", title="attempts"),
            alt.Tooltip("charged:Q", title="charged"),
            alt.Tooltip("rate:Q", title="success rate", format=".1%"),
        ],
    )
    chart = (bars + dots).properties(width="container", height=26 * shown.height + 10)
    return specification(
        chart, summary="Charging success rate of each site with its 95 % interval.", sites=shown
    )
