"""What next week may start from: laid out by name, and no more than a start."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.attribute.baseline.warm import WarmStart, remember, starting_fit, unit_names
from pipeline.attribute.evidence import Evidence, gather
from pipeline.attribute.states.solve import Solution, solve
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.planted import WEEK, Plan, plant

SETTINGS = AttributeSettings()


def evidence_of(attempts: pl.DataFrame) -> Evidence:
    """On AC, of twelve weeks."""
    return gather(attempts, SETTINGS, WEEK, "AC", 12)


@pytest.fixture(scope="module")
def solved() -> Solution:
    """A week's solution with an unknown vehicle among them."""
    attempts = plant(Plan(vehicles=6, evses=4, base=0.2)).with_columns(
        vehicle_id=pl.when(pl.col("vehicle_id") == "v005").then(None).otherwise("vehicle_id"),
        vehicle_model=pl.when(pl.col("vehicle_id") == "v005").then(None).otherwise("vehicle_model"),
    )
    return solve(evidence_of(attempts), SETTINGS, None)


def test_units_go_by_all_their_names(solved: Solution) -> None:
    """Vehicle; EVSE and coupler; models and firmware.

    In the order of the codes, the unknown last where there is one.
    """
    vehicles, evses, pairings = (names.to_list() for names in unit_names(solved.evidence))
    assert vehicles == ["v000", "v001", "v002", "v003", "v004", ""]
    assert evses == [f"e00{k}\x1fcType2" for k in range(4)]
    assert pairings[:2] == ["vm0\x1fem0\x1f1.0", "vm0\x1fem1\x1f1.0"]
    assert pairings[-1] == ""
    assert [len(vehicles), len(evses), len(pairings)] == list(solved.evidence.sizes)


def test_a_start_is_last_weeks_baseline_by_name(solved: Solution) -> None:
    """Intercept, deviations and every unit's mode come back in place.

    Of other vehicles' weeks those known, the new at nought.
    """
    warm = remember({"AC": solved})
    fit = solved.chance.fit
    assert fit is not None
    same = starting_fit(warm, "AC", solved.evidence)
    assert same is not None
    assert same.beta.tolist() == fit.beta.tolist()
    assert same.sd.tolist() == fit.sd.tolist()
    assert same.modes.tolist() == fit.modes.tolist()
    assert same.sizes == solved.evidence.sizes
    assert not same.converged
    other = evidence_of(plant(Plan(vehicles=8, evses=4, base=0.2)))
    moved = starting_fit(warm, "AC", other)
    assert moved is not None
    assert moved.mode_of(0)[:5].tolist() == fit.mode_of(0)[:5].tolist()
    assert moved.mode_of(0)[5:8].tolist() == [0.0, 0.0, 0.0]
    assert moved.mode_of(0)[8] == fit.mode_of(0)[5]
    assert moved.mode_of(1).tolist() == fit.mode_of(1).tolist()
    assert moved.variances.tolist() == [0.0] * len(moved.modes)


def test_without_last_week_there_is_no_start(solved: Solution) -> None:
    """No warm start, or none of that supply: the search begins by itself."""
    assert starting_fit(None, "AC", solved.evidence) is None
    assert starting_fit(remember({"AC": solved}), "DC", solved.evidence) is None


def test_each_supply_keeps_its_own(solved: Solution) -> None:
    """Two supplies do not mix; a parameter's name says what it is."""
    warm = remember({"AC": solved, "DC": solved})
    assert warm.parameters["name"].to_list() == ["intercept", "vehicle", "evse", "pairing"] * 2
    assert warm.parameters["supply"].to_list() == ["AC"] * 4 + ["DC"] * 4
    assert set(warm.modes["kind"].unique()) == {"vehicle", "evse", "pairing"}
    marked = pl.when(pl.col("supply") == "DC").then(9.0).otherwise("mode")
    alien = WarmStart(warm.parameters, warm.modes.with_columns(mode=marked))
    start: Any = starting_fit(alien, "AC", solved.evidence)
    assert np.abs(start.modes).max() < 9.0
