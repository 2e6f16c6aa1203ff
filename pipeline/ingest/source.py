"""A delivered file as a stream of unpacked bytes.

Hashed, bounded, and honest about what could not be read.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

import zstandard

from pipeline.settings.ingest import IngestSettings

GZIP_MAGIC = b"\x1f\x8b"
ZSTD_MAGIC = b"\x28\xb5\x2f\xfd"
_SKIPPABLE_TAIL = b"\x2a\x4d\x18"  # after 0x50 to 0x5f: a skippable frame (RFC 8878, 3.1.2)
# Input fed to zstd at a time: its output cannot be capped, and 2 KiB of runs unpack to 64 MiB at
# most (128 KiB per 4 bytes).
_ZSTD_STEP = 2 << 10
# Memory a zstd frame may ask for: 2^27 is what the format's own tools accept without being told.
_ZSTD_WINDOW = 1 << 27
_READ = 1 << 20
# Bytes of input unpacked at a time near a fault: what follows the last good step is lost.
_FAULT_STEP = 64


class _DamageError(Exception):
    """The rest of the file cannot be unpacked."""


class Source:
    """One regular file at the length it had when first seen.

    `chunks` yields unpacked bytes and never raises for bad content: once it is exhausted, `damage`
    says what kept the rest from being read (None = all was read), `packed` whether it was unpacked,
    `grown` and `changed` whether the file was written meanwhile. Raises OSError where the file
    cannot be opened at the start.
    """

    def __init__(self, path: Path, settings: IngestSettings) -> None:
        self._path = path
        self._settings = settings
        stat = path.stat()
        self.file_bytes = stat.st_size
        self._modified_ns = stat.st_mtime_ns
        self.read_bytes = 0
        self.packed = False
        self.grown = False
        self.changed = False
        self.damage: str | None = None
        self.sha256 = self._fingerprint()
        self.read_bytes = 0
        self._content_hash: hashlib._Hash | None = None

    @property
    def content_sha256(self) -> str:
        """Hash of the unpacked bytes, once `chunks` is exhausted.

        That of the file where it is not packed, or damaged.
        """
        return (
            self._content_hash.hexdigest()
            if self._content_hash and not self.damage
            else self.sha256
        )

    def _fingerprint(self) -> str:
        """SHA-256 of the file's bytes, as far as they went when it was first seen."""
        found = hashlib.sha256()
        self.read_bytes = 0
        with self._path.open("rb", buffering=0) as handle:
            for chunk in self._raw(handle, _READ):
                found.update(chunk)
        return found.hexdigest()

    def head(self, size: int) -> bytes:
        """The first unpacked bytes."""
        held = b""
        for chunk in self.chunks(min(size, _READ), hashed=False):
            held += chunk
            if len(held) >= size:
                break
        self.read_bytes = 0
        return held[:size]

    def chunks(self, size: int, *, hashed: bool = True) -> Iterator[bytes]:
        """Unpacked bytes from the start, about `size` at a time; `hashed` for `content_sha256`."""
        self.read_bytes, self.damage, self._content_hash = 0, None, None
        try:
            with self._path.open("rb", buffering=0) as handle:
                yield from self._unpacked(handle, size, hashed=hashed)
                stat = os.fstat(handle.fileno())
        except OSError as error:
            if error.errno == errno.ENOMEM:
                raise MemoryError(str(error)) from error  # no fault of the file's
            self.damage = f"cannot be read: {error.strerror or error}"
            return
        self.grown = stat.st_size > self.file_bytes
        if stat.st_size < self.file_bytes:
            self.damage = f"shrank while being read, from {self.file_bytes} to {stat.st_size} bytes"
        elif stat.st_mtime_ns != self._modified_ns:
            self.changed = self._fingerprint() != self.sha256

    def _raw(self, handle: BinaryIO, size: int) -> Iterator[bytes]:
        while self.read_bytes < self.file_bytes:
            chunk = handle.read(min(size, self.file_bytes - self.read_bytes))
            if not chunk:
                return
            self.read_bytes += len(chunk)
            yield chunk

    def _unpacked(self, handle: BinaryIO, size: int, *, hashed: bool) -> Iterator[bytes]:
        magic = handle.read(4)
        handle.seek(0)
        unpack = _gunzip if magic.startswith(GZIP_MAGIC) else _unzstd if _is_zstd(magic) else None
        self.packed = unpack is not None
        if unpack is None:
            yield from self._raw(handle, size)
            return
        content = hashlib.sha256() if hashed else None
        self._content_hash = content
        unpacked = 0
        try:
            for chunk in unpack(self._raw(handle, _READ), size):
                if content is not None:
                    content.update(chunk)
                unpacked += len(chunk)
                self._check_caps(unpacked)
                yield chunk
        except (zlib.error, zstandard.ZstdError, _DamageError) as error:
            self.damage = f"cannot be unpacked further: {error}"

    def _check_caps(self, unpacked: int) -> None:
        caps = self._settings
        if unpacked > caps.unpacked_cap_bytes:
            raise _DamageError(
                f"it unpacks to more than {caps.unpacked_cap_bytes} bytes (setting unpacked_cap_bytes)"
            )
        if unpacked > caps.unpack_free_bytes and unpacked > caps.unpack_ratio_cap * self.file_bytes:
            raise _DamageError(
                f"it unpacks to more than {caps.unpack_ratio_cap} times its size (setting unpack_ratio_cap)"
            )


