"""The base of all settings."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Frozen(BaseModel):
    """Immutable; an unknown name is an error, never ignored."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)
