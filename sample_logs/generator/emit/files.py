"""Bytes to disk, plain, gzip or Zstandard, the same bytes every time."""

from __future__ import annotations

import gzip
from pathlib import Path

import zstandard


def write(path: Path, content: bytes) -> None:
    """Write content; the suffix `.gz` or `.zst` says how it is packed (no time stamp inside)."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix == ".gz":
        content = gzip.compress(content, compresslevel=6, mtime=0)
    elif path.suffix == ".zst":
        content = zstandard.ZstdCompressor(level=9).compress(content)
    path.write_bytes(content)


def read(path: Path) -> bytes:
    """Content of a file, unpacked by its suffix."""
    content = path.read_bytes()
    if path.suffix == ".gz":
        return gzip.decompress(content)
    if path.suffix == ".zst":
        return zstandard.ZstdDecompressor().decompressobj().decompress(content)
    return content
