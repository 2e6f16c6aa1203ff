"""A model nobody named may be any of the fleet's: planted fleets in which one of them pairs badly."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.attribute.attribution import attribute
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.planted import WEEK, Plan, plant

SETTINGS = AttributeSettings()
BAD = Plan(vehicles=24, evses=8, per_day=0.4, bad_pairing=("0", "1", 0.7))
"""Vehicles v000, v003, ... of model vm0 fail at e001, e003, ... of model em1, in seven attempts of ten."""


def fleet(seed: int, plan: Plan = BAD) -> pl.DataFrame:
    """The same where half of the EVSEs of em1 run another firmware, so that one fault has two names; vm1 fails there too."""
    later = pl.col("evse_id").is_in(["e005", "e007"])
    attempts = plant(plan, seed).with_columns(
        firmware=pl.when(later).then(pl.lit("2.0")).otherwise("firmware")
    )
    drawn = pl.Series(np.random.default_rng(seed).random(attempts.height) < 0.7)
    hit = (attempts["vehicle_model"] == "vm1") & (attempts["evse_model"] == "em1") & drawn
    return attempts.with_columns(
        outcome=pl.when(hit).then(pl.lit("failed")).otherwise("outcome"),
        stage=pl.when(hit).then(pl.lit("requested")).otherwise("stage"),
    )


def unnamed(attempts: pl.DataFrame, unit: str, name: str, model: str) -> pl.DataFrame:
    """The attempts, the model of one unit not known."""
    return attempts.with_columns(
        pl.when(pl.col(unit) == name).then(None).otherwise(pl.col(model)).alias(model)
    )


def but(attempts: pl.DataFrame, rare: pl.Expr, kept: int) -> pl.DataFrame:
    """The attempts without those of a sort, but for the first few."""
    return attempts.filter(~rare | (rare.cum_sum() <= kept))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_unnamed_vehicle_that_fails_where_a_known_model_does_is_not_blamed(seed: int) -> None:
    """Seven of its model fail at the same EVSEs and nowhere else: the pairing explains it, and bears the blame of each failure.
    It was hardly ever elsewhere, so by itself alone it is a faulty vehicle (over 99 % before models were recognised).
    """
    seldom = (pl.col("vehicle_id") == "v003") & (pl.col("evse_model") == "em0")
    attempts = unnamed(but(fleet(seed), seldom, 3), "vehicle_id", "v003", "vehicle_model")
    answer = attribute(attempts, SETTINGS, WEEK)
    assert answer.vehicles.filter(pl.col("vehicle_id") == "v003")["p_vehicle"].item() < 0.2
    own = attempts.filter(
        pl.col("vehicle_id") == "v003", pl.col("evse_model") == "em1", pl.col("outcome") == "failed"
    )
    blame = answer.blame.filter(pl.col("attempt_id").is_in(own["attempt_id"].implode()))
    assert blame["p_pairing"].mean() > 0.8  # type: ignore[operator]


def test_an_unnamed_vehicle_that_fails_everywhere_is_at_fault() -> None:
    """No known model fails at every EVSE, so none explains it."""
    plan = Plan(**(vars(BAD) | {"vehicle_faults": {1: (0, 84, 0.8)}}))
    attempts = unnamed(fleet(1, plan), "vehicle_id", "v001", "vehicle_model")
    answer = attribute(attempts, SETTINGS, WEEK)
    assert answer.vehicles.filter(pl.col("vehicle_id") == "v001")["p_vehicle"].item() > 0.9


def test_an_unnamed_evse_that_fails_with_the_vehicles_a_known_model_fails_with_is_not_blamed() -> (
    None
):
    """The other side: an EVSE of unknown model, at which vehicles of vm0 and vm1 fail, and of vm2 hardly any were."""
    seldom = (pl.col("evse_id") == "e003") & (pl.col("vehicle_model") == "vm2")
    attempts = unnamed(but(fleet(1), seldom, 3), "evse_id", "e003", "evse_model")
    answer = attribute(attempts, SETTINGS, WEEK)
    assert answer.evses.filter(pl.col("evse_id") == "e003")["p_evse"].item() < 0.1


def test_where_no_model_is_known_nothing_is_recognised() -> None:
    """Without a column of models every vehicle has a model of its own, and an answer is given all the same."""
    attempts = fleet(1).with_columns(vehicle_model=pl.lit(None, pl.String))
    answer = attribute(attempts, SETTINGS, WEEK)
    assert answer.vehicles["p_vehicle"].is_between(0.0, 1.0).all()
