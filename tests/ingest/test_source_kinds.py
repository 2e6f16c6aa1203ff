"""A packed file is told by its content, whatever its writer put before the data."""

from __future__ import annotations

import struct
from pathlib import Path

import zstandard

from pipeline.ingest.source import Source
from pipeline.settings.ingest import IngestSettings


def test_a_skippable_frame_hides_nothing(tmp_path: Path) -> None:
    """A zstd file that begins with a skippable frame (RFC 8878, 3.1.2) is unpacked whole."""
    text = b"at,station_id\n" * 100
    note = struct.pack("<II", 0x184D2A53, 5) + b"hello"
    (tmp_path / "a").write_bytes(note + zstandard.ZstdCompressor().compress(text) + note)
    source = Source(tmp_path / "a", IngestSettings())
    assert b"".join(source.chunks(1 << 16)) == text
    assert source.damage is None
