"""The bench: from what is known and measured at a vehicle to what is wrong with it, and what to measure next.

`Case` holds the vehicle, its prior and its readings; `assess` gives the posterior, what each reading means,
what contradicts, and the next steps.
"""

from __future__ import annotations

from pipeline.refer.bench.assess import Assessment, assess
from pipeline.refer.bench.case import BenchError, Case, Reading, parse_reading
from pipeline.refer.bench.declared import bench_declared
from pipeline.refer.bench.next_reading import Proposal

__all__ = [
    "Assessment", "BenchError", "Case", "Proposal", "Reading", "assess", "bench_declared", "parse_reading",
]  # fmt: skip
