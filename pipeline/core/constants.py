"""Constants of units and statistics that several rooms need, each once."""

from __future__ import annotations

import math
from statistics import NormalDist

DAY_S = 86_400
"""Seconds of a day."""
NORMAL_MAD = NormalDist().inv_cdf(0.75)
"""Median absolute deviation of a standard normal, 0.6745."""
MAD_TO_SD = 1.0 / NORMAL_MAD
"""A normal's standard deviation from its median absolute deviation, 1.4826."""
MEDIAN_EFFICIENCY = math.sqrt(math.pi / 2.0)
"""A median's standard error against a mean's, for a normal: 1.2533."""
UNIFORM_SD = 1.0 / math.sqrt(3.0)
"""Standard deviation of a uniform value within plus or minus 1."""
