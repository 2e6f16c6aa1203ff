"""Settings of the validate stage."""

from __future__ import annotations

from pydantic import Field

from pipeline.settings.base import Frozen


class ValidateSettings(Frozen):
    """How rules act."""

    distrust_weight: float = Field(
        0.5,
        ge=0,
        le=1,
        description="Weight of an attempt caught by a rule of severity distrust; decided",
    )
    firmware_share: float = Field(
        0.9,
        gt=0,
        le=1,
        description="A rule is a firmware's habit when it fires on at least this share of its stations; decided",
    )
    firmware_stations: int = Field(
        3,
        ge=2,
        description="Fewer stations than this cannot show a firmware's habit: each may have its own trouble; decided",
    )
    firmware_contrast: float = Field(
        5.0,
        ge=1,
        description="And fires on this many times the share of records caught at other firmwares; decided",
    )
    settled_days: int = Field(
        10,
        ge=3,
        description="What rules say of a station's records this many days before the last frame is kept from run to run while the"
        " rows it rests on stay the same; a week's delivery and the days normalise corrects with it; 3: a rule waits 48 h; decided",
    )
