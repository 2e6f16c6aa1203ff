"""Two stories of the same failures: the evidence is exact on a tree, and the likelier story stands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.attribute.attribution import Attribution, attribute
from pipeline.attribute.states.exchange import fresh_story
from pipeline.attribute.states.messages import Events
from pipeline.attribute.states.parts import suspected_parts
from pipeline.attribute.states.smoothing import log_evidence
from pipeline.attribute.states.stories import DIFFERS, _differ, _evidence
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.planted import WEEK, Plan, plant
from tests.attribute.test_exact import BASE, EVSE, PAIRING, VEHICLE
from tests.attribute.test_states import kind

SETTINGS = AttributeSettings()


def test_the_evidence_of_a_chain_is_the_sum_over_its_paths() -> None:
    """Derived: three days, two states, all eight paths added up."""
    logs = np.random.default_rng(5).normal(size=(2, 3, 2))
    initial, move = np.array([0.9, 0.1]), np.array([[0.8, 0.2], [0.3, 0.7]])
    paths = [(a, b, c) for a in (0, 1) for b in (0, 1) for c in (0, 1)]
    whole = [
        sum(
            initial[a] * move[a, b] * move[b, c] * np.exp(u[0, a] + u[1, b] + u[2, c])
            for a, b, c in paths
        )
        for u in logs
    ]
    assert log_evidence(logs, initial, move) == pytest.approx(np.log(whole))


def test_the_evidence_of_one_event_is_the_chance_that_it_failed() -> None:
    """Derived: one failure on one day at a vehicle, an EVSE and a pairing: 1 - (1 - base) x the
    product of what each lets through on average.
    """
    models = (VEHICLE, EVSE, PAIRING)
    names = ("vehicle", "evse", "pairing")
    kinds = tuple(kind(name, [0], 1, model, 1) for name, model in zip(names, models, strict=True))
    events = Events(np.zeros(1, dtype=np.int64), np.array([BASE]), np.zeros(1, dtype=np.int64))
    told = fresh_story(suspected_parts(kinds, events), events, passes=200, damping=0.0)
    one = (np.array([0, -1]),) * 3
    through = [float(k.model.initial @ k.escape[0]) for k in kinds]
    assert _evidence(kinds, events, told, one, 1)[0] == pytest.approx(
        np.log(1 - (1 - BASE) * np.prod(through)), abs=1e-3
    )


def met_at_most_places(share: float, seed: int, plan: Plan) -> Attribution:
    """A fleet where all EVSEs but one are of one model, of two firmwares; vehicles of model vm1
    fail there in a share of attempts.
    """
    attempts = plant(plan, seed)
    model = pl.when(pl.col("evse_id") != "e007").then(pl.lit("em1")).otherwise(pl.lit("em0"))
    older = pl.col("evse_id").is_in(["e000", "e001", "e002"])
    attempts = attempts.with_columns(
        evse_model=model,
        firmware=pl.when(older).then(pl.lit("1.0")).otherwise(pl.lit("2.0")),
    )
    drawn = pl.Series(np.random.default_rng(seed).random(attempts.height) < share)
    hit = (attempts["vehicle_model"] == "vm1") & (attempts["evse_model"] == "em1") & drawn
    return attribute(
        attempts.with_columns(
            outcome=pl.when(hit).then(pl.lit("failed")).otherwise("outcome"),
            stage=pl.when(hit).then(pl.lit("requested")).otherwise("stage"),
            early_b=pl.col("early_b") | hit,
        ),
        SETTINGS,
        WEEK,
    )


@pytest.mark.parametrize(
    ("share", "vehicles", "seed"),
    [(0.5, 12, 1), (0.5, 24, 2), (0.8, 36, 3)],
    ids=["4 of 12, half", "8 of 24, half", "12 of 36, most"],
)
def test_a_pairing_met_at_most_places_is_not_each_of_its_vehicles(
    share: float, vehicles: int, seed: int
) -> None:
    """Every vehicle of the model fails wherever that EVSE model stands, nearly everywhere: one
    pairing, not so many vehicles (told from vehicles alone, each was blamed).
    """
    answer = met_at_most_places(share, seed, Plan(vehicles=vehicles, evses=8, days=84, per_day=0.3))
    assert answer.vehicles["p_vehicle"].max() < 0.5  # type: ignore[operator]
    assert answer.pairings["p_pairing"].max() > 0.9  # type: ignore[operator]


def test_two_faulty_vehicles_of_a_model_are_no_pairing() -> None:
    """Two of a model's vehicles fail everywhere, its other six nowhere: vehicles, not the pairing."""
    plan = Plan(
        vehicles=24, evses=8, per_day=0.3, vehicle_faults={1: (0, 84, 0.8), 4: (0, 84, 0.8)}
    )
    answer = met_at_most_places(0.0, 1, plan)
    blamed = answer.vehicles.filter(pl.col("p_vehicle") > 0.5)["vehicle_id"].to_list()
    assert sorted(blamed) == ["v001", "v004"]
    assert answer.pairings["p_pairing"].max() < 0.5  # type: ignore[operator]


def test_units_told_nearly_alike_are_not_looked_at_and_others_are_told_apart_as_by_all_days() -> (
    None
):
    """Derived: messages that differ by D in all move no probability by more than tanh(D / 2). So the units that differ are those that
    smoothing everybody finds, whatever the messages.
    """
    rng, days, units = np.random.default_rng(9), 5, 12
    mine = kind("vehicle", rng.integers(0, units, 40).tolist(), units, VEHICLE, days)
    events = Events(rng.integers(0, days, 40), np.full(40, BASE), np.arange(40))
    parts = suspected_parts((mine,), events)
    first = fresh_story(parts, events, passes=20, damping=0.0)
    scale = rng.choice([0.01, 0.3, 4.0], 40)[:, None]
    moved = first.messages[0] + scale * rng.normal(0.0, 1.0, first.messages[0].shape)
    other = replace(first, messages=(moved,))
    fault = [told.beliefs().belief[0] @ mine.model.fault_mask for told in (first, other)]
    truth = np.abs(fault[0] - fault[1]).max(axis=1) > DIFFERS
    assert 0 < truth.sum() < units
    assert _differ(mine, 0, first, other).tolist() == truth.tolist()
