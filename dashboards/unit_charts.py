"""The charts of a unit's page, as Vega-Lite specifications whose data the page's script fills in."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import altair as alt
import polars as pl

from dashboards.charts import low_bands
from dashboards.language import Language
from dashboards.theme import month_axis, named, specification

REACHED = ("charged", "delivering", "energised", "requested", "offered", "plugged")
_SHAPES = {"charged": "circle", "failed": "M-1,-1 L1,1 M-1,1 L1,-1", "other": "circle"}
_PAINT = {"charged": "var(--good)", "failed": "var(--evse)", "other": "var(--muted)"}
_FILL = {"charged": "var(--good)", "failed": "transparent", "other": "transparent"}
_NO = pl.DataFrame()


def timeline(t: Language, begin: datetime, end: datetime) -> dict[str, Any]:
    """Attempts by time and how far each came; above them what changed at the unit.

    Data: attempts (when, reached, kind, outcome, at, fault, local), marks (when, words, row), onset
    (when, lo, hi, words, row).
    """
    rows = [t("unit.marks"), *(t(f"stage.{reached}") for reached in REACHED)]
    x = alt.X("when:T", title=None, axis=month_axis(t, begin, end), scale=_span(begin, end))
    y = alt.Y("reached:N", title=None, scale=alt.Scale(domain=rows), axis=alt.Axis(labelLimit=140))
    doubt = alt.Chart(named("onset")).mark_rect(opacity=0.16, color="var(--evse)")
    doubt = doubt.encode(x=alt.X("lo:T", scale=_span(begin, end)), x2="hi:T")
    since = _rule("onset", "var(--evse)", [6, 3], begin, end)
    changed = _rule("marks", "var(--ink)", [2, 2], begin, end)
    words = [_words(name, begin, end, rows) for name in ("onset", "marks")]
    chart = alt.layer(doubt, since, changed, _points(t, x, y), *words).properties(
        width="container", height=34 * len(rows)
    )
    return specification(chart, summary=t("unit.timeline"), attempts=_NO, marks=_NO, onset=_NO)


def _points(t: Language, x: alt.X, y: alt.Y) -> alt.Chart:
    """A mark an attempt, shaped and painted by its kind."""
    kinds = list(_PAINT)
    legend = alt.Legend(
        title=None, orient="top", labelExpr=_labels({k: t(f"kind.{k}") for k in kinds})
    )
    made: alt.Chart = (
        alt.Chart(named("attempts"))
        .transform_calculate(jitter="random() - 0.5")
        .mark_point(size=40, strokeWidth=1.6, opacity=0.85)
        .encode(
            x=x,
            y=y,
            yOffset=alt.YOffset("jitter:Q", scale=alt.Scale(domain=[-0.8, 0.8])),
            shape=alt.Shape(
                "kind:N", scale=alt.Scale(domain=kinds, range=list(_SHAPES.values())), legend=legend
            ),
            stroke=alt.Color(
                "kind:N", scale=alt.Scale(domain=kinds, range=list(_PAINT.values())), legend=legend
            ),
            fill=alt.Fill(
                "kind:N", scale=alt.Scale(domain=kinds, range=list(_FILL.values())), legend=None
            ),
            tooltip=[
                alt.Tooltip("local:N", title=t("unit.when")),
                alt.Tooltip("at:N", title=t("unit.partner")),
                alt.Tooltip("outcome:N", title=t("unit.outcome")),
                alt.Tooltip("fault:N", title=t("unit.word")),
            ],
        )
    )
    return made


def levels(t: Language, begin: datetime, end: datetime) -> dict[str, Any]:
    """Low level of the pilot in each attempt against the bands of a healthy and a shorted diode.

    Data: readings (when, low, kind, at, state, local), onset (when), marks (when).
    """
    x = alt.X("when:T", title=None, axis=month_axis(t, begin, end), scale=_span(begin, end))
    y_scale = alt.Scale(domain=[-13, -4], nice=False, clamp=True)
    y_axis = alt.Axis(
        values=[-12, -10, -8, -6, -4],
        format=".0f",
        labelExpr="replace(datum.label, '-', '−') + ' V'",
    )
    bands = low_bands(t)
    y = alt.Y("low:Q", title=None, scale=y_scale, axis=y_axis)
    ribbon = alt.Chart(named("bands")).mark_rect(opacity=0.18)
    ribbon = ribbon.encode(
        y=alt.Y("lo:Q", scale=y_scale), y2="hi:Q", color=alt.Color("paint:N", scale=None)
    )
    told = alt.Chart(named("bands")).mark_text(align="left", baseline="bottom", dx=4, dy=-2)
    told = told.encode(y=alt.Y("lo:Q", scale=y_scale), x=alt.value(0), text="words:N")
    since = _rule("onset", "var(--evse)", [6, 3], begin, end)
    repaired = _rule("marks", "var(--ink)", [2, 2], begin, end)
    chart = alt.layer(ribbon, told, since, repaired, _dots(t, x, y)).properties(
        width="container", height=220
    )
    return specification(
        chart, summary=t("unit.levels_note"), readings=_NO, onset=_NO, marks=_NO, bands=bands
    )


def _dots(t: Language, x: alt.X, y: alt.Y) -> alt.Chart:
    """A dot a reading, those of failed attempts in another shape and colour."""
    kinds = ["failed", "other"]
    made: alt.Chart = (
        alt.Chart(named("readings"))
        .mark_point(size=36, strokeWidth=1.6)
        .encode(
            x=x,
            y=y,
            shape=alt.Shape(
                "kind:N",
                scale=alt.Scale(domain=kinds, range=[_SHAPES["failed"], "circle"]),
                legend=None,
            ),
            stroke=alt.Color(
                "kind:N",
                scale=alt.Scale(domain=kinds, range=["var(--evse)", "var(--ink)"]),
                legend=None,
            ),
            tooltip=[
                alt.Tooltip("local:N", title=t("unit.when")),
                alt.Tooltip("at:N", title=t("unit.partner")),
                alt.Tooltip("low:Q", title="V"),
                alt.Tooltip("state:N", title=t("unit.state")),
            ],
        )
    )
    return made


def _span(begin: datetime, end: datetime) -> alt.Scale:
    ends = [f"{at:%Y-%m-%dT%H:%M:%SZ}" for at in (begin, end)]
    return alt.Scale(type="utc", domain=ends, nice=False)


def _labels(words: dict[str, str]) -> str:
    cases = "".join(f"datum.label == '{code}' ? '{word}' : " for code, word in words.items())
    return f"{cases}datum.label"


def _rule(name: str, colour: str, dash: list[int], begin: datetime, end: datetime) -> Any:
    line = alt.Chart(named(name)).mark_rule(color=colour, strokeDash=dash, strokeWidth=1.5)
    return line.encode(x=alt.X("when:T", scale=_span(begin, end)))


def _words(name: str, begin: datetime, end: datetime, rows: list[str]) -> Any:
    """What changed, in words beside its line, in the chart's uppermost row; near the end they stand before it."""
    base = alt.Chart(named(name)).transform_calculate(
        late=f"time(datum.when) > {1000 * (begin.timestamp() + 0.7 * (end - begin).total_seconds()):.0f}"
    )
    row = alt.Y("row:N", scale=alt.Scale(domain=rows))
    x = alt.X("when:T", scale=_span(begin, end))
    after = base.transform_filter("!datum.late").mark_text(
        align="left", dx=5, dy=-6 if name == "onset" else 8
    )
    ahead = base.transform_filter("datum.late").mark_text(
        align="right", dx=-5, dy=-6 if name == "onset" else 8
    )
    return alt.layer(
        after.encode(x=x, y=row, text="words:N"), ahead.encode(x=x, y=row, text="words:N")
    )
