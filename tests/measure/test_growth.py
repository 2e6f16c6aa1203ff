"""How a run grows: exponents by stage, and what is asked of them."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.measure.speed.growth import PEAK, WHOLE, as_words, exponents
from pipeline.measure.speed.run import STAGES


def _row(lines: int, power: float, fixed: float = 0.0) -> dict[str, Any]:
    """A fleet's run whose stages cost lines to a power, the last of them also something at every size."""
    took = dict.fromkeys(STAGES, (lines / 1e5) ** power)
    took["publish"] += fixed
    return {
        "vehicles": lines // 1000, "evses": lines // 5000, "lines": lines,
        "stages_cpu_s": took, "stages_peak_mb": dict.fromkeys(STAGES, 900.0),
        "cpu_s": sum(took.values()), "peak_mb": 900.0, "bare": {"cpu_s": lines / 1e5, "peak_mb": 400.0},
    }  # fmt: skip


@pytest.mark.parametrize("power", [0.9, 1.0, 1.3])
def test_the_exponent_is_the_power_of_growth(power: float) -> None:
    """Cost that is a power of the lines has that power as its exponent; memory that stays has none."""
    found = exponents([_row(lines, power) for lines in (200_000, 800_000, 3_000_000)])
    assert found[WHOLE] == pytest.approx(power)
    assert found["normalise"] == pytest.approx(power)
    assert found[PEAK] == pytest.approx(0.0, abs=1e-9)


def test_a_stage_that_grows_faster_than_asked_is_named() -> None:
    """What is asked is judged over the two largest fleets, where a fixed cost hides growth least."""
    even = [_row(lines, 1.0, fixed=20.0) for lines in (200_000, 800_000, 3_000_000)]
    assert "<= 1.05, met" in as_words(even)
    steep = [*even[:2], _row(6_000_000, 1.2)]
    assert "NOT met: ingest, normalise, validate, report" in as_words(steep)
    assert "publish" not in as_words(steep).rpartition("NOT met")[2]
