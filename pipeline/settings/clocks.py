"""Settings of the stations' clocks: what is a jump, a drift, a queue, a clock never set."""

from __future__ import annotations

from pydantic import Field

from pipeline.settings.base import Frozen


class ClockSettings(Frozen):
    """How a station's own times are corrected."""

    parallel_s: float = Field(
        5.0,
        gt=0,
        description="Two frames this close in receiver's minus station's time, and at least this far apart, were sent live; practice",
    )
    drift_limit: float = Field(
        1e-3,
        gt=0,
        lt=1,
        description="No running clock gains or loses more: 86 s a day is 1000 ppm, a crystal keeps 100 ppm; practice",
    )
    jump_s: float = Field(
        20.0,
        gt=0,
        description="A step of the offset beyond this (and beyond drift) is a jump, not a delay; decided",
    )
    knot_hours: int = Field(
        2,
        ge=1,
        le=24,
        description="Clocks set once an hour or a day run like saws: a knot of the offset must lie on every tooth; practice",
    )
    holds_days: int = Field(
        14,
        ge=1,
        description="An offset is not carried further than this from where it was seen; 100 ppm make two minutes by then; decided",
    )
    retry_s: float = Field(
        120.0,
        gt=0,
        description="A message not answered is sent again within this; time-outs are 30 to 60 s, practice",
    )
    never_set_days: int = Field(
        90,
        ge=1,
        description="A clock this far off was never set (1970, 2000): no queue is kept so long; practice",
    )
    beside_s: int = Field(
        60,
        ge=1,
        description="A frame and a pilot row of one happening carry times this close; practice",
    )
    queued_eras: int = Field(
        4, ge=1, description="A queue reaches back over at most so many jumps of the clock; decided"
    )
    unset_s: float = Field(
        43_200.0,
        gt=0,
        description="A clock off by more was not set: no time zone is further from another's midday; decided",
    )
    near_s: float = Field(
        86_400.0,
        gt=0,
        description="A time further than this from every era is of a clock nobody heard; decided",
    )
