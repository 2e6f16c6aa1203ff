"""The evidence page of one vehicle.

A single file that can be mailed, opened from disk and printed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from markupsafe import Markup

from dashboards.addresses import PACK_PAGE, UnitLinks
from dashboards.language import Language
from dashboards.markup import STATIC, environment
from dashboards.pages import STYLES, Menu, chart_script, span_of
from dashboards.theme import CONFIG
from dashboards.words import BENCH_CAUTIONS
from pipeline.refer.bench.drawings import PAGE
from pipeline.refer.pack.drawn import drawings
from pipeline.refer.pack.model import Evidence


def _inline(script: str) -> Markup:
    """Our own script text, fit to stand inside a script element.

    Its end tag cannot occur, nor a comment's start.
    """
    closed = re.sub(r"</(script)", r"<\\/\1", script, flags=re.IGNORECASE)
    return Markup(closed.replace("<!--", "<\\!--"))  # noqa: S704 - packaged files of ours, no text of a log


@cache
def _style() -> Markup:
    return _inline("".join((STATIC / name).read_text(encoding="utf-8") for name in STYLES))


@cache
def _scripts() -> tuple[Markup, Markup]:
    """What draws a pack's charts, made fit once for all packs: it is most of a page's bytes."""
    return _inline(chart_script()), _inline((STATIC / "pages.js").read_text(encoding="utf-8"))


INKS = {
    "#1b6ca8": "var(--good)", "#b3261e": "var(--evse)", "#767676": "var(--muted)", "#d9902f": "var(--pairing)",
    "#8a4b00": "var(--pairing)", "#444": "var(--muted)",
}  # fmt: skip
"""What a pack's own charts are drawn in, and the names of look.css in their place, so that they follow light, dark and paper."""


def _themed(spec: Mapping[str, Any] | None) -> dict[str, Any] | None:
    if spec is None:
        return None
    inked = {key: _inked(part) for key, part in spec.items() if key != "datasets"}
    return {**spec, **inked, "config": {**spec.get("config", {}), **CONFIG}}


def _inked(part: Any) -> Any:
    if isinstance(part, Mapping):
        return {key: _inked(inner) for key, inner in part.items()}
    if isinstance(part, list | tuple):
        return [_inked(inner) for inner in part]
    return INKS.get(part, part) if isinstance(part, str) else part


def render_evidence(
    evidence: Evidence | Mapping[str, Any],
    *,
    sheet: str | None = None,
    assets: str | None = None,
    menu: Menu | None = None,
    back: str | None = None,
    turned_away: Sequence[Mapping[str, Any]] = (),
) -> str:
    """The evidence page as HTML: one file with everything inside, or, with `assets`, for a server
    that has the scripts.

    sheet: address of the printable sheet. turned_away: of run.json, the files and mapping entries the
    week does not rest on. Raises pydantic.ValidationError when the evidence has
    another shape.
    """
    known = evidence if isinstance(evidence, Evidence) else Evidence.model_validate(evidence)
    vehicle = known.vehicle
    return environment().get_template("evidence.html.j2").render(
        title=f"{vehicle.vehicle_id}: {known.claim.suspect_words}",
        week=known.week,
        span=span_of(known.week),
        menu=menu or [],
        t=Language(),
        units=UnitLinks(None, None),
        weeks=[],
        frame=None,
        here="workshop",
        assets=assets,
        look_back=None,
        turned_away=turned_away,
        e=known,
        sheet=sheet,
        cautions=known.bench.cautions or BENCH_CAUTIONS,
        drawn={name: Markup(svg) for name, svg in drawings(known, PAGE).items()},  # noqa: S704 - our own drawings, words escaped
        back=back,
        strip_chart=_themed(known.strip_chart),
        pilot_chart=_themed(known.pilot_chart),
        style=None if assets else _style(),
        scripts=[] if assets else _scripts(),
    )  # fmt: skip


def write_evidence_page(
    folder: Path,
    evidence: Evidence | Mapping[str, Any],
    *,
    sheet: str | None = None,
    turned_away: Sequence[Mapping[str, Any]] = (),
) -> Path:
    """Write the evidence page into a referral's folder and return its path."""
    folder.mkdir(parents=True, exist_ok=True)
    page = folder / PACK_PAGE
    text = render_evidence(evidence, sheet=sheet, turned_away=turned_away)
    page.write_text(text, encoding="utf-8")
    return page
