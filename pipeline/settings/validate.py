"""Settings of the validate stage."""

from __future__ import annotations

from pydantic import Field

from pipeline.settings.base import Frozen


class ValidateSettings(Frozen):
    """How rules act."""

    distrust_weight: float = Field(
        0.5, ge=0, le=1, description="Weight of an attempt caught by a rule of severity distrust; decided"
    )
