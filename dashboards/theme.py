"""One look for every chart: colours come from the page (light, dark, print), so a chart needs no
second copy.

The four cause colours are from the palette of Okabe & Ito, "Color universal design" (2008, from
memory), chosen to stay apart for colour-blind readers; no chart tells by colour alone.
"""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

CONFIG: dict[str, Any] = {
    "background": "transparent",
    "font": "system-ui, sans-serif",
    "view": {"stroke": None},
    "axis": {
        "labelColor": "var(--ink)",
        "titleColor": "var(--ink)",
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "domainColor": "var(--line)",
        "tickColor": "var(--line)",
        "gridColor": "var(--faint)",
        "labelLimit": 220,
    },
    "legend": {
        "labelColor": "var(--ink)",
        "titleColor": "var(--ink)",
        "labelFontSize": 12,
        "titleFontWeight": "normal",
        "labelLimit": 320,
        "orient": "top",
        "columns": 2,
    },
    "header": {"labelColor": "var(--ink)", "titleColor": "var(--ink)", "labelFontSize": 12},
    "title": {"color": "var(--ink)"},
    "text": {"color": "var(--ink)", "fontSize": 12},
    "rule": {"color": "var(--line)"},
    "bar": {"color": "var(--vehicle)"},
}


def specification(chart: Any, *, summary: str, **frames: pl.DataFrame) -> dict[str, Any]:
    """The chart as a Vega-Lite specification with the shared look and its named data; times as ISO
    text.

    summary: what the picture shows, in a sentence, for people who do not see it.
    """
    spec: dict[str, Any] = chart.to_dict()
    spec["config"] = CONFIG
    spec["description"] = summary
    if spec.get("width") == "container":
        spec["autosize"] = {"type": "fit-x", "contains": "padding"}
    moments = pl.col(pl.Datetime("us", "UTC")).dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    spec["datasets"] = {
        name: frame.with_columns(moments).to_dicts() for name, frame in frames.items()
    }
    return spec


def named(name: str) -> alt.NamedData:
    """Data to be given by name when the chart is written."""
    return alt.NamedData(name=name)
