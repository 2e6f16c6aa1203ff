"""Settings of energy: what a register, an interval or a flow may say."""

from __future__ import annotations

from pydantic import Field

from pipeline.settings.base import Frozen


class EnergySettings(Frozen):
    """How a meter's readings become the energy of a plug-in."""

    least_step_wh: float = Field(
        1.0,
        gt=0,
        description="A rise of the register below its resolution says nothing; OCPP 1.6 gives whole Wh",
    )
    register_step_kwh: float = Field(
        0.1,
        gt=0,
        description="A coarse register's step: so much after a fault means that charging went on, so much by power "
        "alone that the register stands still; practice",
    )
    most_kw: float = Field(
        400.0, gt=0, description="The largest station, where no rating is given; practice"
    )
    over_rating: float = Field(
        1.2,
        ge=1,
        description="A leap of the register beyond the rating times this is no energy; practice",
    )
    spare_kwh: float = Field(
        0.2, ge=0, description="And this beside, for coarse steps and stamps; practice"
    )
    restart_share: float = Field(
        0.5,
        gt=0,
        lt=1,
        description="A register that falls to less than this share began again from zero; one that falls less is misread; decided",
    )
    next_within_h: float = Field(
        24.0,
        gt=0,
        description="The register at the start of the next session, this soon, is what it was at the end of this one; decided",
    )
    least_a: float = Field(
        1.0, gt=0, description="Less current is noise: no vehicle charges below 6 A; IEC 61851-1"
    )
    least_w: float = Field(100.0, gt=0, description="Less power is the meter's noise; practice")
    sample_holds_s: float = Field(
        3600.0,
        gt=0,
        description="A sample of power says nothing of longer than this; samples come every minute to quarter of an hour, practice",
    )
    usual_a: float = Field(
        16.0,
        gt=0,
        description="Where no meter tells, one phase delivers at the current offered, or this if that is not known; practice",
    )
