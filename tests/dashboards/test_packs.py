"""The evidence page, and the names of the folders it stands in."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented import invented_evidence, invented_week
from pydantic import ValidationError

from dashboards.addresses import pack_links
from dashboards.language import Language, strings
from dashboards.packs import render_evidence, write_evidence_page
from pipeline.core.wording import COUPLERS, FINDINGS, coupler, inlet
from pipeline.publish.addresses import pack_folder

HOSTILE = '</script><script>alert(1)</script><img src=x onerror="alert(2)">\x1b[31m\u202e'
WORDS_OF_THE_MODEL = {"call", "strength", "state", "side", "usual_from"}


def _spoil(value: Any, key: str = "") -> Any:
    if isinstance(value, dict):
        return {k: _spoil(v, k) for k, v in value.items()}
    if isinstance(value, list):
        return [_spoil(v, key) for v in value]
    plain = (
        not isinstance(value, str)
        or key in WORDS_OF_THE_MODEL
        or key.endswith("_utc")
        or key in {"at", "week"}
    )
    return value if plain else value + HOSTILE


def test_the_page_is_one_file(tmp_path: Path) -> None:
    """Nothing beside it is needed: no address leads out of it, script and style stand inside."""
    text = write_evidence_page(
        tmp_path / "p", invented_evidence(invented_week().attempts, "V-0000")
    ).read_text(encoding="utf-8")
    body = re.sub(r"<script>.*?</script>|<style>.*?</style>", "", text, flags=re.DOTALL)
    assert not re.search(r'(?:src|href)="(?!#|data:,)', body)
    assert "vegaEmbed" in text


def test_cautions_come_before_readings() -> None:
    """Whoever reads the bench section meets the cautions and the deference first."""
    text = render_evidence(invented_evidence(invented_week().attempts, "V-0000"), assets="/assets/")
    assert (
        text.index("Treat as live.")
        < text.index("Local codes, the maker")
        < text.index("Pilot to earth, both ways")
    )


def test_hostile_evidence_stays_text() -> None:
    """Markup, control and direction characters in every text of the pack, the charts' too, are
    shown, not obeyed.
    """
    spoiled = _spoil(invented_evidence(invented_week().attempts, "V-0000"))
    spoiled["strip_chart"] = {
        "data": {"values": [{"at": HOSTILE, "evse": HOSTILE}]},
        "mark": "point",
        "width": "container",
    }
    text = render_evidence(spoiled, assets="/assets/")
    assert "<img" not in text
    assert "<script>alert" not in text
    assert "\x1b" not in text
    assert "\u202e" not in text


def test_another_shape_is_refused() -> None:
    """Evidence that is not of the declared shape makes an error, not half a page."""
    with pytest.raises(ValidationError):
        render_evidence(
            {**invented_evidence(invented_week().attempts, "V-0000"), "verdict": "guilty"}
        )


@given(st.text(min_size=1, max_size=200))
def test_folder_names_are_safe(vehicle: str) -> None:
    """Whatever an id holds, its folder is one plain path part."""
    assert re.fullmatch(r"[A-Za-z0-9_-][A-Za-z0-9._-]{0,79}", pack_folder(vehicle))


@given(st.sets(st.text(alphabet="aA/.\\ -_0ü", min_size=1, max_size=6), min_size=2, max_size=2))
def test_folder_names_are_apart(vehicles: set[str]) -> None:
    """Two ids never share a folder."""
    assert len({pack_folder(vehicle) for vehicle in vehicles}) == 2


def test_links_lead_into_the_folder() -> None:
    """An id that would climb out of the folder gets an address that stays inside."""
    assert pack_links(["V-1"]) == {"V-1": "referrals/V-1/index.html"}
    assert "/.." not in pack_links(["../../x"])["../../x"]


def test_a_pack_says_what_the_week_does_not_rest_on_and_no_code() -> None:
    """A file turned away whole stands on the evidence page too; inlets and findings are words (regression only)."""
    away = [
        {
            "file": "fleet/vehicles.csv",
            "reason": "no column vin",
            "first_line": "a;b",
            "next_step": "export it again",
        }
    ]
    evidence = invented_evidence(invented_week().attempts, "V-0000")
    text = render_evidence(evidence, assets="/assets/", turned_away=away)
    assert "Not used: 1 of the files and mapping entries delivered" in text
    assert "fleet/vehicles.csv" in text
    assert "Not used" not in render_evidence(evidence, assets="/assets/")
    shown = re.sub(r"<script.*?</script>", "", text, flags=re.DOTALL)
    assert not re.search(r"\b[cs](Type|CCS|G105)|\w+_(ohm|found|shorted|leaky)\b", shown)


def test_outlets_and_findings_have_one_name() -> None:
    """Pack, sheet and pages say the same words for an outlet, an inlet and a finding."""
    t = Language()
    known = {key for key in strings() if key.startswith(("connector.", "inlet.", "finding."))}
    for code in COUPLERS:
        for group, word in (("connector", coupler(code)), ("inlet", inlet(code))):
            assert f"{group}.{code}" not in known or t.of(group, code) == word
    assert {code: t.of("finding", code) for code in FINDINGS} == FINDINGS
