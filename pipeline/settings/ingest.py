"""Settings of the ingest stage."""

from __future__ import annotations

from pydantic import Field

from pipeline.settings.base import Frozen


class IngestSettings(Frozen):
    """How bytes are read."""

    block_bytes: int = Field(
        32 << 20, ge=1 << 10, description="Bytes read at a time: bounds memory; measured"
    )
    typed_bytes: int = Field(
        128 << 20,
        ge=0,
        description="Typed lines held before they are inserted together: bounds memory; measured",
    )
    together_bytes: int = Field(
        128 << 20,
        ge=0,
        description="Files read the same way go through the same statements and one commit, up to this much unpacked; "
        "0 = each by itself; measured",
    )
    engine_bytes: int = Field(
        512 << 20,
        ge=256 << 20,
        description="DuckDB's buffers in a run, all stages; measured",
    )
    line_cap_bytes: int = Field(
        4 << 20,
        ge=1 << 10,
        description="A longer line is rejected: no OCPP message comes near; practice",
    )
    record_lines_cap: int = Field(
        200,
        ge=1,
        description="A quoted CSV value may span this many lines; beyond, the quote counts as never closed; practice",
    )
    unpacked_cap_bytes: int = Field(
        200 << 30, ge=1 << 10, description="A compressed file may not unpack to more; practice"
    )
    unpack_ratio_cap: int = Field(
        250,
        ge=10,
        description="Nor to more than this times its size: logs pack 10 to 100 times, bombs 1,000 and more; practice",
    )
    unpack_free_bytes: int = Field(
        64 << 20,
        ge=0,
        description="The ratio is not looked at before this much: small files of few words pack well; practice",
    )
    mapping_cap_bytes: int = Field(
        1 << 20, ge=1 << 10, description="A larger YAML file is no mapping; practice"
    )
    fleet_timezone: str | None = Field(
        None,
        description="Zone of vehicle-side times written without an offset; absent = the most common zone of the EVSEs; decided",
    )
