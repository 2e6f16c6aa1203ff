"""`explain` answers for the inputs that no CSV header declares."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.cli.explain import explain
from pipeline.doorway.export_entry import Export
from pipeline.doorway.frames_entry import FramesEntry
from pipeline.doorway.meanings import ENVELOPE, KEYS, explained, keys_of
from pipeline.ingest.frame_paths import ENVELOPE as READ


def test_every_key_of_a_mapping_is_explained() -> None:
    """No key without a meaning, no meaning without a key."""
    assert set(KEYS) == {*keys_of(FramesEntry), *keys_of(Export)}


def test_every_part_of_the_envelope_is_explained() -> None:
    """What is read of the envelope is what is explained."""
    assert {path.removeprefix("$.").split("[")[0] for path in READ.values()} == set(ENVELOPE)


@pytest.mark.parametrize("name", ["input_frames", "input_mapping"])
def test_explain_answers(name: str) -> None:
    """Both names have an answer that names what they hold."""
    told = explain(name)
    assert "Source:" in told
    assert ("station_id" if name == "input_frames" else "time_format") in told


def test_the_reference_says_what_explain_says() -> None:
    """Word for word: both are read by people who write a mapping (regression only; read by eye). Nothing else has an answer here."""
    page = Path(__file__).resolve().parents[2] / "docs" / "reference" / "mapping.md"
    text = page.read_text(encoding="utf-8")
    for name, short in (("input_frames", "frames"), ("input_mapping", "mapping")):
        told = explained(name)
        assert told is not None
        assert f"```\n{told}\n```\n" in text
        assert explained(short) == told
    assert explained("raw_frame") is None
