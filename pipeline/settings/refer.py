"""Settings of the refer stage: costs, caps, proving."""

from __future__ import annotations

from pydantic import Field

from pipeline.settings.base import Frozen


class ReferSettings(Frozen):
    """What a referral costs and when one is made."""

    cost_needless_visit: float = Field(
        250.0, gt=0, description="Cost of a workshop visit that finds nothing; decided, any currency"
    )
    cost_week_without_ac: float = Field(
        120.0, gt=0, description="Cost of a week in which a faulty vehicle cannot charge on AC; decided"
    )
