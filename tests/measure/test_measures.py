"""Measures against worked examples, and one small world from end to end."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measure.quality.measures import average_precision, calibration_error, reliability


def test_average_precision_of_a_worked_example() -> None:
    """Hits at ranks 1 and 3 of 4: (1/1 + 2/3) / 2 = 5/6 (derived)."""
    assert average_precision(
        np.array([0.9, 0.8, 0.7, 0.1]), np.array([True, False, True, False])
    ) == pytest.approx(5 / 6)


def test_calibration_error_of_a_worked_example() -> None:
    """Ten times 0.25 with five hits and ten times 0.85 with eight.

    (10 x 0.25 + 10 x 0.05) / 20 = 0.15 (derived).
    """
    p = np.repeat([0.25, 0.85], 10)
    hit = np.array([True] * 5 + [False] * 5 + [True] * 8 + [False] * 2)
    assert calibration_error(p, hit) == pytest.approx(0.15)
    rows = reliability(p, hit).filter(reliability(p, hit)["units"] > 0)
    assert rows.rows() == [(2, 10, pytest.approx(2.5), 5), (8, 10, pytest.approx(8.5), 8)]


def test_nothing_to_calibrate_has_no_error() -> None:
    """Of no units there is no calibration error, rather than one of nought."""
    assert np.isnan(calibration_error(np.array([]), np.array([], dtype=bool)))
