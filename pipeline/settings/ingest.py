"""Settings of the ingest stage."""

from __future__ import annotations

from pydantic import Field

from pipeline.settings.base import Frozen


class IngestSettings(Frozen):
    """How bytes are read."""

    block_bytes: int = Field(32 << 20, ge=1 << 16, description="Bytes read at a time: bounds memory; measured")
    line_cap_bytes: int = Field(
        4 << 20, ge=1 << 10, description="A longer line is rejected: no OCPP message comes near; practice"
    )
    unpacked_cap_bytes: int = Field(200 << 30, ge=1 << 20, description="A compressed file may not unpack to more; practice")
    unpack_ratio_cap: int = Field(
        2000, ge=10, description="Nor to more than this times its size; deflate's own limit is about 1032"
    )
