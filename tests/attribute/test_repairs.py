"""What told repairs say: the repaired vehicle is another, unless it fails again; what goes away untold rather rests."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.attribute.attribution import attribute
from pipeline.attribute.states.model import add_repairs, state_model
from pipeline.attribute.states.smoothing import smooth
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.planted import END, WEEK, Plan, plant
from tests.attribute.test_evidence import evidence, tried

SETTINGS = AttributeSettings()
REPAIRED = END - timedelta(days=20)


def told(vehicle: str = "v003", at: datetime = REPAIRED) -> pl.DataFrame:
    """One repair."""
    return pl.DataFrame(
        {"vehicle_id": [vehicle], "repaired_at_utc": [at]},
        schema_overrides={"repaired_at_utc": pl.Datetime("us", "UTC")},
    )


def failing(after: str) -> pl.DataFrame:
    """v003 failed all attempts of the four weeks before its repair; `after` it, one a day: c charged, f failed."""
    frame = plant(Plan(vehicles=30, evses=10, base=0.02))
    own, at = pl.col("vehicle_id") == "v003", pl.col("plugged_at_utc")
    frame = frame.filter(~own | (at < REPAIRED)).with_columns(
        outcome=pl.when(own & (at >= REPAIRED - timedelta(days=28)))
        .then(pl.lit("failed"))
        .otherwise("outcome")
    )
    rows = frame.filter(own).tail(max(len(after), 1)).head(len(after))
    later = rows.with_columns(
        attempt_id=pl.format("after {}", pl.int_range(pl.len())),
        evse_id=pl.format("e{}", (pl.int_range(pl.len()) + 1).cast(pl.String).str.zfill(3)),
        plugged_at_utc=pl.lit(REPAIRED) + pl.duration(days=pl.int_range(1, pl.len() + 1)),
        outcome=pl.Series([{"c": "charged", "f": "failed"}[one] for one in after], dtype=pl.String),
    )
    return pl.concat([frame, later.select(frame.columns)])


def p_of(frame: pl.DataFrame, repairs: pl.DataFrame | None) -> float:
    """Probability of v003."""
    answer = attribute(frame, SETTINGS, WEEK, repairs=repairs)
    return float(answer.vehicles.filter(pl.col("vehicle_id") == "v003")["p_vehicle"].item())


def test_a_told_repair_holds_but_for_the_share_in_vain() -> None:
    """Of what was surely at fault the day before, the share in vain is left; what was sound stays sound (derived)."""
    model = state_model(SETTINGS.vehicle, SETTINGS, 0.02)
    logs = np.zeros((2, 2, model.states))
    logs[0, 0, model.fault_mask == 0] = logs[1, 0, 1:] = -60.0
    add_repairs(logs, np.array([0, 1]), np.array([1, 1]), np.array([True, True]), model.repaired)
    after = smooth(logs, model.initial, model.transition).belief[:, 1]
    assert after[0] @ model.fault_mask == pytest.approx(0.1, abs=0.002)
    assert after[0, -1] == pytest.approx(0.9, abs=0.002)
    assert after[1] @ model.fault_mask < 0.001


@pytest.mark.parametrize(
    ("after", "least", "most"),
    [("", 0.02, 0.3), ("cccc", 0.0, 0.12), ("f", 0.5, 0.98), ("ff", 0.9, 1.0)],
)
def test_after_a_repair_what_came_after_it_counts(after: str, least: float, most: float) -> None:
    """Failed for weeks and repaired: doubt at first, none once it charges; one failure again brings it back."""
    assert p_of(failing(after), None) > 0.6 or "c" in after
    assert least <= p_of(failing(after), told()) <= most


def test_where_repairs_are_told_a_quiet_fault_rests() -> None:
    """Three charges at the end do not clear a vehicle that failed for weeks and was not in the workshop, as others were."""
    quiet = failing("ccc")
    assert p_of(quiet, told("v007")) > p_of(quiet, None) + 0.1


def test_a_day_with_an_attempt_before_the_repair_is_not_after_it() -> None:
    """Tried at 8, repaired at 12: the next day is the first after it; tried at 16 only: that day is."""
    day = END - timedelta(days=30)
    for hour, first in ((8, 1), (16, 0)):
        seen = evidence(
            [tried("v003", "e", day + timedelta(hours=hour))],
            repairs=told("v003", day + timedelta(hours=12)),
        )
        assert seen.told
        at = float(seen.repairs.at_days[0])
        assert seen.repairs.day.tolist() == [int(at) + first]
