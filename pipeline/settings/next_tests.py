"""Settings of the next tests: what a plug-in is expected to show, and what it is worth."""

from __future__ import annotations

from pydantic import Field

from pipeline.settings.base import Frozen

Share = float


class NextTestSettings(Frozen):
    """What a proposed plug-in would tell."""

    sound_fails: Share = Field(
        0.03,
        gt=0,
        lt=1,
        description="Chance to fail with vehicle and EVSE sound: the fleet's usual 2 to 3 %; assumed",
    )
    faulty_evse_fails: Share = Field(
        0.8, gt=0, lt=1, description="Chance to fail at an EVSE at fault; assumed"
    )
    faulty_vehicle_fails: Share = Field(
        0.75,
        gt=0,
        lt=1,
        description="Chance to fail of a vehicle at fault, where the diode check has no part in it; assumed",
    )
    diode_fails: dict[str, dict[str, Share]] = Field(
        {
            "pilot_diode_shorted": {"yes": 0.97, "unknown": 0.7, "no": 0.03},
            "pilot_diode_leaky": {"yes": 0.65, "unknown": 0.45, "no": 0.03},
        },
        description="The same by suspect and by whether the EVSE checks the diode; as in the declared signatures",
    )
    nearness: tuple[Share, Share, Share] = Field(
        (1.0, 0.8, 0.4),
        description="What a bit is worth at the vehicle's usual site, at another one it uses, elsewhere: "
        "a detour costs a driver's time; decided",
    )
    healthy_below: Share = Field(
        0.05,
        gt=0,
        lt=1,
        description="A unit called clear or unknown is a sound partner below this probability; decided",
    )
    least_bits: float = Field(
        0.01, gt=0, description="A test that tells less is not proposed; decided"
    )
    least_p: Share = Field(
        0.02,
        gt=0,
        lt=0.5,
        description="A vehicle this far from both ends asks nothing more; decided",
    )
