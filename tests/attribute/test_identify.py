"""Posterior odds of a unit against the best rival story of all its failures."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.attribute.attribution import attribute
from pipeline.attribute.states.identify import enough_to_clear
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.planted import END, WEEK, Plan, plant

SETTINGS = AttributeSettings()
RARE = "rare"


def with_rare(evses: list[int], *, exclusive: tuple[int, ...] = ()) -> pl.DataFrame:
    """A healthy fleet, and a vehicle that failed every few days at these EVSEs, the last time a
    month before the end.
    """
    fleet = plant(Plan(vehicles=40, evses=8, exclusive=exclusive, base=0.02))
    rows = []
    for k, evse in enumerate(evses):
        row = fleet.filter(pl.col("evse_id") == f"e{evse:03d}").head(1)
        if row.is_empty():
            row = fleet.head(1).with_columns(evse_id=pl.lit(f"e{evse:03d}"))
        at = END - timedelta(days=30 + 4 * k)
        rows.append(
            row.with_columns(
                attempt_id=pl.lit(f"rare{k}"),
                vehicle_id=pl.lit(RARE),
                vehicle_model=pl.lit("vm0"),
                plugged_at_utc=pl.lit(at).dt.cast_time_unit("us"),
                outcome=pl.lit("failed"),
                diode_check=pl.lit("yes"),
            )
        )
    return pl.concat([fleet, *rows])


def of(attempts: pl.DataFrame, name: str = RARE) -> dict[str, object]:
    """The vehicle's row."""
    found = attribute(attempts, SETTINGS, WEEK).vehicles
    return found.filter(pl.col("vehicle_id") == name).row(0, named=True)


def test_a_rare_vehicle_is_told_from_evses_that_served_others_whenever_it_failed() -> None:
    """Eleven of eleven failed at five EVSEs, none in the last four weeks: all its evidence counts.

    Its EVSEs served dozens of others well, so no rival story is any good.
    """
    row = of(with_rare([0, 1, 2, 3, 4, 0, 1, 2, 3, 4, 0]))
    assert row["separable"]
    assert float(str(row["separable_bits"])) > 10
    assert row["rival"] is not None


def test_an_evse_of_its_own_is_as_good_a_story() -> None:
    """Where nobody else uses the EVSE, it may be the EVSE as well as the vehicle: not separable."""
    row = of(with_rare([7] * 8, exclusive=(7,)))
    assert not row["separable"]
    assert row["rival"] in {"evse", "pairing"}
    assert "served" not in str(row["reason"])


def test_the_vehicles_own_failures_are_no_evidence_against_its_partner() -> None:
    """More failures at EVSEs that serve others well make it surer, never less sure."""
    few, many = (of(with_rare([0, 1, 2] * n))["separable_bits"] for n in (1, 4))
    assert float(str(many)) > float(str(few))


def test_who_is_not_suspected_has_no_rival() -> None:
    """Bits and rival are told of the suspected only."""
    answer = attribute(plant(Plan()), SETTINGS, WEEK)
    calm = answer.vehicles.filter(pl.col("p_vehicle") < SETTINGS.doubt_at)
    assert calm["rival"].null_count() == calm.height
    assert (calm["separable_bits"] == 0).all()
    assert not calm["separable"].any()


def test_clearing_needs_four_attempts() -> None:
    """A fault that fails half of the attempts hides from three in a row with 1/8, from four with
    1/16 (setting: 0.9).
    """
    attempts = np.array([0.0, 3.0, 4.0])
    power = SETTINGS.thin_failures_power
    assert enough_to_clear(attempts, power).tolist() == [False, False, True]
    assert enough_to_clear(attempts, 0.875).tolist() == [False, True, True]


@pytest.mark.parametrize("seed", [1, 2])
def test_a_faulty_evse_is_told_from_its_visitors(seed: int) -> None:
    """The same question the other way round: thirty vehicles fail there and nowhere else."""
    answer = attribute(plant(Plan(evse_faults={5: (30, 84, 0.7)}), seed), SETTINGS, WEEK)
    row = answer.evses.filter(pl.col("evse_id") == "e005").row(0, named=True)
    assert row["separable"]
    assert row["verdict"] == "fault"
    bare = replace(Plan(), evse_faults={})
    calm = attribute(plant(bare, seed), SETTINGS, WEEK)
    assert not calm.evses["separable"].any()


@pytest.mark.parametrize("seed", [3, 4])
def test_a_bad_pairing_that_others_prove_takes_nothing_from_an_evse(seed: int) -> None:
    """An EVSE fails one attempt in six of all models; one of them fails at all EVSEs of its model besides.

    That pairing is proved elsewhere, so it is part of the EVSE's story too, not a rival's gain.
    """
    plan = Plan(
        vehicles=40,
        evses=10,
        per_day=0.5,
        base=0.02,
        bad_pairing=("1", "0", 0.6),
        evse_faults={2: (20, 84, 0.16)},
    )
    answer = attribute(plant(plan, seed), SETTINGS, WEEK)
    called = pl.col("verdict") == "fault"
    assert answer.evses.filter(called)["evse_id"].to_list() == ["e002"]
    assert answer.pairings.filter(called).select("vehicle_model", "evse_model").rows() == [
        ("vm1", "em0")
    ]
