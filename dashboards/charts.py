"""The pictures of the fleet and sites pages, as Vega-Lite specifications."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from dashboards.language import Language
from dashboards.page_data import CAUSES
from dashboards.theme import named, specification, whole_axis
from pipeline.circuit.pilot import low_window

# Negative level of the pilot in state B2 by the circuit's tolerances (IEC 61851-1 as given by a
# secondary source; derived).
HEALTHY, SHORTED = low_window("B"), low_window("B", shorted=True)

Spec = dict[str, Any]


def causes_by_week(t: Language, rows: pl.DataFrame) -> Spec:
    """Stacked bars of failed attempts by week and cause. rows: week, cause, failures."""
    names = {cause: t(f"cause.{cause}") for cause in CAUSES}
    order = {c: i for i, c in enumerate(CAUSES)}
    shown = rows.with_columns(
        name=pl.col("cause").replace_strict(names, default="?"),
        rank=pl.col("cause").replace_strict(order, default=9, return_dtype=pl.Int64),
        failures=pl.col("failures").round(1),
    )
    most = float(rows.group_by("week").agg(pl.col("failures").sum())["failures"].max() or 1)  # type: ignore[arg-type]
    chart = (
        alt.Chart(named("weeks"), width="container", height=220)
        .mark_bar(stroke="var(--paper)", strokeWidth=1)
        .encode(
            x=alt.X(
                "week:O",
                title=None,
                scale=alt.Scale(paddingInner=0.25),
                axis=alt.Axis(
                    labelAngle=0, labelExpr="slice(datum.label, 5)", labelOverlap="greedy"
                ),
            ),
            y=alt.Y("failures:Q", title=None, stack="zero", axis=whole_axis(most)),
            order=alt.Order("rank:Q"),
            color=alt.Color(
                "name:N",
                title=None,
                scale=alt.Scale(
                    domain=list(names.values()), range=[f"var(--{cause})" for cause in CAUSES]
                ),
            ),
            tooltip=[
                alt.Tooltip("week:O", title=t("frame.week")),
                alt.Tooltip("name:N", title=t("chart.cause")),
                alt.Tooltip("failures:Q", title=t("chart.failed")),
            ],
        )
    )
    return specification(chart, summary=t("chart.causes"), weeks=shown)


def low_bands(t: Language) -> pl.DataFrame:
    """lo, hi, words, paint: where a healthy and where a shorted diode leave the negative level, V."""
    windows = (HEALTHY, SHORTED)
    return pl.DataFrame(
        {
            "lo": [round(window.lo_v, 2) for window in windows],
            "hi": [round(window.hi_v, 2) for window in windows],
            "words": [t("unit.band_healthy"), t("unit.band_shorted")],
            "paint": ["var(--good)", "var(--vehicle)"],
        }
    )


def low_before_after(t: Language, rows: pl.DataFrame) -> Spec:
    """A line a vehicle: its negative level before and since its trouble or repair.

    rows: vehicle_id, before_v, after_v; the rest of the fleet as vehicle_id null.
    """
    names = rows["vehicle_id"].fill_null(t("chart.rest")).to_list()
    shown = rows.with_columns(name=pl.Series(names, dtype=pl.String)).with_columns(
        pl.col("before_v", "after_v").round(2)
    )
    bands = low_bands(t)
    scale = alt.Scale(domain=[-13, -7], nice=False, clamp=True)
    axis = alt.Axis(
        values=list(range(-13, -6)), labelExpr="replace(datum.label, '-', '−') + ' V'", format="d"
    )
    x = alt.X("lo:Q", scale=scale, title=None, axis=axis)
    ribbon = alt.Chart(named("bands")).mark_rect(opacity=0.18)
    ribbon = ribbon.encode(x=x, x2="hi:Q", color=alt.Color("paint:N", scale=None))
    told = alt.Chart(named("bands")).mark_text(align="left", baseline="bottom", dy=-2)
    told = told.encode(x=alt.X("lo:Q", scale=scale), y=alt.value(0), text="words:N")
    y = alt.Y("name:N", sort=names, title=None)
    tips = [
        alt.Tooltip("name:N", title=t("unit.vehicle")),
        alt.Tooltip("before_v:Q", title=t("chart.before")),
        alt.Tooltip("after_v:Q", title=t("chart.after")),
    ]
    base = alt.Chart(named("vehicles")).encode(y=y, tooltip=tips)
    line = base.mark_rule(color="var(--ink)", strokeWidth=1.5)
    line = line.encode(x=alt.X("before_v:Q", scale=scale), x2="after_v:Q")
    before = base.mark_point(size=70, stroke="var(--ink)", fill="var(--paper)", opacity=1)
    after = base.mark_point(size=70, filled=True, color="var(--ink)", opacity=1)
    chart = alt.layer(
        ribbon,
        told,
        line,
        before.encode(x=alt.X("before_v:Q", scale=scale)),
        after.encode(x=alt.X("after_v:Q", scale=scale)),
    ).properties(width="container", height=max(60, 24 * rows.height))
    return specification(chart, summary=t("chart.low"), vehicles=shown, bands=bands)


def success_rates(t: Language, sites: pl.DataFrame) -> Spec:
    """A dot and interval per site. sites: site_id, attempts, charged, rate, rate_lo, rate_hi."""
    shown = sites.with_columns(pl.col("rate", "rate_lo", "rate_hi").round(4))
    # Not fixed to 0..1: a fleet's rates lie close together, and a dot promises no zero as a bar does.
    least = float(sites["rate_lo"].min() or 0.0)  # type: ignore[arg-type]
    step = 0.01 if least > 0.95 else 0.05 if least > 0.7 else 0.1
    ticks = [
        round(1 - step * i, 2) for i in range(int((1 - least) / step) + 2) if 1 - step * i >= 0
    ]
    scale = alt.Scale(domain=[ticks[-1], 1], nice=False)
    base = alt.Chart(named("sites")).encode(
        y=alt.Y("site_id:N", sort=shown["site_id"].to_list(), title=None)
    )
    axis = alt.Axis(values=ticks, format=".0%", grid=True)
    bars = base.mark_rule(strokeWidth=2, color="var(--muted)").encode(
        x=alt.X("rate_lo:Q", scale=scale, title=None, axis=axis), x2="rate_hi:Q"
    )
    dots = base.mark_point(filled=True, size=80, color="var(--ink)", opacity=1).encode(
        x=alt.X("rate:Q", scale=scale),
        tooltip=[
            alt.Tooltip("site_id:N", title=t("unit.site")),
            alt.Tooltip("attempts:Q", title=t("chart.attempts")),
            alt.Tooltip("charged:Q", title=t("outcome.charged")),
            alt.Tooltip("rate:Q", title=t("chart.rate"), format=".1%"),
        ],
    )
    chart = (bars + dots).properties(width="container", height=26 * shown.height + 10)
    return specification(chart, summary=t("chart.rates"), sites=shown)


def rate_by_week(t: Language, rows: pl.DataFrame) -> Spec:
    """A line a site: share of attempts that charged, week by week. rows: site_id, week, rate, attempts."""
    line = (
        alt.Chart(named("rates"), width="container", height=90)
        .mark_line(point={"filled": True, "size": 36}, color="var(--ink)", strokeWidth=1.5)
        .encode(
            x=alt.X(
                "week:O",
                title=None,
                axis=alt.Axis(
                    labelAngle=0, labelExpr="slice(datum.label, 5)", labelOverlap="greedy"
                ),
            ),
            y=alt.Y(
                "rate:Q",
                title=None,
                scale=alt.Scale(domain=[0, 1]),
                axis=alt.Axis(values=[0, 0.5, 1], format=".0%"),
            ),
            tooltip=[
                alt.Tooltip("site_id:N", title=t("unit.site")),
                alt.Tooltip("week:O", title=t("frame.week")),
                alt.Tooltip("rate:Q", title=t("chart.rate"), format=".1%"),
                alt.Tooltip("attempts:Q", title=t("chart.attempts")),
            ],
            detail="site_id:N",
        )
    )
    shown = rows.with_columns(pl.col("rate").round(4))
    return specification(line, summary=t("chart.rate_weeks"), rates=shown)


def calls_by_week(t: Language, rows: pl.DataFrame, calls: tuple[str, ...]) -> Spec:
    """How many units had each call, week by week. rows: week, call, units."""
    names = {call: t(f"call.{call}") for call in calls}
    dashes = [[1, 0], [4, 3], [2, 2], [8, 3]]
    shown = rows.with_columns(name=pl.col("call").replace_strict(names, default="?"))
    most = float(rows["units"].max() or 1)  # type: ignore[arg-type]
    domain = list(names.values())
    chart = (
        alt.Chart(named("calls"), width="container", height=160)
        .mark_line(point={"filled": True, "size": 40}, strokeWidth=1.8)
        .encode(
            x=alt.X(
                "week:O",
                title=None,
                axis=alt.Axis(
                    labelAngle=0, labelExpr="slice(datum.label, 5)", labelOverlap="greedy"
                ),
            ),
            y=alt.Y("units:Q", title=None, axis=whole_axis(most)),
            color=alt.Color(
                "name:N",
                title=None,
                scale=alt.Scale(
                    domain=domain,
                    range=["var(--vehicle)", "var(--ink)", "var(--good)", "var(--muted)"],
                ),
            ),
            strokeDash=alt.StrokeDash(
                "name:N", title=None, scale=alt.Scale(domain=domain, range=dashes[: len(domain)])
            ),
            tooltip=[
                alt.Tooltip("week:O", title=t("frame.week")),
                alt.Tooltip("name:N", title=t("chart.call")),
                alt.Tooltip("units:Q", title=t("chart.units")),
            ],
        )
    )
    return specification(chart, summary=t("chart.calls"), calls=shown)
