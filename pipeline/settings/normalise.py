"""Settings of the normalise stage: clocks, identities, codes, attempts."""

from __future__ import annotations

from pathlib import Path

from pydantic import Field

from pipeline.settings.base import Frozen
from pipeline.settings.clocks import ClockSettings
from pipeline.settings.energy import EnergySettings


class NormaliseSettings(Frozen):
    """How records become attempts."""

    clocks: ClockSettings = ClockSettings()
    energy: EnergySettings = EnergySettings()
    early_window_s: float = Field(
        60.0,
        gt=0,
        description="early_b: fault within this of plug-in or of the PWM starting; contract",
    )
    charged_kwh: float = Field(
        0.5, gt=0, description="An attempt with this much energy and no fault charged; contract"
    )
    codes_file: Path | None = Field(
        None,
        description="A site's own words for faults (YAML, word: canonical code), used before ours; decided",
    )
    waiting_s: float = Field(
        60.0,
        gt=0,
        description="Offered and not asked for this long without a fault: the vehicle waits, not the driver hurries; decided",
    )
    card_first_s: float = Field(
        120.0,
        gt=0,
        description="A card may be shown this long before the plug-in; connection time-outs are 30-120 s, practice",
    )
    retry_gap_s: float = Field(
        900.0,
        gt=0,
        description="Finishing then Preparing within this is a retry while plugged, if no other card is shown; decided",
    )
    settle_s: float = Field(
        5.0,
        gt=0,
        description="Records of one happening lie within this: contactor 3 s, and what messages take; IEC 61851-1",
    )
    close_limit_s: float = Field(
        5.0,
        gt=3,
        description="Asked with PWM on, contactor open for longer: it failed to close (3 s, and whole-second stamps); IEC 61851",
    )
    idle_limit_s: float = Field(
        600.0,
        gt=0,
        description="Asked and energised this long without a watt-hour and not full: nothing benign does so; decided",
    )
    full_soc_pct: float = Field(
        99.0, gt=0, le=100, description="A battery said to be this full asks for no more; practice"
    )
    not_full_soc_pct: float = Field(
        95.0,
        gt=0,
        le=100,
        description="A battery said to be below this is not full, whatever it did before; practice",
    )
    leaving_s: float = Field(
        10.0,
        gt=0,
        description="A driver presses the button, or pulls, and is out within this; practice",
    )
    bounce_s: float = Field(
        1.0,
        gt=0,
        description="E or F for less than this on the way to A is the plug's contacts parting; practice",
    )
    later_s: float = Field(
        3.0,
        gt=0,
        description="A start this much later than another source's is later, not the same within the clock's error; decided",
    )
    still_full_s: float = Field(
        3600.0,
        gt=0,
        le=3600,
        description="Away for no longer since it ended its own charge, a vehicle that lets go at once is full still; decided",
    )
    telematics_slack_s: float = Field(
        180.0,
        gt=0,
        description="A vehicle's report and the EVSE's lie within this; reports are to the minute, practice",
    )
    same_moment_s: float = Field(
        60.0,
        gt=0,
        description="Only this close do two clocks tell of one plug-in of a vehicle not known otherwise; decided",
    )
    silence_days: float = Field(
        14.0,
        gt=1,
        description="A plug-in of which nothing is heard for this long is broken off; decided",
    )
    batch_rows: int = Field(
        200_000,
        ge=1000,
        description="Raw rows of a batch; two are made side by side while a third is read, in 1.1 GB; measured",
    )
