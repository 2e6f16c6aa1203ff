"""Drivers who leave the charging to a timer: some of their charges begin long after the plug-in.

Who has a habit of not asking may have it because of a timer. How many of the habits are timers', and how often
a timer lets a charge begin late, each fleet shows itself: where nearly all drivers of the habit start late now
and then, one who never did has hardly the habit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.attribute.states.model import Floats

LATE_BY_TIMER, LATE_OTHERWISE = 0.25, 0.01
"""Share of charges that begin long after the plug-in though the EVSE was ready: of who leaves it to a timer, and of others; judgement."""
TIMERS = 0.5
"""Share of drivers with a habit of not asking whose habit is a timer; judgement."""
ASSUMED_DRIVERS, ASSUMED_CHARGES = 10.0, 20.0
"""Drivers with the habit, and charges of them, that weigh as much as what is assumed; judgement."""
MOST_BY_TIMER = 1e3
"""Late starts move the odds of a habit by so much at most; judgement."""


@dataclass(frozen=True)
class Starts:
    """Charges of each vehicle, and those of them that began late (vehicles,); `habits`: how timers show."""

    charged: Floats
    late: Floats


@dataclass(frozen=True)
class Timers:
    """`share` of the habits of not asking that are timers', and the share of a timer's charges that begin `late`."""

    share: float = TIMERS
    late: float = LATE_BY_TIMER

    def likelier(self, starts: Starts) -> Floats:
        """How many times likelier a vehicle's starts are with a timer than without (vehicles,)."""
        prompt = starts.charged - starts.late
        logs = starts.late * math.log(self.late / LATE_OTHERWISE) + prompt * math.log(
            (1.0 - self.late) / (1.0 - LATE_OTHERWISE)
        )
        return np.asarray(np.exp(np.minimum(logs, math.log(MOST_BY_TIMER))))

    def habit(self, starts: Starts) -> Floats:
        """How many times likelier its starts are with a habit of not asking than without (vehicles,)."""
        return np.asarray(1.0 - self.share + self.share * self.likelier(starts))


def learn_timers(starts: Starts, habit: Floats, known: Timers) -> Timers:
    """What the fleet shows; `habit` (vehicles,): probability that the vehicle has the habit, as found with `known`."""
    timed = known.share * known.likelier(starts)
    by_timer = habit * timed / (1.0 - known.share + timed)
    share = (ASSUMED_DRIVERS * TIMERS + by_timer.sum()) / (ASSUMED_DRIVERS + habit.sum())
    late = (ASSUMED_CHARGES * LATE_BY_TIMER + by_timer @ starts.late) / (
        ASSUMED_CHARGES + by_timer @ starts.charged
    )
    return Timers(float(share), max(float(late), 2.0 * LATE_OTHERWISE))