def _gunzip(raw: Iterator[bytes], size: int) -> Iterator[bytes]:
    """Unpack gzip members one after the other, up to `size` or 1 MiB at a time; zero bytes between or after them are padding."""
    step = min(size, _READ)
    member, begun = zlib.decompressobj(wbits=31), False
    for chunk in raw:
        data, more = chunk, False
        while data or more:
            data = data if begun else data.lstrip(b"\0")
            if not (data or more):
                break
            before = member.copy()
            try:
                out = member.decompress(data, step)
            except zlib.error:
                yield from _up_to_the_fault(before, data)
                raise
            begun, more, data = True, len(out) == step, member.unconsumed_tail
            if out:
                yield out
            if member.eof:
                data, more = member.unused_data, False
                member, begun = zlib.decompressobj(wbits=31), False
    if begun:
        raise _DamageError("the gzip stream is cut off")


def _up_to_the_fault(member: zlib._Decompress, data: bytes) -> Iterator[bytes]:
    """What a member gives before the byte it stumbles over: its input again, in small steps."""
    with contextlib.suppress(zlib.error):
        for start in range(0, len(data), _FAULT_STEP):
            yield member.decompress(data[start : start + _FAULT_STEP])


def _is_zstd(magic: bytes) -> bool:
    """A zstd frame, or the skippable one that some writers put before it."""
    skippable = magic[1:] == _SKIPPABLE_TAIL and 0x50 <= magic[0] <= 0x5F
    return magic == ZSTD_MAGIC or skippable


def _unzstd(raw: Iterator[bytes], _size: int) -> Iterator[bytes]:
    """Unpack zstd frames one after the other; what a step gives cannot be bounded."""
    new: Callable[[], zstandard.ZstdDecompressionObj] = zstandard.ZstdDecompressor(
        max_window_size=_ZSTD_WINDOW
    ).decompressobj
    frame, begun = new(), False
    for chunk in raw:
        for start in range(0, len(chunk), _ZSTD_STEP):
            data = chunk[start : start + _ZSTD_STEP]
            while data:
                begun = True
                out = frame.decompress(data)
                if out:
                    yield out
                data = b""
                if frame.eof:
                    data, frame, begun = frame.unused_data, new(), False
    if begun:
        raise _DamageError("the zstd stream is cut off")
