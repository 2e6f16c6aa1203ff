"""One look for every chart: colours, faces and sizes come from the page's look.css.

So light, dark and paper need no second copy. No chart tells by colour alone.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from datetime import datetime, timedelta
from typing import Any

import altair as alt
import polars as pl
from altair.utils import schemapi

from dashboards.language import Language

_SMALL = 13
FACE = 'Inter, "Segoe UI", system-ui, "DejaVu Sans", sans-serif'
"""The face of look.css by name: the width of labels is measured before the page paints them."""
_TEXT = {"labelColor": "var(--ink)", "titleColor": "var(--muted)", "labelFontSize": _SMALL}
CONFIG: dict[str, Any] = {
    "background": "transparent",
    "font": FACE,
    "view": {"stroke": None},
    "padding": {"left": 0, "right": 8, "top": 4, "bottom": 4},
    "axis": {
        **_TEXT,
        "titleFontSize": _SMALL,
        "titleFontWeight": "normal",
        "domain": False,
        "ticks": False,
        "gridColor": "var(--faint)",
        "labelPadding": 8,
        "labelLimit": 220,
    },
    "axisX": {"grid": False, "domain": True, "domainColor": "var(--line)", "titleAnchor": "end"},
    "axisY": {"titleAngle": 0, "titleAnchor": "end", "titleAlign": "left", "titleY": -12},
    "legend": {
        **_TEXT,
        "titleFontSize": _SMALL,
        "titleFontWeight": "normal",
        "labelLimit": 320,
        "orient": "top",
        "direction": "horizontal",
        "symbolStrokeWidth": 1.6,
        "columnPadding": 18,
    },
    "title": {"color": "var(--ink)"},
    "text": {"color": "var(--ink)", "fontSize": _SMALL},
    "rule": {"color": "var(--line)"},
    "bar": {"color": "var(--vehicle)"},
}


def specification(chart: Any, *, summary: str, **frames: pl.DataFrame) -> dict[str, Any]:
    """The chart as a Vega-Lite specification with the shared look and its named data; times as ISO
    text.

    summary: what the picture shows, in a sentence, for people who do not see it.
    """
    spec: dict[str, Any] = chart.to_dict(validate=schemapi.DEBUG_MODE)
    spec["config"] = CONFIG
    spec["description"] = summary
    if spec.get("width") == "container":
        spec["autosize"] = {"type": "fit-x", "contains": "padding"}
    moments = pl.col(pl.Datetime("us", "UTC")).dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    spec["datasets"] = {
        name: frame.with_columns(moments).to_dicts() for name, frame in frames.items()
    }
    return spec


def unchecked() -> AbstractContextManager[None]:
    """Charts made in the block are not held against Vega-Lite's schema.

    It costs several times what making them does, and tells of our code only, which the tests draw checked.
    """
    return schemapi.debug_mode(arg=False)


def named(name: str) -> alt.NamedData:
    """Data to be given by name when the chart is written."""
    return alt.NamedData(name=name)


def month_axis(t: Language, begin: datetime, end: datetime) -> alt.Axis:
    """An axis of days: its Mondays by number, each month by its name under its first."""
    months = ", ".join(f"'{t(f'month.{m}')}'" for m in range(1, 13))
    named_month = f"[utcFormat(datum.value, '%-d'), [{months}][utcmonth(datum.value)]]"
    first = "utcdate(datum.value) <= 7 || datum.index == 0"
    monday = begin + timedelta(days=-begin.weekday() % 7)
    weeks = range((end - monday).days // 7 + 1)
    days = [monday + timedelta(weeks=week) for week in weeks]
    return alt.Axis(
        values=[alt.DateTime(year=d.year, month=d.month, date=d.day, utc=True) for d in days],
        labelExpr=f"{first} ? {named_month} : utcFormat(datum.value, '%-d')",
        labelOverlap="greedy",
        grid=True,
    )


def whole_axis(most: float) -> alt.Axis:
    """An axis of counts from 0 to about `most`: whole numbers, each once, six at most."""
    step = next(s for s in _steps() if s * 5 >= most)
    return alt.Axis(values=[step * i for i in range(int(most // step) + 2)], format=",d")


def _steps() -> Any:
    size = 1
    while True:
        yield from (size, 2 * size, 5 * size)
        size *= 10
