"""Measures against worked examples, and one small world from end to end."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.evaluate.measures import average_precision, calibration_error
from pipeline.evaluate.run import evaluate, summary
from pipeline.settings.attribute import AttributeSettings


def test_average_precision_of_a_worked_example() -> None:
    """Hits at ranks 1 and 3 of 4: (1/1 + 2/3) / 2 = 5/6 (derived)."""
    assert average_precision(np.array([0.9, 0.8, 0.7, 0.1]), np.array([True, False, True, False])) == pytest.approx(5 / 6)


def test_calibration_error_of_a_worked_example() -> None:
    """Ten times 0.25 with five hits and ten times 0.85 with eight: (10 x 0.25 + 10 x 0.05) / 20 = 0.15 (derived)."""
    p = np.repeat([0.25, 0.85], 10)
    hit = np.array([True] * 5 + [False] * 5 + [True] * 8 + [False] * 2)
    assert calibration_error(p, hit) == pytest.approx(0.15)


def test_a_small_world_is_measured_whole() -> None:
    """One world of each kind: every measure is there; where nothing is wrong no vehicle is called."""
    table = evaluate([1], ["standard", "no_fault"], vehicles=120, evses=30, weeks=12, settings=AttributeSettings())
    whole = summary(table)
    assert whole["seeds"].to_list() == [1, 1]
    assert whole["refer_precision"].to_list()[0] >= 0.5
    assert whole["n_refer"].to_list()[1] == 0
    assert (whole["ece_vehicle"] < 0.05).all()
