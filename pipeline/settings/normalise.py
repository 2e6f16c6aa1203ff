"""Settings of the normalise stage: clocks, identities, attempts."""

from __future__ import annotations

from pydantic import Field

from pipeline.settings.base import Frozen


class NormaliseSettings(Frozen):
    """How records become attempts."""

    early_window_s: float = Field(
        60.0, gt=0, description="early_b: fault within this of plug-in or of the PWM starting; contract"
    )
    charged_kwh: float = Field(0.5, gt=0, description="An attempt with this much energy and no fault charged; contract")
