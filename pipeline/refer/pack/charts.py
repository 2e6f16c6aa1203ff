"""The two charts of a pack, as Vega-Lite specs with their data inline.

Shape and place carry the meaning, colour only helps.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import altair as alt

from pipeline.core.wording import coupler
from pipeline.refer.pack.model import Band, PilotReading, StripAttempt

STAGES = ("plugged", "offered", "requested", "energised", "delivering", "charged")
STAGE_WORDS = ("plugged in", "PWM on", "vehicle asks", "contactor closed", "delivering", "charged")
_DAYS = alt.Axis(format="%-d %b", labelOverlap="greedy")
OUTCOMES = {"charged": "charged", "failed": "failed", "silent": "never asked", "other": "other"}
"""What a mark of the strip tells, in words."""


def outcome_shown(attempt: StripAttempt) -> str:
    """Key of OUTCOMES of one attempt."""
    if attempt.silent:
        return "silent"
    return attempt.outcome if attempt.outcome in {"charged", "failed"} else "other"


def strip_chart(strip: Sequence[StripAttempt]) -> dict[str, Any]:
    """Attempts over time: how far each came, by coupler (row) and outcome (shape and colour)."""
    words = dict(zip(STAGES, STAGE_WORDS, strict=True))
    rows = [
        {
            "at": a.at.isoformat(),
            "reached": words["charged" if a.outcome == "charged" else a.stage],
            "outcome": OUTCOMES[outcome_shown(a)],
            "coupler": f"{a.supply}, {coupler(a.coupler)}",
            "EVSE": a.evse_id,
            "fault": a.fault or "",
        }
        for a in strip
    ]
    return _strip() | {"datasets": {"attempts": rows}}


@cache
def _strip() -> dict[str, Any]:
    chart = (
        alt.Chart(alt.NamedData("attempts"))
        .mark_point(filled=True, opacity=0.7, size=40)
        .encode(
            x=alt.X("at:T", title=None, axis=_DAYS),
            y=alt.Y(
                "reached:N",
                title=None,
                sort=list(reversed(STAGE_WORDS)),
                scale=alt.Scale(domain=list(reversed(STAGE_WORDS))),
            ),
            shape=alt.Shape(
                "outcome:N",
                scale=alt.Scale(
                    domain=list(OUTCOMES.values()), range=["circle", "cross", "square", "diamond"]
                ),
                title=None,
            ),
            color=alt.Color(
                "outcome:N",
                scale=alt.Scale(
                    domain=list(OUTCOMES.values()),
                    range=["#1b6ca8", "#b3261e", "#8a4b00", "#767676"],
                ),
                title=None,
            ),
            row=alt.Row("coupler:N", title=None),
            tooltip=["at:T", "EVSE:N", "reached:N", "outcome:N", "fault:N"],
        )
        .properties(width=620, height=110)
    )
    return _spec(chart)


def pilot_chart(readings: Sequence[PilotReading], bands: Sequence[Band]) -> dict[str, Any] | None:
    """Negative level of the pilot over time against the bands of a sound and of a shorted diode.

    None without readings.
    """
    rows = [
        {
            "at": r.at.isoformat(),
            "low_v": r.low_v,
            "usual_low_v": r.usual_low_v,
            "state": r.state,
            "EVSE": r.evse_id,
        }
        for r in readings
        if r.low_v is not None
    ]
    if not rows:
        return None
    low = {b.name: b for b in bands if b.side == "low"}
    areas = [{"band": name, "lo_v": b.lo_v, "hi_v": b.hi_v} for name, b in low.items()]
    return _pilot(tuple(low)) | {"datasets": {"readings": rows, "bands": areas}}


@cache
def _pilot(bands: tuple[str, ...]) -> dict[str, Any]:
    inks = alt.Scale(domain=list(bands), range=["#1b6ca8", "#b3261e", "#d9902f"])
    at = alt.X("at:T", title=None, axis=_DAYS)
    band = (
        alt.Chart(alt.NamedData("bands"))
        .mark_rect(opacity=0.18)
        .encode(
            y=alt.Y("lo_v:Q", title="negative level of the pilot, V"),
            y2="hi_v:Q",
            color=alt.Color("band:N", scale=inks, title=None),
        )
    )
    points = alt.Chart(alt.NamedData("readings")).mark_point(filled=True, size=36)
    mine = points.encode(
        x=at,
        y="low_v:Q",
        shape=alt.Shape("state:N", title=None),
        tooltip=["at:T", "EVSE:N", "state:N", "low_v:Q", "usual_low_v:Q"],
    )
    usual = (
        alt.Chart(alt.NamedData("readings"))
        .mark_tick(thickness=2, color="#444")
        .encode(x=at, y="usual_low_v:Q")
    )
    return _spec(alt.layer(band, usual, mine).properties(width=620, height=180))


def _spec(chart: Any) -> dict[str, Any]:
    """The spec without its data and without a theme: a page brings its own, and the bytes stay the
    same whatever theme is in force.

    Made once for all packs, the data put in afterwards: checking every row against the schema of
    Vega-Lite would take seconds a pack.
    """
    return {key: part for key, part in chart.to_dict().items() if key != "config"}
