"""Level factors made for tests."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.circuit.level_evidence import LevelEvidence, hypotheses
from pipeline.refer.suspects.level_factors import LevelFactors


def no_levels(vehicles: int, suspects: int) -> LevelFactors:
    """Factors of vehicles of which no level is logged: all 1."""
    none = np.zeros((vehicles, suspects))
    evidence = LevelEvidence(pl.Series("vehicle_id", [], dtype=pl.String), hypotheses(), none[:0])
    return LevelFactors(none, none, none, evidence, np.full(vehicles, -1, dtype=np.int64))
